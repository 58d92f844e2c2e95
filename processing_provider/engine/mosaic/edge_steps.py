"""Where grids meet: short pieces of their edges, and the step of the readings across each of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Iterator, Optional

import numpy as np

from ..core import Progress, inverse_symmetric, solved_symmetric
from .line_segments import POWER, SEGMENT_M, Segments, line_errors
from .strip_features import aside_of, strips_in

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

REACH_M = 3.0
"""Grids whose segments come nearer than this meet. Derived: lines 0.5 m beside a path of 2 m on both sides do."""
BAND_M = 5.0
"""Segments this near to the edge take part. Common practice, no source: the signal beyond a ditch of 2 m along the edge
is seen on both sides."""
SIDE = 12
"""Most segments that a piece takes on either side: nearer ones screen those beyond in kriging. Found by
``tests/calibration/mosaic.py``."""
FEATURE_M = 0.7
"""Pieces of one edge nearer than this to each other are no independent evidence. Derived: twice what coils see at once,
0.35 m."""
LEAST_PIECES = 3
"""Edges in fewer pieces than this only touch at a corner. Derived: a step and its scatter need three."""
PRIOR_WEIGHT = 2.0
"""Weight of the survey's roughness, in degrees of freedom, against that of the segments of a piece. Found by
``tests/calibration/mosaic.py``."""
LEAST_SCALE = 0.3
"""Least factor of the survey's roughness for a piece. Found by ``tests/calibration/mosaic.py``."""
ROUNDS = 3
"""Derived: with twice as many rounds of maximum likelihood the levels change by about a tenth of their standard errors
at most, as ``tests/calibration/mosaic.py`` prints."""
NUGGET = 1e-6
"""Least variance of a segment, in the square of the signal's roughness. Derived: keeps the systems solvable in float64,
a thousandth of the roughness as standard deviation."""


@dataclass(frozen=True)
class Seam:
    """Where two grids meet, in M pieces that rest on up to K segments each.

    Attributes
    ----------
    grids : (int, int)
        Positions in ``Readings.grids``.
    segment : (M, K) int
        Segments of each piece.
    weight : (M, K) float64
        Their weights in the step: they add up to 1 over the first grid and to -1 over the second; 0 = no segment.
    variance : (M,) float64
        Of the step of one piece, by the signal and the noise.
    count : (M,) float64
        How many independent pieces each one is (up to 1).
    common : float
        Variance of what signal along the whole edge adds to all the steps.
    read_twice : bool
        Whether lines of both grids read the same ground there.
    """

    grids: tuple[int, int]
    segment: np.ndarray
    weight: np.ndarray
    variance: np.ndarray
    count: np.ndarray
    common: float
    read_twice: bool = False


def seams_of(segments: Segments, nugget: float, factor: float, progress: Progress = None) -> Iterator[Seam]:
    """Yield the seams of all grids that meet; ``nugget`` and ``factor`` are those of ``variogram_of``."""
    segments = replace(segments, error=line_errors(segments))
    order = np.argsort(segments.grid, kind="stable")
    order = order[~segments.beyond[order]]
    cuts = np.searchsorted(segments.grid[order], np.arange(int(segments.grid.max(initial=-1)) + 2))
    rows = [order[start:stop] for start, stop in zip(cuts[:-1], cuts[1:])]
    boxes = [box_of(segments.position[r]) for r in rows]
    pairs = near_boxes(np.array(boxes))
    for number, (g, h) in enumerate(pairs):
        if progress is not None:
            progress(number / len(pairs))
        near = [
            rows[one][_inside(segments.position[rows[one]], boxes[other], BAND_M + REACH_M)]
            for one, other in ((g, h), (h, g))
        ]
        seam = _seam(segments, near[0], near[1], nugget, factor)
        if seam is not None:
            yield seam


def box_of(position: np.ndarray) -> np.ndarray:
    """Return (4,) x and y at least, x and y at most; nowhere for no segments."""
    if not len(position):
        return np.full(4, np.nan)
    return np.concatenate([position.min(axis=0), position.max(axis=0)])


def near_boxes(boxes: np.ndarray) -> np.ndarray:
    """Return (Q, 2) every two boxes that come nearer than ``REACH_M``."""
    boxes = boxes.reshape(-1, 4)
    below = np.all(boxes[:, None, :2] <= boxes[None, :, 2:] + REACH_M, axis=2)
    return np.argwhere(np.triu(below & below.T, 1))


def _inside(position: np.ndarray, box: np.ndarray, margin: float) -> np.ndarray:
    return np.all((position >= box[:2] - margin) & (position <= box[2:] + margin), axis=1)


def _seam(segments: Segments, first: np.ndarray, second: np.ndarray, nugget: float, factor: float) -> Optional[Seam]:
    """Return the seam between segments of two grids (rows of ``segments``); None where they do not meet.

    A piece is a couple of segments that are nearest to each other, and whatever segments are nearest to their middle.
    """
    from scipy.spatial import cKDTree

    if not len(first) or not len(second):
        return None
    one, other = segments.position[first], segments.position[second]
    to_one, to_other = cKDTree(one), cKDTree(other)
    distance, partner = to_other.query(one, distance_upper_bound=REACH_M)
    met = np.flatnonzero(np.isfinite(distance))
    met = met[to_one.query(other[partner[met]])[1] == met]
    if len(met) < LEAST_PIECES:
        return None
    middles = cKDTree((one[met] + other[partner[met]]) / 2)
    count = 1.0 / middles.query_ball_point(middles.data, FEATURE_M, return_length=True)
    sides = [_nearest(rows, position, middles) for rows, position in ((first, one), (second, other))]
    whole = (sides[0][:, 0] >= 0) & (sides[1][:, 0] >= 0)
    if np.count_nonzero(whole) < LEAST_PIECES:
        return None
    segment = np.concatenate(sides, axis=1)[whole]
    side = np.repeat([0.5, -0.5], [s.shape[1] for s in sides])
    weight, variance, common = _steps(segments, segment, side, count[whole], nugget, factor)
    grids = int(segments.grid[first[0]]), int(segments.grid[second[0]])
    return Seam(grids, np.maximum(segment, 0), weight, variance, count[whole], common)


def _nearest(rows: np.ndarray, position: np.ndarray, middles: cKDTree) -> np.ndarray:
    """Return (M, K) the rows that belong to each piece, nearest first; -1 where it has fewer."""
    distance, piece = middles.query(position, distance_upper_bound=BAND_M)
    near = np.flatnonzero(np.isfinite(distance))
    near = near[np.lexsort((distance[near], piece[near]))]
    piece = piece[near]
    rank = np.arange(len(near)) - np.searchsorted(piece, piece)
    kept = rank < SIDE
    table = np.full((middles.n, int(np.max(rank[kept], initial=0)) + 1), -1)
    table[piece[kept], rank[kept]] = rows[near[kept]]
    return table


@dataclass(frozen=True)
class _Pieces:
    """Kriging systems of M pieces, K segments each; a segment that a piece lacks has noise 1 and nothing else.

    ``signal``, ``offsets`` are covariances (M, K, K); ``noise`` (M, K) is a variance; ``drift`` (M, K, 2) holds what
    every segment has in common and the step.
    """

    signal: np.ndarray
    offsets: np.ndarray
    noise: np.ndarray
    drift: np.ndarray
    value: np.ndarray

    def covariance(self, scale: np.ndarray, count: float = 1.0) -> np.ndarray:
        """Return (M, K, K) with the signal scaled (M,), and the noise as in the mean of some pieces."""
        noise = np.where(self.drift[:, :, 0] > 0, self.noise / count, self.noise)
        return scale[:, None, None] * self.signal + self.offsets + noise[:, :, None] * np.eye(noise.shape[1])

    def bordered(self, covariance: np.ndarray) -> np.ndarray:
        m, k = self.value.shape
        system = np.zeros((m, k + 2, k + 2))
        system[:, :k, :k], system[:, :k, k:] = covariance, self.drift
        system[:, k:, :k] = np.swapaxes(self.drift, 1, 2)
        return system

    def kriging(self, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return weights (M, K) of the step, and the weighted sum of squares (M,) that common level and step leave."""
        m, k = self.value.shape
        right = np.zeros((m, k + 2, 2))
        right[:, :k, 0] = self.value
        right[:, k + 1, 1] = 1.0
        found = solved_symmetric(self.bordered(covariance), right)
        return found[:, :k, 1], np.sum(self.value * found[:, :k, 0], axis=1)

    def roughness(self) -> np.ndarray:
        """Return (M,) what the ground's typical variance is multiplied by, by restricted maximum likelihood."""
        k = self.value.shape[1]
        scale = np.ones(len(self.value))
        for _ in range(ROUNDS):
            loose = inverse_symmetric(self.bordered(self.covariance(scale)))[:, :k, :k]
            pull = loose @ self.value[:, :, None]
            squares = scale**2 * np.sum(pull * (self.signal @ pull), axis=(1, 2))
            expected = scale * np.sum(loose * self.signal, axis=(1, 2))
            scale = np.maximum((squares + PRIOR_WEIGHT) / (expected + PRIOR_WEIGHT), LEAST_SCALE)
        return scale


def _steps(
    segments: Segments, segment: np.ndarray, side: np.ndarray, count: np.ndarray, nugget: float, factor: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return how the segments (M, K) make the step of each piece, its variance, and the variance common to all pieces.

    The weights are those of universal kriging that suit the mean over the seam: signal and strips that go along with
    the edge and offsets of lines count in full, noise by the number of pieces.
    """
    known, row = segment >= 0, np.maximum(segment, 0)
    position, line = segments.position[row], segments.line[row]
    both = known[:, :, None] & known[:, None]
    distance = np.linalg.norm(position[:, :, None] - position[:, None], axis=3)
    same = both & (line[:, :, None] == line[:, None])
    pieces = _Pieces(
        signal=np.where(both, -factor * distance**POWER, 0.0),
        offsets=np.where(same, segments.error[row][:, :, None] ** 2, 0.0),
        noise=np.where(known, max(nugget, NUGGET), 1.0),
        drift=known[:, :, None] * np.stack([np.ones(len(side)), side], axis=1),
        value=np.where(known, segments.value[row], 0.0),
    )
    mean = _mean_piece(pieces, line, segments.error[row], count)
    typical = max(nugget + factor * SEGMENT_M**POWER, NUGGET)
    strips = _strips(mean, aside_of(position, known, side), known * count[:, None], typical)
    along = replace(mean, offsets=mean.offsets + strips).roughness()[0]
    common = along * pieces.signal + np.where(both, strips, 0.0)
    weight = pieces.kriging(common + pieces.covariance(np.zeros(len(row)), count.sum()))[0]
    own = pieces.covariance(pieces.roughness()) - pieces.offsets
    variance = np.sum((own @ weight[:, :, None])[:, :, 0] * weight, axis=1)
    common = np.mean(np.sum((common @ weight[:, :, None])[:, :, 0] * weight, axis=1))
    return weight, np.maximum(variance, NUGGET), max(float(common), NUGGET)


def _strips(mean: _Pieces, aside: np.ndarray, weight: np.ndarray, typical: float) -> np.ndarray:
    """Return (K, K) the covariance of strips along the edge, of distances from it and weights of the segments (M, K).

    Places that few pieces have are no better than the worst of the others.
    """
    kept = mean.drift[0, :, 0] > 0
    middle = np.where(kept, np.sum(weight * aside, axis=0) / np.maximum(weight.sum(axis=0), 1e-9), np.nan)
    found = strips_in(middle, mean.value[0], mean.bordered(mean.covariance(np.ones(1)))[0], typical)
    return found + np.diag(np.where(kept, 0.0, np.max(np.diag(found), initial=0.0)))


def _mean_piece(pieces: _Pieces, line: np.ndarray, error: np.ndarray, count: np.ndarray) -> _Pieces:
    """Return the mean of all pieces as a single one: what goes along with the edge."""
    known = pieces.drift[:, :, 0] > 0
    weight = known * count[:, None]
    total = np.maximum(weight.sum(axis=0), 1e-9)
    kept = total > count.sum() / 2
    lines, code = np.unique(line, return_inverse=True)
    code = code.reshape(line.shape)
    variance = np.zeros(len(lines))
    variance[code] = error**2
    slot = np.arange(line.shape[1])
    part = np.bincount((slot * len(lines) + code).ravel(), (weight / total).ravel(), len(slot) * len(lines))
    part = part.reshape(len(slot), len(lines)) * kept[:, None]
    both = (known[:, :, None] & known[:, None]) * count[:, None, None]
    signal = np.sum(both * pieces.signal, axis=0) / np.maximum(both.sum(axis=0), 1e-9)
    drift = np.sum(pieces.drift, axis=0) / np.maximum(known.sum(axis=0), 1)[:, None]
    return _Pieces(
        signal=(signal * kept * kept[:, None])[None],
        offsets=((part * variance) @ part.T)[None],
        noise=np.where(kept, np.min(pieces.noise) / count.sum(), 1.0)[None],
        drift=(drift * kept[:, None])[None],
        value=(kept * np.sum(weight * pieces.value, axis=0) / total)[None],
    )
