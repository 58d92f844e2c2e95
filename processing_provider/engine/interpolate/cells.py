"""Cells of the map: where they lie in the axes of a grid, and which grid they belong to."""

from __future__ import annotations

from typing import Callable, Sequence

import numpy as np

from ..geometry import BLOCK, EDGE_M, Lattice, block_window
from .along_lines import Traverses, depth_in

Axes = Callable[[int, int, int, int], tuple[np.ndarray, np.ndarray]]


def local_axes(lines: Traverses, lattice: Lattice) -> Axes:
    """Return a function that gives u and v of the cells of a window in metres, which broadcast to (rows, cols).

    On a grid whose axes run along those of the map, each is one row or one column. Windows (row0, row1, col0, col1),
    ends left out, lie within the bounds of the lines.
    """
    top, _, left, _ = bounds = lattice.window(*lines.bounds)
    x, y = lattice.sub(bounds).x[None, :], lattice.sub(bounds).y[:, None]
    if lines.swapped is not None:
        x_centre, y_centre = lines.frame.map_centre
        x = lines.frame.to_local(x, y_centre)[lines.swapped]
        y = lines.frame.to_local(x_centre, y)[not lines.swapped]

    def of_window(row0: int, row1: int, col0: int, col1: int) -> tuple[np.ndarray, np.ndarray]:
        across, down = x[:, col0 - left : col1 - left], y[row0 - top : row1 - top]
        if lines.swapped is None:
            return lines.frame.to_local(across, down)
        return (down, across) if lines.swapped else (across, down)

    return of_window


def assign_cells(grids: Sequence[Traverses], lattice: Lattice) -> dict[tuple[int, int], np.ndarray]:
    """Return, by block, the index of the grid in one of whose boxes each cell's centre lies deepest; -1 = none."""
    slack = min(lines.spacing_m for lines in grids) / 2
    around = int(np.ceil(slack / lattice.cell_m)) + 1
    axes = [local_axes(lines, lattice) for lines in grids]
    owners = {}
    for start in blocks_of(grids, lattice):
        row0, row1, col0, col1 = block_window(lattice, *start)
        top, left = min(around, row0), min(around, col0)
        window = row0 - top, min(row1 + around, lattice.rows), col0 - left, min(col1 + around, lattice.cols)
        owner = _owners(grids, axes, lattice, window, slack)[top : top + row1 - row0, left : left + col1 - col0]
        if (owner >= 0).any():
            owners[start] = owner
    return owners


def blocks_of(grids: Sequence[Traverses], lattice: Lattice) -> list[tuple[int, int]]:
    """Return the first row and column of the blocks that boxes may lie in, in order."""
    found: set[tuple[int, int]] = set()
    for lines in grids:
        for bounds in lines.box_bounds:
            row0, row1, col0, col1 = lattice.window(*bounds)
            rows, cols = (range(low // BLOCK * BLOCK, high, BLOCK) for low, high in ((row0, row1), (col0, col1)))
            found.update((row, col) for row in rows for col in cols)
    return sorted(found)


def _owners(
    grids: Sequence[Traverses], axes: Sequence[Axes], lattice: Lattice, window: tuple[int, int, int, int], slack: float
) -> np.ndarray:
    """Return the (rows, cols) indices of the grids that the cells of a window belong to; -1 = none."""
    row0, row1, col0, col1 = window
    deepest = np.full((row1 - row0, col1 - col0), -np.inf)
    owner = np.full(deepest.shape, -1, np.int32)
    for number, lines in enumerate(grids):
        for box, bounds in zip(lines.boxes, lines.box_bounds):
            top, bottom, left, right = lattice.window(*bounds)
            top, bottom, left, right = max(top, row0), min(bottom, row1), max(left, col0), min(right, col1)
            if top >= bottom or left >= right:
                continue
            part = slice(top - row0, bottom - row0), slice(left - col0, right - col0)
            depth = depth_in(box, *axes[number](top, bottom, left, right))
            if number:
                np.copyto(owner[part], number, where=depth > deepest[part])
            else:
                owner[part] = 0
            np.maximum(deepest[part], depth, out=deepest[part])
    inside = deepest >= -EDGE_M
    if not inside.all():
        inside.flat[_slivers(inside, np.flatnonzero(~inside & (deepest >= -slack)), slack / lattice.cell_m)] = True
        owner[~inside] = -1
    return owner


def _slivers(inside: np.ndarray, cell: np.ndarray, reach: float) -> np.ndarray:
    """Return which of the flat cells lie between cells inside on opposite sides.

    Corners that fit badly leave such slivers between the boxes of neighbouring grids.
    """
    row, col = np.divmod(cell, inside.shape[1])
    steps = int(np.ceil(reach)) + 1
    framed = np.pad(inside, steps)
    between = np.zeros(len(cell), bool)
    away = np.arange(1, steps + 1)[:, None]
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        one, other = (
            framed[row + steps + way * down * away, col + steps + way * right * away].any(axis=0) for way in (1, -1)
        )
        between |= one & other
    return cell[between]
