"""The reading nearest to every cell of a map."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Iterator

import numpy as np

from ..geometry import BLOCK, EDGE_M, Lattice, block_window
from .points import numbered

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

MOST_LAYERS = 8
"""Readings in a cell up to which they are gone through one by one. Derived: with many, a search
tree is quicker; both find the same reading, so the number changes no value."""
RING = 1.5
"""Readings outside of the nine cells around a cell's centre are at least this many cells away. Derived: half a cell to
its edge and a whole one beyond."""
AROUND = ((0, 0), (-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1))
"""Rows and columns from a cell to those around, the nearest first. Derived: their distances are 0, 1 and sqrt(2)."""
BAND = 64
"""Rows of a block at a time. Derived: 64 rows of 512 cells in single precision are 128 kB, which stay in a processor's
second cache."""


class Nearest:
    """Which reading is nearest to cells.

    Parameters
    ----------
    points : (n, 2) float64
        Map metres.
    lattice : Lattice
    reach_m : float
        Farther readings do not count.
    """

    def __init__(self, points: np.ndarray, lattice: Lattice, reach_m: float) -> None:
        self._points, self._lattice, self._reach_m = points, lattice, reach_m + EDGE_M
        self._row = (lattice.y_max - points[:, 1]) / lattice.cell_m
        self._col = (points[:, 0] - lattice.x_min) / lattice.cell_m
        blocks = [np.floor(position / BLOCK).astype(np.int64) for position in (self._row, self._col)]
        origin = [block.min() for block in blocks]
        row, col = (block - least for block, least in zip(blocks, origin))
        block, first, count = numbered(row * (col.max() + 1) + col)
        rows = np.split(np.argsort(block, kind="stable"), np.cumsum(count)[:-1])
        self._rows = {(int(blocks[0][f]), int(blocks[1][f])): part for f, part in zip(first, rows)}
        within = [position - BLOCK * block for position, block in zip((self._row, self._col), blocks)]
        edge = np.logical_or.reduce([(position < 1) | (position >= BLOCK - 1) for position in within])
        self._edges = {block: part[edge[part]] for block, part in self._rows.items()}

    def blocks(self) -> Iterator[tuple[tuple[int, int], np.ndarray, np.ndarray, np.ndarray]]:
        """Yield what lies near the cells of each block that has cells in reach.

        First row and column of the block, flat numbers of the cells, their nearest readings, and how far these are in
        metres.
        """
        reach = int(np.ceil(self._reach_m / (BLOCK * self._lattice.cell_m)))
        around = [(i, j) for i in range(-reach, reach + 1) for j in range(-reach, reach + 1)]
        for row, col in sorted({(row + i, col + j) for row, col in self._rows for i, j in around}):
            start = row * BLOCK, col * BLOCK
            if 0 <= start[0] < self._lattice.rows and 0 <= start[1] < self._lattice.cols:
                number, away = self._of_block(start)
                cells = np.flatnonzero(away <= self._reach_m)
                if len(cells):
                    yield start, cells, number[cells], away[cells]

    def _of_block(self, start: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
        """Return the nearest reading of each cell of a block and how far it is; infinitely far where none is near."""
        window = self._lattice.sub(block_window(self._lattice, *start))
        number, away = self._of_ring(start, window.shape)
        unsure = np.flatnonzero(away > min(RING * window.cell_m, self._reach_m))
        if len(unsure):
            row, col = np.divmod(unsure, window.cols)
            centres = np.stack([window.x[col], window.y[row]], axis=1)
            away[unsure], number[unsure] = self._tree.query(centres, distance_upper_bound=self._reach_m, workers=-1)
        return number, away

    @cached_property
    def _tree(self) -> cKDTree:
        from scipy.spatial import cKDTree

        # Readings lie evenly: the quicker kind of tree is as good.
        return cKDTree(self._points, balanced_tree=False)

    def _of_ring(self, start: tuple[int, int], shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
        """Return the nearest among the readings in the nine cells around the centre of each."""
        best, nearest = np.full(shape, np.inf, np.float32), np.zeros(shape, np.int32)
        layers = self._layers(start, shape)
        for row in range(0, shape[0], BAND):
            band = slice(row, row + BAND)
            for i, j in AROUND:
                # Middle, sides, corners: what lies in these is at least so far.
                if best[band].max() <= (i * i + j * j) / 4:
                    break
                part = slice(row + 1 + i, min(row + BAND, shape[0]) + 1 + i), slice(1 + j, 1 + j + shape[1])
                for number, down, right in layers:
                    square, aside = down[part] + np.float32(i), right[part] + np.float32(j)
                    square *= square
                    aside *= aside
                    square += aside
                    np.copyto(nearest[band], number[part], where=square < best[band])
                    np.minimum(best[band], square, out=best[band])
        return nearest.ravel(), np.sqrt(best.ravel(), dtype=float) * self._lattice.cell_m

    def _layers(self, start: tuple[int, int], shape: tuple[int, int]) -> list[tuple[np.ndarray, ...]]:
        """Return tables of the readings of a block, at most one reading a cell each, with a cell more on each side.

        None when there would be too many. Number of the reading, and how far it is down and right from the middle of
        its cell; infinitely where none is.
        """
        at = start[0] // BLOCK, start[1] // BLOCK
        none = np.zeros(0, np.intp)
        parts = [self._edges.get((at[0] + i, at[1] + j), none) for i, j in AROUND[1:]]
        rows = np.concatenate([self._rows.get(at, none), *parts])
        row, col = self._row[rows] - (start[0] - 1), self._col[rows] - (start[1] - 1)
        inside = (row >= 0) & (row < shape[0] + 2) & (col >= 0) & (col < shape[1] + 2)
        rows, row, col = rows[inside], row[inside], col[inside]
        down, right = row.astype(np.intp), col.astype(np.intp)
        cell = down * (shape[1] + 2) + right
        row, col = (row - down - 0.5).astype(np.float32), (col - right - 0.5).astype(np.float32)
        layers: list[tuple[np.ndarray, ...]] = []
        while len(rows):
            if len(layers) == MOST_LAYERS:
                return []
            number = np.zeros((shape[0] + 2, shape[1] + 2), np.int32)
            down, right = np.full((2, *number.shape), np.inf, np.float32)
            # Of several readings in a cell the one written last stays; the others come with the next layer.
            number.ravel()[cell] = rows
            down.ravel()[cell], right.ravel()[cell] = row, col
            layers.append((number, down, right))
            later = number.ravel()[cell] != rows
            rows, row, col, cell = rows[later], row[later], col[later], cell[later]
        return layers
