"""What is left of the drift within the grids, as the steps across their common edges tell."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from .adjustment import fit_steps
from .base_stations import Bases
from .cosine_modes import MODES
from .edge_steps import Seam
from .line_segments import Patches
from .observations import Terms

LEAST_DRIFT = 0.7
"""Drift of a lower standard deviation, in units of the ground's change over a metre, is not told from the ground."""


def drift_within(
    patches: Patches, seams: Sequence[Seam], terms: Terms, fixed: int, bases: Optional[Bases] = None
) -> np.ndarray:
    """Return (G, MODES) factors of ``cosines`` of the drift left in each grid; 0 where no seam tells.

    Parameters
    ----------
    patches : Patches
        As for ``_mosaic.fit_levels``, in units of the ground's change over a metre.
    seams : sequence of Seam
    terms : Terms
        What else comes off the grids. Tilts take up all drift.
    fixed : int
        Place of the grid that stays as it is, -1 = none.
    bases : Bases, optional
        Base readings that were taken on one spot.

    Notes
    -----
    What ``_mosaic.fit_steps`` tells without waves: they help to tell levels, but what comes off within a grid must not
    rest on them, for a bank that runs along the lines is a wave too. It goes on beyond the grid's edge, so it makes no
    step; drift does. Seams at the ends of the lines tell every line apart from the one beyond. The factors are
    expectations: what the seams do not tell is nothing. Where little is left of the drift, as with ties, the lines are
    known better than seams could tell, and all factors are 0.
    """
    grids = np.arange(len(terms.free))
    nothing = np.zeros((len(grids), MODES))
    if terms.tilted:
        return nothing
    told = fit_steps(patches, seams, terms, nothing, still=fixed, bases=bases)
    if told.drift < LEAST_DRIFT**2:
        return nothing
    free = np.isin(grids, [seam.grids for seam in seams]) & (grids != fixed)
    return np.where(free[:, None], told.drift_factors(), 0.0)
