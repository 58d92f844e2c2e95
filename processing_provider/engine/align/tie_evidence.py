"""What tie lines tell of the walk of the lines that they cross."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from ..balance import FREEDOM, Levels, Marks, levels_of
from ..core import CARRIED, INSTRUMENT, Lines, Platform, Readings, kind_code, walk_shapes
from .walk import Walking
from .walk_equations import Told

ASIDE_M = 0.12
"""What stands for its way across itself, and for slopes that are read off uneven lines. Common practice, no source."""


def told_by_ties(
    placed: Readings, lines: Lines, walking: Walking, channels: Sequence[str], platform: Platform = CARRIED
) -> Optional[Told]:
    """Return what ties tell of the walks of lines, None without ties.

    Parameters
    ----------
    placed : Readings
        Readings of one grid, moved by what is known of the walks so far.
    lines : Lines
        Its lines.
    walking : Walking
        The walks so far.
    channels : sequence of str
    platform : Platform

    Notes
    -----
    Where a tie crosses a line, the line is held against the same ground read on another walk. Once levels of lines and
    ties and the walks of the ties are taken off (see ``balance_traverses``), what is left is the slope of the ground
    along the line times how far the line's readings lie ahead, and noise (t distributed). The line's own level was
    found from the same crossings: what they tell of it is taken off the information, as for an unknown with the
    variance that neighbours leave.
    """
    if not np.any(placed.kind == kind_code("tie")):
        return None
    shapes = walk_shapes(walking.v, platform)
    told = Told.nothing(np.where(walking.moved[:, None], walking.weight, 0.0))
    for channel in channels:
        found = levels_of(placed, channel, platform)
        if found is not None:
            told = told.with_crossings(*_crossings(lines, walking.v, shapes, *found, platform))
    return told


def _crossings(
    lines: Lines, v: np.ndarray, shapes: np.ndarray, others: Lines, levels: Levels, marks: Marks, platform: Platform
):
    """Return line, what a line's walk does there by its shapes (R, m), what is left over, its variance, and the
    variance (L,) of the lines' levels as neighbours tell it."""
    number = {key: k for k, key in enumerate(zip(lines.line, lines.run))}
    mine = np.array([number.get(key, -1) for key in zip(others.line, others.run)])
    cross = np.flatnonzero(marks.tie >= 0)
    line = mine[marks.line[cross]]
    cross, line = cross[line >= 0], line[line >= 0]
    there = np.stack([np.interp(marks.v_m[cross], v, shape) for shape in shapes.T], axis=1)
    rest = levels.mark_rest[cross]
    across = marks.turn[cross, 0] / INSTRUMENT.lag_m
    variance = marks.variance[cross] + (platform.aligned_tie_m * across) ** 2 + (ASIDE_M * marks.along[cross]) ** 2
    variance = (FREEDOM * variance + rest**2) / (FREEDOM + 1)
    level = np.full(len(lines), np.inf)
    level[mine[mine >= 0]] = levels.error_alone[mine >= 0] ** 2
    return line, marks.along[cross, None] * there, rest, variance, level
