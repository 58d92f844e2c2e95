"""The lines of a grid in cells of half a metre: what of its readings can be the same in the grid beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping, Sequence

import numpy as np

from ..core import MAD_TO_SD, ROUNDING, Readings, Scheme, flag_bit, kind_code, nearest_whole, noise_of_lines
from ..geometry import CORNERS, Frame, local_corner

CELL_M = 0.5
"""Length of a cell along a line. Derived: coils average over 0.35 m and lines are walked 0.15 m to 0.4 m out of place
along them, so that nothing finer is the same in two grids."""
BEYOND = 2
"""Cells beyond either edge. Derived: readings that are written 0.6 m ahead or behind still count within 0.5 m of it."""
SPIKE = 3.0
"""Cells farther from the median of themselves and those beside them than so many robust standard deviations take that
median. Common practice, no source."""
LAG_GRIDS = 6
"""Grids of which the common lag is estimated. Derived: each has some 20 lines, so that six know it to a tenth of a cell
as ``tests/engine/mosaic`` shows of one."""
LAGS_M = np.linspace(-1.2, 1.2, 13)
"""Lags that are tried. Derived: 0.6 s of the instrument at a walking speed of 2 m/s, in steps well below a cell."""


@dataclass(frozen=True)
class LineCells:
    """The lines of a grid in cells.

    Attributes
    ----------
    grid : str
    size_m : (float, float)
        Width (u) and length (v).
    corners : dict of (2,) float64
        Where the corners lie on the map, by name.
    u_m : (L,) float64
        Where the lines lie.
    heading : (L,) int
        1 out, -1 back, 0 where no reading is.
    values : dict of (L, V) float64
        Means of the readings by channel; NaN where none is. ``BEYOND`` cells at either end lie outside the grid.
    noise : dict of float
        Standard deviation of the noise of a cell, by channel.
    """

    grid: str
    size_m: tuple[float, float]
    corners: Mapping[str, np.ndarray]
    u_m: np.ndarray
    heading: np.ndarray
    values: Mapping[str, np.ndarray]
    noise: Mapping[str, float]

    @property
    def pitch_m(self) -> float:
        """Length along an edge that the coarser of its edges resolves."""
        return max(CELL_M, float(np.median(np.diff(self.u_m))) if len(self.u_m) > 1 else CELL_M)


def line_cells(readings: Readings, scheme: Scheme, frame: Frame) -> LineCells:
    """Return the placed readings of one grid in cells; overrun readings count, those with other flags do not."""
    wide, length = scheme.width_m, scheme.length_m
    u = np.asarray(scheme.position_m(scheme.lines), float)
    order = np.argsort(u)
    long = int(nearest_whole(length / CELL_M)) + 2 * BEYOND
    use = ((readings.flag & ~np.uint16(flag_bit("overrun"))) == 0) & (readings.kind == kind_code("survey"))
    rows = np.flatnonzero(use)
    line = nearest_whole((readings.u_m[rows] - u[order[0]]) / scheme.spacing_m).astype(int)
    cell = np.floor(readings.v_m[rows] / CELL_M + ROUNDING).astype(int) + BEYOND
    inside = (line >= 0) & (line < len(u)) & (cell >= 0) & (cell < long)
    rows, where = rows[inside], (line * long + cell)[inside]
    ways = np.bincount(line[inside], readings.heading[rows], len(u))
    values = {}
    for channel, column in readings.channels.items():
        known = np.isfinite(column[rows])
        number = np.bincount(where[known], minlength=len(u) * long)
        total = np.bincount(where[known], column[rows[known]], len(u) * long)
        mean = np.where(number > 0, total / np.maximum(number, 1), np.nan)
        values[channel] = _without_spikes(mean.reshape(len(u), long))
    noise = {channel: noise_of_lines(matrix) for channel, matrix in values.items()}
    corners = {n: np.array(frame.to_map(*local_corner(n, length, wide)), float) for n in CORNERS}
    return LineCells(scheme.grid, (wide, length), corners, u[order], np.sign(ways).astype(int), values, noise)


def _without_spikes(matrix: np.ndarray) -> np.ndarray:
    """Return (L, V) lines in which a cell far from both beside it takes the median of the three."""
    before, here, behind = matrix[:, :-2], matrix[:, 1:-1], matrix[:, 2:]
    middle = np.maximum(np.minimum(before, here), np.minimum(np.maximum(before, here), behind))
    away = np.abs(here - middle)
    known = away[np.isfinite(away) & (away > 0)]
    if len(known):
        matrix = matrix.copy()
        spiky = away > SPIKE * MAD_TO_SD * np.median(known)
        matrix[:, 1:-1][spiky] = middle[spiky]
    return matrix


def common_lag(grids: Sequence[LineCells], channel: str) -> float:
    """Return how many metres behind values are written in walking direction: opposing lines then fit best.

    First differences along the lines are compared, so that levels and gentle slopes have no part in them.
    """
    fits = np.zeros(len(LAGS_M))
    for grid in grids[:: max(len(grids) // LAG_GRIDS, 1)]:
        matrix, way = grid.values[channel], grid.heading
        opposing = way[:-1] * way[1:] == -1
        steps = np.diff(moved(matrix, LAGS_M[:, None] * way), axis=2)
        products = (steps[:, :-1] * steps[:, 1:])[:, opposing].reshape(len(LAGS_M), -1)
        # Each by its sign alone counts too little, and by its size lets one feature decide: by the root.
        roots = np.sign(products) * np.sqrt(np.abs(products))
        fits += np.nansum(roots, axis=1) / np.maximum(np.isfinite(products).sum(axis=1), 1)
    best = int(np.argmax(fits))
    if not 0 < best < len(LAGS_M) - 1:
        return 0.0
    before, here, behind = fits[best - 1 : best + 2]
    curve = 2 * here - before - behind
    return float(LAGS_M[best] + (behind - before) / (2 * curve) * (LAGS_M[1] - LAGS_M[0])) if curve > 0 else 0.0


def moved(matrix: np.ndarray, by_m: np.ndarray) -> np.ndarray:
    """Return (..., L, V) what each line of (L, V) has so many metres, (..., L), farther along; NaN where nothing is."""
    whole = np.floor(by_m / CELL_M).astype(int)
    part = (by_m / CELL_M - whole)[..., None]
    at = np.arange(matrix.shape[1]) + whole[..., None]
    rows = np.arange(len(matrix))[:, None]
    last = matrix.shape[1] - 1
    one, two = (np.where((k >= 0) & (k <= last), matrix[rows, np.clip(k, 0, last)], np.nan) for k in (at, at + 1))
    # Where a line ends between two cells, the one that it has stands for both.
    between = (1 - part) * np.where(np.isfinite(one), one, two) + part * np.where(np.isfinite(two), two, one)
    return np.where(part > 0, between, one)
