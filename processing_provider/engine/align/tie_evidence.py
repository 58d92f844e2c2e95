"""Along-line position errors from tie-line crossovers."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from ..balance import FREEDOM, Controls, LineLevels, controlled_levels
from ..core import CARRIED, INSTRUMENT, Lines, Platform, Readings, kind_code, walk_shapes
from .walk import PositionErrors
from .walk_equations import Evidence, Observations

ASIDE_M = 0.12
"""Error across a tie, in metres, with what slopes read off uneven lines add to it. Found by
tests/calibration/align.py: of half and twice as much the position errors come out 2 % larger."""


def evidence_of_ties(
    placed: Readings,
    lines: Lines,
    positions: PositionErrors,
    channels: Sequence[str],
    platform: Platform = CARRIED,
) -> Optional[Evidence]:
    """Return what crossovers show of the position errors of lines, None without ties.

    Parameters
    ----------
    placed : Readings
        Readings of one grid, moved by the position errors so far.
    lines : Lines
        Its lines.
    positions : PositionErrors
        The position errors so far.
    channels : sequence of str
    platform : Platform

    Notes
    -----
    At a crossover the line is held against the same signal read on another walk. Once levels of lines and ties and the
    position errors of the ties are taken off (see ``balance_traverses``), the residual is the slope of the signal along
    the line times the position error of the line, and an error with Student's t distribution. The line's own level was
    estimated from the same crossovers: it is a nuisance parameter with the variance that neighbours leave, and its
    information is taken off. See ``docs/methods/align.md``.
    """
    if not np.any(placed.kind == kind_code("tie")):
        return None
    shapes = walk_shapes(positions.v, platform)
    evidence = Evidence.none(np.where(positions.moved[:, None], positions.weight, 0.0))
    for channel in channels:
        found = controlled_levels(placed, channel, platform)
        if found is not None:
            others, levels, controls = found
            # Lines of the levels by their index among the lines whose positions are estimated.
            number = {key: k for k, key in enumerate(zip(lines.line, lines.run))}
            index = np.array([number.get(key, -1) for key in zip(others.line, others.run)])
            seen = _crossovers(index, positions.v, shapes, levels, controls, platform)
            evidence = evidence.with_observations(seen, _level_variance(index, len(lines), levels))
    return evidence


def _crossovers(
    index: np.ndarray, v: np.ndarray, shapes: np.ndarray, levels: LineLevels, controls: Controls, platform: Platform
) -> Observations:
    """Return the crossovers as observations of the weights of the shapes (V, m) at ``v`` (V,)."""
    cross = np.flatnonzero(controls.tie >= 0)
    line = index[controls.line[cross]]
    cross, line = cross[line >= 0], line[line >= 0]
    at = np.stack([np.interp(controls.v_m[cross], v, shape) for shape in shapes.T], axis=1)
    residual, slope = levels.control_residual[cross], controls.slope_along_line[cross]
    slope_along_tie = controls.tie_design[cross, 0] / INSTRUMENT.lag_m
    variance = controls.variance[cross] + (platform.aligned_tie_m * slope_along_tie) ** 2 + (ASIDE_M * slope) ** 2
    variance = (FREEDOM * variance + residual**2) / (FREEDOM + 1)
    return Observations(line, slope[:, None] * at, residual, variance)


def _level_variance(index: np.ndarray, count: int, levels: LineLevels) -> np.ndarray:
    """Return the variance (L,) of the levels of lines as neighbours alone leave it; infinite where there is none."""
    variance = np.full(count, np.inf)
    variance[index[index >= 0]] = levels.error_without_controls[index >= 0] ** 2
    return variance
