"""The levels of a grid's lines side by side, as the medians of differences of neighbours give them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np
from numpy.typing import ArrayLike

from ..core import INSTRUMENT, MAD_TO_SD, Lines, eigen_symmetric, median, positions_of

SMOOTH_M = 4.0
"""Correlation length across the lines, in metres, of what is smooth in the levels: geology and drift. Found by
tests/calibration/jumps.py: as good as 5 and 6 m."""
STIFFNESS = (0.5, 1.5)
"""Prior standard deviations of what is smooth, in those of the offsets of lines, each as probable. Found by
tests/calibration/jumps.py: as good as three of them up to 2.5 or 4."""
SLOPE = 20.0
"""Prior standard deviation of a slope over all lines, in those of what is smooth. Common practice, no source: weak."""
LEVEL, DIRECTION = 30.0, 2.0
"""Prior standard deviations of the level, and of what is left of the offset between the directions, in those of the
offsets of lines. Common practice, no source: weak."""
SMALL = 1e-3
"""Parts of a smooth function with less than this fraction of the largest variance are left out. Derived: they have 3 %
of its standard deviation."""
FIRST_TO_SD = 1 / np.sqrt(2.0) / 1.13
"""Scale of Student's t of 3 degrees, over the robust standard deviation of differences of two such values. Derived: a
difference has sqrt(2) of the scale, and the median absolute value is 0.765 of it, 1.13 once it is made a standard
deviation."""


@dataclass(frozen=True)
class LevelProfile:
    """Levels of L connected lines; what is smooth in them is a linear model.

    Attributes
    ----------
    index : (L,) int
        Of the lines among all of the grid.
    u : (L,) float64
        Along the baseline in metres, ascending.
    level : (L,) float64
        With the median 0, the offset between the directions taken off.
    order : (L,) int
        The lines in the order of time.
    sd : float
        Scale of the offsets of lines.
    smooth : (L, q) float64
        Level, slope, offset between the directions and smooth functions.
    precision : (S, q) float64
        Their prior precisions by stiffness.
    """

    index: np.ndarray
    u: np.ndarray
    level: np.ndarray
    order: np.ndarray
    sd: float
    smooth: np.ndarray
    precision: np.ndarray

    @property
    def spacing_m(self) -> float:
        """Median distance of neighbours."""
        return median(np.diff(self.u))

    def edges(self, at: ArrayLike, width_m: ArrayLike) -> np.ndarray:
        """Return (L, J) levels beside straight edges at ``at`` (J,) along the lines, as wide as ``width_m`` (J,)."""
        from scipy.special import ndtr

        return ndtr((self.u[:, None] - np.asarray(at)) / np.asarray(width_m))

    def strips(self, middle: np.ndarray, width_m: np.ndarray) -> np.ndarray:
        """Return (L, J) levels across strips along the lines, as the coils blur them."""
        blur = INSTRUMENT.footprint_m
        return self.edges(middle - width_m / 2, blur) - self.edges(middle + width_m / 2, blur)


def profiles_of(lines: Lines, matrix: np.ndarray, clock: np.ndarray, least: int, most: int) -> list[LevelProfile]:
    """Return the levels of a grid's lines: connected lines, at most ``most`` at once, overlapping by half.

    Parameters
    ----------
    lines : Lines
    matrix : (L, V) float64
        Values on the common axis.
    clock : (L,) float64
        Gives the order in time.
    least, most : int
        Fewest and most lines of a profile.
    """
    index, whole = _one_a_position(lines, matrix, clock)
    level, part = _chained(whole)
    found = []
    for number in range(int(part.max(initial=-1)) + 1):
        mine = np.flatnonzero(part == number)
        for start in range(0, max(len(mine) - most // 2, 1), most // 2):
            of = mine[start : start + most]
            if len(of) >= least:
                found.append(_profile(lines, index[of], level[of], clock[index[of]]))
    return [one for one in found if one is not None]


def _one_a_position(lines: Lines, matrix: np.ndarray, clock: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the first line in time (G,) and the values (G, V) of each position along the baseline.

    Recordings of one position that follow each other are one line (on both sides of an obstacle); of others the longest
    counts.
    """
    rank = np.argsort(np.argsort(clock, kind="stable"), kind="stable")
    position = positions_of(lines.u)
    index, rows = [], []
    for number in range(int(position.max(initial=-1)) + 1):
        mine = np.flatnonzero(position == number)
        if np.ptp(rank[mine]) >= len(mine):
            mine = mine[[np.argmax(np.isfinite(matrix[mine]).sum(axis=1))]]
        mine = mine[np.argsort(rank[mine])]
        row = matrix[mine[0]]
        for more in mine[1:]:
            row = np.where(np.isfinite(row), row, matrix[more])
        index.append(mine[0])
        rows.append(row)
    return np.array(index, int), np.reshape(rows, (len(rows), matrix.shape[1]))


def _chained(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return levels (L,) from line to line, and the number of the chain that a line belongs to."""
    difference = np.diff(matrix, axis=0)
    known = np.isfinite(difference).sum(axis=1) >= max(3, matrix.shape[1] // 4)
    step = [median(row[np.isfinite(row)]) if ok else 0.0 for row, ok in zip(difference, known)]
    return np.concatenate([[0.0], np.cumsum(step)]), np.concatenate([[0], np.cumsum(~known)])


def _profile(lines: Lines, index: np.ndarray, level: np.ndarray, clock: np.ndarray) -> Optional[LevelProfile]:
    u, heading = lines.u[index], lines.heading[index].astype(float)
    turned, change = np.diff(heading), np.diff(level)
    if turned.any():
        level = level - heading * median((change * np.sign(turned))[turned != 0]) / 2
        change = np.diff(level)
    sd = MAD_TO_SD * FIRST_TO_SD * median(np.abs(change - median(change)))
    if not sd > 1e-9 * np.abs(level).max(initial=0.0) or np.ptp(u) <= 0:
        return None
    functions = _smooth_functions(u)
    middle = np.column_stack([np.ones(len(u)), (u - u.mean()) / np.ptp(u), heading / 2, functions])
    sds = [[LEVEL, SLOPE * s, DIRECTION, *[s] * functions.shape[1]] for s in STIFFNESS]
    order = np.argsort(clock, kind="stable")
    return LevelProfile(index, u, level - median(level), order, sd, middle, 1 / (sd * np.array(sds)) ** 2)


def _smooth_functions(u: np.ndarray) -> np.ndarray:
    """Return (L, K) functions whose sum with unit normal factors is a Gaussian process of variance one."""
    nodes = np.arange(u.min() - SMOOTH_M / 2, u.max() + SMOOTH_M / 2 + 0.01, SMOOTH_M / 2)
    own = np.exp(-0.5 * ((nodes[:, None] - nodes) / SMOOTH_M) ** 2) + 1e-6 * np.eye(len(nodes))
    variance, shape = eigen_symmetric(own)
    kept = variance > SMALL * variance[-1]
    across = np.exp(-0.5 * ((u[:, None] - nodes) / SMOOTH_M) ** 2)
    return across @ (shape[:, kept] / np.sqrt(variance[kept]))
