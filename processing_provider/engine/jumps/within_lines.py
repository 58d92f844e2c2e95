"""Where inside a line the level stepped, up to its end: sharper than any ground, and not seen by the neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ..core import INSTRUMENT, MAD_TO_SD, Lines, median, robust_sd

LEAST_END_M = 2.0
"""Least length of a line on either side of a step, in metres. Derived: some six footprints, so that a feature is not
most of it."""
BESIDE_M = 0.75
"""Length on either side of a step, in metres, whose means must differ by as much as the two parts of the line. Derived:
two footprints: ground that changes within them is seen on both sides."""
PIECE_M = 2 * INSTRUMENT.resolution_m
"""Differences from the neighbours are independent at this distance, in metres. Derived: twice the resolution, as
features reach over more than one."""
ALIKE = (0.7, 1.4)
"""A step beside itself, as a fraction of that of the two parts of the line. Common practice, no source: noise, and what
neighbours see of features."""
SHARP, PROOF = 0.7, 4.0
"""Fraction of a step that lies within two readings; and so many standard errors, and robust scales of what other lines
and any two readings show, it stands out by. Found by tests/calibration/jumps.py: 0.6 and 0.75 are as good; 5 finds a
sixth fewer, and 3 more that are none. An edge of the ground, blurred by the coils' footprint of 0.35 m, has 0.28 of
itself within two readings of 0.125 m."""
COARSE_M = 0.3
"""Where readings are farther from each other, an edge of the ground is as sharp as a step. Derived: two readings of
0.3 m hold 0.61 of an edge of the footprint's width."""
LEAST_LINES = 6
"""Fewest lines whose steps show how large those of features are. Derived: a median absolute value of six is known to a
third."""


@dataclass(frozen=True)
class Within:
    """A step inside a line.

    Attributes
    ----------
    line : int
        Index among the lines of the grid.
    v_m : float
        Where it is.
    size, standard_error : float
        Beyond it (towards larger v) less before it.
    """

    line: int
    v_m: float
    size: float
    standard_error: float


def largest_step(lines: Lines, matrix: np.ndarray) -> Optional[Within]:
    """Return the step inside a line that stands out most by values (L, V) on the common axis, None where none does."""
    reach = max(2, round(BESIDE_M / lines.step_m))
    end = max(reach + 3, round(LEAST_END_M / lines.step_m))
    if len(lines) < LEAST_LINES or lines.step_m > COARSE_M or matrix.shape[1] < 2 * end + 2:
        return None
    beside = _beside(_from_neighbours(lines, matrix), matrix, reach, end)
    found = [_step(*one, lines, end) for one in zip(beside.residual, beside.local, beside.sharp)]
    change = beside.residual[:, 2:] - beside.residual[:, :-2]
    noise = robust_sd(change[np.isfinite(change)]) if np.isfinite(change).any() else np.inf
    scale = max(robust_sd(np.array([size for size, _, _, _ in found])), noise)
    proven = [
        (abs(size) / max(error, scale), Within(k, float(lines.v[at]), size, error))
        for k, (size, error, at, is_step) in enumerate(found)
        if is_step and abs(size) > PROOF * max(error, scale)
    ]
    return max(proven, key=lambda one: one[0])[1] if proven else None


@dataclass(frozen=True)
class _Beside:
    """Lines less their neighbours (L, V), how they change across a node, and within two readings."""

    residual: np.ndarray
    local: np.ndarray
    sharp: np.ndarray


def _from_neighbours(lines: Lines, matrix: np.ndarray) -> np.ndarray:
    """Return (L, V) lines less the mean of the lines beside them, NaN where there is none."""
    total, count = np.zeros(matrix.shape), np.zeros(matrix.shape)
    known = np.isfinite(matrix)
    for of, other in (lines.pairs.T, lines.pairs.T[::-1]):
        np.add.at(total, of, np.where(known[other], matrix[other], 0.0))
        np.add.at(count, of, known[other])
    return np.where(count > 0, matrix - total / np.maximum(count, 1), np.nan)


def _beside(residual: np.ndarray, matrix: np.ndarray, reach: int, end: int) -> _Beside:
    nodes = np.arange(end, matrix.shape[1] - end)
    sums = np.cumsum(np.pad(np.nan_to_num(residual), ((0, 0), (1, 0))), axis=1)
    local, sharp = np.zeros(matrix.shape), np.zeros(matrix.shape)
    after, before = sums[:, nodes + 1 + reach] - sums[:, nodes + 1], sums[:, nodes - 1] - sums[:, nodes - 1 - reach]
    local[:, nodes] = (after - before) / reach
    change, own = (np.nan_to_num(one[:, 2:] - one[:, :-2]) for one in (residual, matrix))
    # Ground that rises evenly has as much change on either side.
    own[:, reach:-reach] -= (own[:, : -2 * reach] + own[:, 2 * reach :]) / 2
    sharp[:, 1:-1] = np.where(change * own > 0, np.sign(own) * np.minimum(np.abs(change), np.abs(own)), 0.0)
    return _Beside(residual, local, sharp)


def _step(
    residual: np.ndarray, local: np.ndarray, sharp: np.ndarray, lines: Lines, end: int
) -> tuple[float, float, int, bool]:
    """Return size, standard error and node of the step where a line changes most, and whether it looks like one."""
    at = int(np.argmax(np.minimum(np.abs(local), np.abs(sharp)) * (local * sharp > 0)))
    parts = [part[np.isfinite(part)] for part in (residual[: at - 1], residual[at + 2 :])]
    if at < end or min(map(len, parts)) < end / 2:
        return 0.0, np.inf, at, False
    first, second = parts
    size = median(second) - median(first)
    variance = 0.0
    for part in parts:
        pieces = max(len(part) * lines.step_m / PIECE_M, 1.0)
        # The median of n normal values has sqrt(pi / 2 / n) of their standard deviation.
        variance += np.pi / 2 / pieces * (MAD_TO_SD * median(np.abs(part - median(part)))) ** 2
    near = sharp[at - 2 : at + 3] * np.sign(size)
    alike = ALIKE[0] * abs(size) <= local[at] * np.sign(size) <= ALIKE[1] * abs(size)
    return (
        size,
        float(np.sqrt(variance)),
        at - 2 + int(np.argmax(near)),
        bool(alike and near.max() >= SHARP * abs(size)),
    )
