"""Band-limited interpolation: windowed sinc along the traverses and across them."""

from __future__ import annotations

import numpy as np

from .across_lines import HALO_LINES, HALO_NODES, carried_around
from .surface import Surface


class Sinc:
    """Values of a surface by windowed sinc.

    Parameters
    ----------
    surface : Surface
        Cubic, of one grid with its halo.

    Notes
    -----
    The surface is evaluated where evenly spaced lines would lie. Lines lie near those positions, so the splines move
    each value by no more than the line wanders; a grid of straight, even lines keeps its values. The weights are those
    of a sinc under the middle lobe of a wider one, three lines and six nodes to either side, altered by a straight line
    so that they sum to one and have no first moment: planes come out as they are. Beyond the edge the surface is
    continued by its mirror image through the edge.

    References
    ----------
    Duchon, C. E., 1979. Lanczos filtering in one and two dimensions. Journal of Applied Meteorology 18, 1016-1022.
    """

    def __init__(self, surface: Surface) -> None:
        self._v0, self._interval, self._spacing = surface.v0_m, surface.interval_m, surface.spacing_m
        middle = np.median(surface.u, axis=0)
        lines = int(np.rint((middle[-1] - middle[0]) / surface.spacing_m)) + 1
        self._u0 = middle[HALO_LINES] - HALO_LINES * surface.spacing_m
        u = self._u0 + surface.spacing_m * np.arange(lines)
        v = surface.v0_m + surface.interval_m * np.arange(len(surface.u))
        located = surface.locate(np.tile(u, len(v)), np.repeat(v, lines))
        table = surface.value(located).reshape(len(v), lines)
        table[_outside(surface, u)] = np.nan
        self._table = _continued(_continued(table, HALO_LINES + 1).T, HALO_NODES + 1).T

    def value(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return the (n,) values at local positions in metres; NaN where the surface has none near."""
        line, of_lines = _taps((u - self._u0) / self._spacing, HALO_LINES, self._table.shape[1])
        node, of_nodes = _taps((v - self._v0) / self._interval, HALO_NODES, self._table.shape[0])
        total = np.zeros(len(u))
        for i, along in enumerate(of_nodes):
            row = (node + i) * self._table.shape[1] + line
            for j, across in enumerate(of_lines):
                total += along * across * np.take(self._table, row + j)
        return total


def _outside(surface: Surface, u: np.ndarray) -> np.ndarray:
    """Return which of the lines at ``u`` lie outside those that have values, at each node."""
    some = surface.carried.any(axis=1)
    lowest = np.where(surface.carried, surface.u, np.inf).min(axis=1)
    highest = np.where(surface.carried, surface.u, -np.inf).max(axis=1)
    slack = surface.spacing_m / 4
    return ~(some[:, None] & (u >= lowest[:, None] - slack) & (u <= highest[:, None] + slack))


def _continued(table: np.ndarray, reach: int) -> np.ndarray:
    """Return a table with rows continued over up to ``reach`` missing values, point-symmetric to their last one."""
    known = np.isfinite(table)
    before, after = carried_around(known)
    last = table.shape[1] - 1
    row, column = np.nonzero(~known)
    before, after = before[row, column], after[row, column]
    left_is_nearer = (before >= 0) & ((after > last) | (column - before <= after - column))
    edge = np.where(left_is_nearer, before, after)
    near = (edge >= 0) & (edge <= last) & (np.abs(column - edge) <= reach)
    row, column, edge = row[near], column[near], edge[near]
    image = table[row, np.clip(2 * edge - column, 0, last)]
    filled = table.copy()
    filled[row, column] = np.where(np.isfinite(image), 2 * table[row, edge] - image, table[row, edge])
    return filled


def _taps(position: np.ndarray, reach: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the first of the 2 reach neighbours of (n,) positions and their (2 reach, n) weights."""
    first = np.clip(np.floor(position).astype(np.intp) - reach + 1, 0, count - 2 * reach)
    away = first + np.arange(2 * reach)[:, None] - position
    bell = np.sinc(np.clip(away / reach, -1.0, 1.0))
    weight = np.sinc(away) * bell
    bell /= bell.sum(axis=0)
    weight += bell * (1.0 - weight.sum(axis=0))
    lean = bell * away
    return first, weight - lean * (weight * away).sum(axis=0) / (lean * away).sum(axis=0)
