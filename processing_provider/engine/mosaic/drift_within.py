"""Drift within the grids, as the steps across their common edges imply it."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from ..core import Progress
from .adjustment import solve_steps
from .base_stations import BaseStations
from .cosine_modes import MODES
from .edge_steps import Seam
from .line_segments import Segments
from .observations import Terms

LEAST_DRIFT = 0.7
"""Drift of a lower standard deviation, in units of the signal's change over a metre, is left in. Found by
``tests/calibration/mosaic.py``."""


def drift_within(
    segments: Segments,
    seams: Sequence[Seam],
    terms: Terms,
    fixed: int,
    stations: Optional[BaseStations] = None,
    progress: Progress = None,
) -> np.ndarray:
    """Return (G, MODES) factors of ``cosines`` of the drift in each grid; 0 where no seam shows it.

    Parameters
    ----------
    segments : Segments
        As for ``adjust_levels``, in units of the signal's change over a metre.
    seams : sequence of Seam
    terms : Terms
        What else comes off the grids. Tilts take up all drift.
    fixed : int
        Index of the grid that stays as it is, -1 = none.
    stations : BaseStations, optional
        Base readings that were taken on one spot.
    progress : callable, optional

    Notes
    -----
    By ``solve_steps`` without waves. They help to estimate levels, but what comes off within a grid must not rest on
    them: a bank along the lines is a wave, too. A bank goes on beyond the grid's edge and makes no step there; drift
    does. The factors are expectations, 0 where the seams show nothing. Where the drift is small, as with tie lines, the
    lines are known better than seams could show, and all factors are 0.
    """
    grids = np.arange(len(terms.free))
    nothing = np.zeros((len(grids), MODES))
    if terms.tilted:
        return nothing
    solved = solve_steps(segments, seams, terms, nothing, still=fixed, stations=stations, progress=progress)
    if solved.drift < LEAST_DRIFT**2:
        return nothing
    free = np.isin(grids, [seam.grids for seam in seams]) & (grids != fixed)
    return np.where(free[:, None], solved.drift_factors(), 0.0)
