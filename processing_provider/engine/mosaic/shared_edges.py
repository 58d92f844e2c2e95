"""Stretches along which two grids adjoin, and what the lines of a grid show along its edges."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from math import dist
from typing import Iterator, Optional, Sequence

import numpy as np

from .line_cells import BEYOND, CELL_M, LineCells, moved

EDGES = (("start", "head"), ("baseline", "opposite"), ("start", "baseline"), ("head", "opposite"))
"""The edges of a grid by the corners between which they are counted; the first two lie along the lines."""
PATH_M = 2.0
"""Edges farther from each other do not adjoin. Common practice, no source: the widest path between grids that meet."""
PARALLEL = 0.98
"""Cosine of the largest angle between edges that adjoin, 11 degrees. Common practice, no source."""
LEAST_EDGE_M = 5.0
"""Shorter common edges are left aside. Derived: they have six waves or fewer of at least 1.5 m."""


@dataclass(frozen=True)
class SharedEdge:
    """A stretch along which two grids adjoin.

    ``grids`` and ``edges`` (2,) count grids and ``EDGES``; ``span`` is, for each of them, where along its edge the
    stretch begins and ends, in fractions of the edge (the second one may run down); ``length_m`` is its length.
    """

    grids: tuple[int, int]
    edges: tuple[int, int]
    span: tuple[tuple[float, float], tuple[float, float]]
    length_m: float


def shared_edges(grids: Sequence[LineCells]) -> Iterator[SharedEdge]:
    """Yield the stretches along which grids adjoin, two at a time."""
    corners = [np.array(list(grid.corners.values())) for grid in grids]
    low, high = (np.array([extreme(c, axis=0) for c in corners]).reshape(-1, 2) for extreme in (np.min, np.max))
    below = np.all(low[:, None] <= high[None] + PATH_M, axis=2)
    for i, j in np.argwhere(np.triu(below & below.T, 1)).tolist():
        for e, f in product(range(4), repeat=2):
            shared = _shared(grids, (i, j), (e, f))
            if shared is not None:
                yield shared


def _shared(grids: Sequence[LineCells], pair: tuple[int, int], edges: tuple[int, int]) -> Optional[SharedEdge]:
    # Plain numbers: pairs of edges are many, and two coordinates are few.
    (a, b), (c, d) = ([grids[g].corners[n].tolist() for n in EDGES[e]] for g, e in zip(pair, edges))
    one, two = dist(a, b), dist(c, d)
    x, y = (b[0] - a[0]) / one, (b[1] - a[1]) / one
    aside = max(abs(x * (q[1] - a[1]) - y * (q[0] - a[0])) for q in (c, d))
    first, last = (x * (q[0] - a[0]) + y * (q[1] - a[1]) for q in (c, d))
    if abs(last - first) < PARALLEL * two or aside > PATH_M:
        return None
    low, high = max(0.0, min(first, last)), min(one, max(first, last))
    if high - low < LEAST_EDGE_M:
        return None
    there = (low - first) / (last - first), (high - first) / (last - first)
    return SharedEdge(pair, edges, ((low / one, high / one), there), high - low)


def edge_profiles(grid: LineCells, channel: str, lag_m: float) -> list[tuple[np.ndarray, np.ndarray, float]]:
    """Return (position along the edge, value, variance of the noise) of cells along each of ``EDGES``.

    The first and the last line; across the lines, means of what lies within 0.5 m of the edge, overrun included,
    without the levels of the lines: offsets and drift are in them.
    """
    matrix, noise = moved(grid.values[channel], grid.heading * lag_m), grid.noise[channel] ** 2
    along = (np.arange(matrix.shape[1]) - BEYOND + 0.5) * CELL_M
    inside = (along > 0) & (along < grid.size_m[1])
    found = [(along[inside], matrix[k, inside], noise) for k in (0, -1)]
    level = _levels(matrix)
    for near in (matrix[:, BEYOND - 1 : BEYOND + 1], matrix[:, -BEYOND - 1 : matrix.shape[1] - BEYOND + 1]):
        known = np.isfinite(near)
        total = np.sum(np.where(known, near, 0.0), axis=1)
        mean = np.where(known.any(axis=1), total / np.maximum(known.sum(axis=1), 1), np.nan)
        found.append((grid.u_m, mean - level, noise / max(float(np.median(known.sum(axis=1))), 1.0)))
    return found


def _levels(matrix: np.ndarray) -> np.ndarray:
    """Return (L,) the levels of the lines: sums of the median steps from each one to the next."""
    steps = np.diff(matrix, axis=0)
    known = np.isfinite(steps).any(axis=1)
    step = np.zeros(len(steps))
    step[known] = np.nanmedian(steps[known], axis=1)
    return np.r_[0.0, np.cumsum(step)]
