"""Ground that two grids read: what the overrun of one finds on the ground of the other determines their step."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Iterator, Optional

import numpy as np

from ..core import Progress, solved_symmetric
from .edge_steps import FEATURE_M, LEAST_PIECES, NUGGET, Seam, box_of, near_boxes
from .line_segments import POWER, Segments, line_errors

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

AROUND = 8
"""Segments of the other grid that predict what an overrun reads. Derived: two before it and two behind it on the lines
to either side; nearer ones screen those beyond in kriging."""
NEAR_M = 1.0
"""An overrun with no segment of the other grid nearer than this is not on its ground. Common practice, no source: the
distance of lines in most surveys."""
MARGIN_M = 0.3
"""Ground of a grid reaches this far beyond the middles of its outermost segments. Derived: little more than half a
segment, so that the ends of lines count and what lies beside the outermost line does not."""
POSITION_M = 0.2
"""Standard deviation of the position of an overrun along its line, relative to the other grid's readings. Common
practice, no source: readings of aligned lines of two grids are off by 0.15 m each."""
UNLIKE, UNLIKE_OF_TIES = 0.1, 0.15
"""Error that all overrun at an edge has in common, as a fraction of how much the signal varies around it: what is left
of the lag, and of tie lines that they see what runs along the edge otherwise than lines along it do. Common practice,
no source; of ties 0.3 was tried too, and was more than the levels were off (``tests/benchmarks/harm.py``, seeds 60 to
71)."""


@dataclass(frozen=True)
class _Area:
    """A grid: rows of its segments inside and beyond its edges, and the hull (F, 3) of those inside."""

    inside: np.ndarray
    beyond: np.ndarray
    tree: cKDTree
    hull: np.ndarray

    def around(self, position: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return which positions (n, 2) lie on this ground, and for those the segments (k, AROUND) next to them."""
        distance, near = self.tree.query(position, k=AROUND)
        outside_m = np.max(position @ self.hull[:, :2].T + self.hull[:, 2], axis=1)
        there = (distance[:, 0] < NEAR_M) & (outside_m < MARGIN_M)
        return there, self.inside[near[there]]


def overlap_seams(segments: Segments, nugget: float, factor: float, progress: Progress = None) -> Iterator[Seam]:
    """Yield a seam for every two grids of which one's overrun lies on the ground of the other; lines, then ties.

    Parameters
    ----------
    segments : Segments
    nugget, factor : float
        Semivariance as ``variogram_of`` gives it.
    progress : callable, optional

    Notes
    -----
    A piece is a segment of overrun less what ordinary kriging predicts there by the segments of the other grid. What
    runs along the edge is read by both grids and makes no step.
    """
    segments = replace(segments, error=line_errors(segments))
    grids = [_area(segments, g) for g in range(int(segments.grid.max(initial=-1)) + 1)]
    boxes = [box_of(segments.position[segments.grid == g]) for g in range(len(grids))]
    pairs = near_boxes(np.array(boxes)).tolist()
    for number, (g, h) in enumerate(pairs):
        if progress is not None:
            progress(number / len(pairs))
        both = _read_twice(segments, grids[g], grids[h], 1), _read_twice(segments, grids[h], grids[g], -1)
        rows, sign = (np.concatenate(columns) for columns in zip(*both))
        for tie in (False, True):
            mine = np.flatnonzero(segments.tie[rows[:, 0]] == tie)
            mine = mine[_independent(segments.position[rows[mine, 0]])]
            if len(mine) >= LEAST_PIECES:
                yield _seam(segments, (g, h), rows[mine], sign[mine], nugget, factor)


def _independent(position: np.ndarray) -> np.ndarray:
    """Return the indices of positions (n, 2) that are no nearer than ``FEATURE_M`` to one before them that counts."""
    from scipy.spatial import cKDTree

    counts = np.ones(len(position), bool)
    if len(position):
        tree = cKDTree(position)
        for k, near in enumerate(tree.query_ball_point(position, FEATURE_M)):
            if counts[k]:
                counts[[other for other in near if other > k]] = False
    return np.flatnonzero(counts)


def _area(segments: Segments, grid: int) -> Optional[_Area]:
    """Return a grid; None where it has too few segments to be ground."""
    from scipy.spatial import ConvexHull, cKDTree

    mine = np.flatnonzero(segments.grid == grid)
    inside, beyond = mine[~segments.beyond[mine]], mine[segments.beyond[mine]]
    position = segments.position[inside]
    if len(inside) < AROUND or np.linalg.matrix_rank(position - position.mean(axis=0), tol=MARGIN_M) < 2:
        return None
    return _Area(inside, beyond, cKDTree(position), ConvexHull(position).equations)


def _read_twice(
    segments: Segments, one: Optional[_Area], other: Optional[_Area], sign: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return overrun of one grid on ground of the other with the segments there (k, 1 + AROUND), and the sign (k,)."""
    if one is None or other is None or not len(one.beyond):
        return np.zeros((0, 1 + AROUND), int), np.zeros(0)
    there, around = other.around(segments.position[one.beyond])
    return np.concatenate([one.beyond[there, None], around], axis=1), np.full(len(around), float(sign))


def _seam(
    segments: Segments, grids: tuple[int, int], rows: np.ndarray, sign: np.ndarray, nugget: float, factor: float
) -> Seam:
    """Return the seam of M overruns; ``rows`` (M, 1 + AROUND) are an overrun and the segments that predict it."""
    nugget, position, line = max(nugget, NUGGET), segments.position[rows], segments.line[rows]
    signal = -factor * np.linalg.norm(position[:, :, None] - position[:, None], axis=3) ** POWER
    own = np.where(line[:, :, None] == line[:, None], segments.error[rows][:, :, None] ** 2, 0.0)
    covariance = signal + own + nugget * np.eye(1 + AROUND)
    system, right = np.ones((len(rows), 1 + AROUND, 1 + AROUND)), np.ones((len(rows), 1 + AROUND, 1))
    system[:, :-1, :-1], system[:, -1, -1] = covariance[:, 1:, 1:], 0.0
    right[:, :-1, 0] = signal[:, 0, 1:]
    predicted = solved_symmetric(system, right)[:, :-1, 0]
    weight = np.concatenate([np.ones((len(rows), 1)), -predicted], axis=1)
    # Errors of lines are part of the adjustment.
    variance = np.einsum("mi,mij,mj->m", weight, covariance - own, weight) + 2 * factor * POSITION_M**POWER
    # Of the other grid alone: with the overrun in it, the step itself would count as signal.
    contrast = np.maximum(np.var(segments.value[rows[:, 1:]], axis=1) - nugget, 0.0)
    of_ties = bool(segments.tie[rows[0, 0]])
    common = max(float(np.mean(contrast)) * (UNLIKE_OF_TIES if of_ties else UNLIKE) ** 2, NUGGET)
    return Seam(
        grids, rows, weight * sign[:, None], np.maximum(variance, NUGGET), np.ones(len(rows)), common, not of_ties
    )
