"""Values and standard errors of all cells, each from the surface of the grid it belongs to."""

from __future__ import annotations

from typing import Callable, Iterator, Optional, Sequence

import numpy as np

from ..geometry import EDGE_M, BlockRaster, Lattice
from ..scattered import GAP_SPACINGS
from .across_lines import Sampler, surface_of
from .along_lines import Traverses
from .cells import assign_cells, blocks_of, local_axes
from .sinc import Sinc
from .splines import CHUNK
from .standard_error import ErrorModel
from .surface import Surface

NEAR_SPACINGS = 4
"""Grids up to this many line spacings away continue a grid. Derived: one more than the ``HALO_LINES`` taken of them."""

Surfaces = Sequence[tuple[Traverses, Surface]]


def evaluate(
    grids: Sequence[Traverses],
    surfaces: Surfaces,
    lattice: Lattice,
    *,
    max_gap_m: Optional[float],
    method: str,
    progress: Optional[Callable[[float], None]],
) -> tuple[BlockRaster, BlockRaster]:
    """Return values and standard errors of all cells of the lattice.

    Parameters
    ----------
    grids : sequence of Traverses
        What is evaluated.
    surfaces : sequence of (Traverses, Surface)
        The grids in the same order, then those that only continue them.
    lattice : Lattice
    max_gap_m, method, progress
        See ``interpolate_readings``.
    """
    owners = assign_cells(grids, lattice)
    values, errors = ({start: np.full(owner.shape, np.nan) for start, owner in owners.items()} for _ in range(2))
    total, done = sum(owner.size for owner in owners.values()), 0
    for number, lines in enumerate(grids):
        evaluator, axes = None, local_axes(lines, lattice)
        for start in blocks_of([lines], lattice):
            if start not in owners:
                continue
            mine = owners[start] == number
            for rows, cols in _bands(mine):
                if progress is not None:
                    progress(done / total)
                evaluator = evaluator or _Evaluator(number, surfaces, max_gap_m, method)
                window = start[0] + rows.start, start[0] + rows.stop, start[1] + cols.start, start[1] + cols.stop
                band = (table[rows, cols] for table in (mine, values[start], errors[start]))
                evaluator.fill(*axes(*window), *band)
                done += np.count_nonzero(mine[rows, cols])
    return BlockRaster(lattice, values), BlockRaster(lattice, errors)


def _bands(mine: np.ndarray) -> Iterator[tuple[slice, slice]]:
    """Yield rows at a time, and the columns between the first and last that are wanted in them."""
    rows = np.flatnonzero(mine.any(axis=1))
    if not len(rows):
        return
    height = max(1, CHUNK // mine.shape[1])
    for row in range(rows[0], rows[-1] + 1, height):
        band = slice(row, min(row + height, rows[-1] + 1))
        cols = np.flatnonzero(mine[band].any(axis=0))
        if len(cols):
            yield band, slice(cols[0], cols[-1] + 1)


class _Evaluator:
    """Fills cells of one grid, or of adjoining grids that were joined."""

    def __init__(self, number: int, surfaces: Surfaces, max_gap_m: Optional[float], method: str) -> None:
        lines, alone = surfaces[number]
        others = [item for i, item in enumerate(surfaces) if i != number and _near(item[0], lines)]
        halo = _sampler(lines, others)
        self._surface = surface_of(lines, cubic=method != "linear", halo=halo) if others else alone
        self._sinc = Sinc(self._surface) if method == "sinc" else None
        self._error_model = ErrorModel(self._surface, lines)
        self._frame, self._around = lines.frame, [lines, *(item[0] for item in others)]
        self._gap_m = GAP_SPACINGS * lines.spacing_m if max_gap_m is None else max_gap_m

    def fill(self, u: np.ndarray, v: np.ndarray, mine: np.ndarray, values: np.ndarray, errors: np.ndarray) -> None:
        """Write values and standard errors to the cells that are ``mine``; u and v broadcast to them."""
        if self._sinc or not self._surface.straight or u.shape == v.shape:
            values[mine], errors[mine] = self._at(*(np.broadcast_to(axis, mine.shape)[mine] for axis in (u, v)))
        elif len(u) > len(v) or u.shape[1] < v.shape[1]:
            self.fill(u.T, v.T, mine.T, values.T, errors.T)
        else:
            for target, found in zip((values, errors), self._at(u, v)):
                np.copyto(target, found, where=mine)

    def _at(self, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return values and standard errors at (n,) local positions, or at all of (1, c) u and (r, 1) v."""
        at = self._surface.locate(u, v)
        values = self._sinc.value(u, v) if self._sinc else self._surface.value(at)
        errors = self._error_model.standard_error(u, at)
        sure = self._surface.certain(u, at, self._gap_m)
        if not sure.all():
            unsure = np.nonzero(~np.broadcast_to(sure, values.shape))
            u, v = (np.broadcast_to(axis, values.shape)[unsure] for axis in (u, v))
            far = _far(np.stack(self._frame.to_map(u, v), axis=1), self._around, self._gap_m)
            values[tuple(index[far] for index in unsure)] = np.nan
        errors[np.isnan(values)] = np.nan
        return values, errors


def _near(a: Traverses, b: Traverses) -> bool:
    (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) = a.bounds, b.bounds
    reach = NEAR_SPACINGS * max(a.spacing_m, b.spacing_m)
    return ax0 - reach <= bx1 and bx0 - reach <= ax1 and ay0 - reach <= by1 and by0 - reach <= ay1


def _sampler(lines: Traverses, others: Surfaces) -> Sampler:
    """Return a function that evaluates the surfaces of neighbouring grids at local positions of a grid."""

    def sample(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        x, y = lines.frame.to_map(u, v)
        values, deepest = np.full(len(u), np.nan), np.full(len(u), -EDGE_M)
        for other, surface in others:
            u_there, v_there = other.frame.to_local(x, y)
            depth = other.depth(u_there, v_there)
            inside = np.flatnonzero(depth > deepest)
            found = surface.value(surface.locate(u_there[inside], v_there[inside]))
            inside, found = inside[np.isfinite(found)], found[np.isfinite(found)]
            values[inside], deepest[inside] = found, depth[inside]
        return values

    return sample


def _far(centres: np.ndarray, grids: Sequence[Traverses], gap_m: float) -> np.ndarray:
    """Return which of the (n, 2) map positions have no reading of the grids within the gap."""
    from scipy.spatial import cKDTree

    low, high = centres.min(axis=0) - gap_m, centres.max(axis=0) + gap_m
    near = [(lines, (lines.x >= low[0]) & (lines.x <= high[0]) & (lines.y >= low[1]) & (lines.y <= high[1]))
            for lines in grids]  # fmt: skip
    readings = np.concatenate([np.stack([lines.x[there], lines.y[there]], axis=1) for lines, there in near])
    if not len(readings):
        return np.ones(len(centres), bool)
    distance, _ = cKDTree(readings - low).query(centres - low, distance_upper_bound=gap_m + EDGE_M)
    return ~np.isfinite(distance)
