"""Minimum-curvature surfaces on the cells that have readings near them, one a group of blocks, and their errors."""

from __future__ import annotations

from typing import Callable, Iterator, Mapping, Sequence

import numpy as np

from ..core import Progress, part_of
from ..geometry import BLOCK, Lattice, block_window
from .minimum_curvature import fit_surface
from .minimum_curvature_error import POOL_SPACINGS, between_boxes, overall_rate, pooled_rate, surface_error

MARGIN = 2
"""Cells around those wanted that a surface has besides. Derived: its equation reaches two cells to each side."""
SURFACE = 0.7
"""Fraction of the time that a surface takes, and not its error. Derived: measured on 64,000 readings."""

Window = tuple[int, int, int, int]


def surfaces_at_cells(
    points: np.ndarray,
    z: np.ndarray,
    label: Callable[[np.ndarray], np.ndarray],
    lattice: Lattice,
    cells: Mapping[tuple[int, int], np.ndarray],
    nearest: np.ndarray,
    *,
    noise: float,
    spacing: float,
    widest: float,
    tension: float,
    progress: Progress = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the values of minimum-curvature surfaces through readings at cells, and their variances.

    Parameters
    ----------
    points : (n, 2) float64
        Map metres.
    z : (n,) float64
    label : callable
        Gives the lines of readings by their numbers.
    lattice : Lattice
    cells : dict of (int, int) to (k,) int
        By block, the flat numbers of the cells that get a value.
    nearest : (m,) int
        The reading nearest to each of them, block after block.
    noise : float
        Standard deviation of a reading.
    spacing, widest : float
        Distance between lines, and largest radius of an empty circle, in cells.
    tension : float
    progress : callable, optional

    Returns
    -------
    values, variance : (m,) float64
    """
    ends = np.cumsum([len(flat) for flat in cells.values()])
    parts = {start: slice(end - len(cells[start]), end) for start, end in zip(cells, ends)}
    values, variance, found = np.empty(len(nearest)), np.empty(len(nearest)), []
    x, y = points.T
    for blocks, within in _with_progress(_groups(list(cells)), cells, progress):
        window = _window(lattice, cells, blocks)
        around = lattice.sub(window)
        surface = fit_surface(x, y, z, around, tension=tension, progress=part_of(within, 0.0, SURFACE))
        indices = {start: _flat(lattice, start, cells[start], window) for start in blocks}
        for start, at in indices.items():
            values[parts[start]] = surface.values.ravel()[at]
        ways = _to_readings(points, nearest, around, [(at, parts[start]) for start, at in indices.items()])
        lines = label(surface.number)
        within = part_of(within, SURFACE, 1.0)
        error = surface_error(surface, ways, lines, noise=noise, side=spacing, widest=widest, progress=within)
        found.append((indices, window, error))
    overall = overall_rate([error for _, _, error in found])
    for indices, (top, _, left, _), error in found:
        boxes = pooled_rate(error, POOL_SPACINGS * spacing, overall)
        for start, at in indices.items():
            row0, row1, col0, col1 = block_window(lattice, *start)
            inside = row0 - top, row1 - top, col0 - left, col1 - left
            rate = between_boxes(boxes, POOL_SPACINGS * spacing, inside)
            between = np.square(error.power.ravel()[at], dtype=float) * rate.ravel()[cells[start]]
            variance[parts[start]] = noise**2 * error.noise.ravel()[at] + between
    return values, variance


def _to_readings(
    points: np.ndarray, nearest: np.ndarray, around: Lattice, parts: Sequence[tuple[np.ndarray, slice]]
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far down and right of each cell of a window the nearest reading is, (rows, cols) float32, in cells.

    0 where there is none in reach. ``parts`` are flat numbers of cells in the window and where their nearest stand.
    """
    row, col = (around.y_max - points[:, 1]) / around.cell_m - 0.5, (points[:, 0] - around.x_min) / around.cell_m - 0.5
    down, right = np.zeros((2, *around.shape), np.float32)
    there = np.zeros(around.shape, bool)
    for at, part in parts:
        down.ravel()[at], right.ravel()[at] = row[nearest[part]], col[nearest[part]]
        there.ravel()[at] = True
    down -= np.arange(around.rows, dtype=np.float32)[:, None]
    right -= np.arange(around.cols, dtype=np.float32)
    down[~there] = right[~there] = 0.0
    return down, right


def _groups(blocks: list[tuple[int, int]]) -> list[list[tuple[int, int]]]:
    """Return blocks in groups connected by edges or corners."""
    left, groups = set(blocks), []
    while left:
        group, edge = [], [left.pop()]
        while edge:
            row, col = edge.pop()
            group.append((row, col))
            around = {(row + BLOCK * i, col + BLOCK * j) for i in (-1, 0, 1) for j in (-1, 0, 1)} & left
            left -= around
            edge += around
        groups.append(sorted(group))
    return groups


def _with_progress(
    groups: Sequence[list[tuple[int, int]]], cells: Mapping[tuple[int, int], np.ndarray], progress: Progress
) -> Iterator[tuple[list[tuple[int, int]], Progress]]:
    """Yield groups of blocks, each with the part of the progress that its cells are of all."""
    counts = [sum(len(cells[start]) for start in blocks) for blocks in groups]
    ends = np.cumsum(counts) / max(sum(counts), 1)
    for blocks, low, high in zip(groups, [0.0, *ends[:-1].tolist()], ends.tolist()):
        yield blocks, part_of(progress, low, high)


def _window(lattice: Lattice, cells: Mapping[tuple[int, int], np.ndarray], blocks: list[tuple[int, int]]) -> Window:
    """Return first and last rows and columns around the cells of blocks, ends left out, ``MARGIN`` cells wider."""
    rows, cols = [], []
    for start in blocks:
        row0, row1, col0, col1 = block_window(lattice, *start)
        there = np.zeros((row1 - row0, col1 - col0), bool)
        there.ravel()[cells[start]] = True
        rows.append(row0 + np.flatnonzero(there.any(axis=1))[[0, -1]])
        cols.append(col0 + np.flatnonzero(there.any(axis=0))[[0, -1]])
    (row0, row1), (col0, col1) = ((np.min(ends), np.max(ends) + 1) for ends in (rows, cols))
    return (max(int(row0) - MARGIN, 0), min(int(row1) + MARGIN, lattice.rows),
            max(int(col0) - MARGIN, 0), min(int(col1) + MARGIN, lattice.cols))  # fmt: skip


def _flat(lattice: Lattice, start: tuple[int, int], flat: np.ndarray, window: Window) -> np.ndarray:
    """Return the flat numbers in a window of cells of a block."""
    _, _, col0, col1 = block_window(lattice, *start)
    row, col = np.divmod(flat, col1 - col0)
    row += start[0] - window[0]
    row *= window[3] - window[2]
    row += col
    row += col0 - window[2]
    return row
