"""Where grids meet: short pieces of their edges, and the step of the readings across each of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Iterator, Optional

import numpy as np

from .line_segments import PATCH_M, POWER, Patches, line_errors
from .strip_features import aside_of, strips_in

REACH_M = 3.0
"""Grids whose patches come nearer than this meet: lines 0.5 m apart on both sides of a path of 2 m do."""
BAND_M = 5.0
"""Patches this near to the edge take part: the ground beyond a ditch along it is seen on both sides."""
SIDE = 12
"""Most patches that a piece takes on either side."""
FEATURE_M = 0.7
"""Pieces of one edge nearer than this to each other tell much the same."""
LEAST_PIECES = 3
"""Edges in fewer pieces than this only touch at a corner."""
PRIOR_WEIGHT = 2.0
"""Weight of the survey's usual roughness, in degrees of freedom, against what the patches of a piece tell."""
LEAST_SCALE = 0.3
"""Ground is not believed to be smoother than this share of the usual variance."""
ROUNDS = 3
NUGGET = 1e-6
"""Least variance of a patch, in the square of the ground's roughness: keeps the systems solvable."""


@dataclass(frozen=True)
class Seam:
    """Where two grids meet, in M pieces that rest on up to K patches each.

    Attributes
    ----------
    grids : (int, int)
        Places in ``Readings.grids``.
    patch : (M, K) int
        Patches of each piece.
    share : (M, K) float64
        Their weights in the step: they add up to 1 over the first grid and to -1 over the second; 0 = no patch.
    variance : (M,) float64
        Of the step of one piece, by the ground and the noise.
    count : (M,) float64
        How many independent pieces each one is (up to 1).
    common : float
        Variance of what ground along the whole edge adds to all the steps.
    """

    grids: tuple[int, int]
    patch: np.ndarray
    share: np.ndarray
    variance: np.ndarray
    count: np.ndarray
    common: float


def seams_of(patches: Patches, nugget: float, factor: float) -> Iterator[Seam]:
    """Yield the seams of all grids that meet; ``nugget`` and ``factor`` are those of ``ground_of``."""
    patches = replace(patches, error=line_errors(patches))
    order = np.argsort(patches.grid, kind="stable")
    cuts = np.searchsorted(patches.grid[order], np.arange(int(patches.grid.max(initial=-1)) + 2))
    rows = [order[start:stop] for start, stop in zip(cuts[:-1], cuts[1:])]
    boxes = [_box(patches.place[r]) for r in rows]
    for g, h in _near_boxes(np.array(boxes)):
        near = [
            rows[one][_inside(patches.place[rows[one]], boxes[other], BAND_M + REACH_M)]
            for one, other in ((g, h), (h, g))
        ]
        seam = _seam(patches, near[0], near[1], nugget, factor)
        if seam is not None:
            yield seam


def _box(place: np.ndarray) -> np.ndarray:
    """Return (4,) x and y at least, x and y at most; nowhere for no patches."""
    if not len(place):
        return np.full(4, np.nan)
    return np.concatenate([place.min(axis=0), place.max(axis=0)])


def _near_boxes(boxes: np.ndarray) -> np.ndarray:
    """Return (Q, 2) every two boxes that come nearer than ``REACH_M``."""
    boxes = boxes.reshape(-1, 4)
    below = np.all(boxes[:, None, :2] <= boxes[None, :, 2:] + REACH_M, axis=2)
    return np.argwhere(np.triu(below & below.T, 1))


def _inside(place: np.ndarray, box: np.ndarray, margin: float) -> np.ndarray:
    return np.all((place >= box[:2] - margin) & (place <= box[2:] + margin), axis=1)


def _seam(patches: Patches, first: np.ndarray, second: np.ndarray, nugget: float, factor: float) -> Optional[Seam]:
    """Return the seam between patches of two grids (rows of ``patches``); None where they do not meet.

    A piece is a couple of patches that are nearest to each other, and whatever patches are nearest to their middle.
    """
    from scipy.spatial import cKDTree

    if not len(first) or not len(second):
        return None
    one, other = patches.place[first], patches.place[second]
    to_one, to_other = cKDTree(one), cKDTree(other)
    apart, partner = to_other.query(one, distance_upper_bound=REACH_M)
    met = np.flatnonzero(np.isfinite(apart))
    met = met[to_one.query(other[partner[met]])[1] == met]
    if len(met) < LEAST_PIECES:
        return None
    middles = cKDTree((one[met] + other[partner[met]]) / 2)
    count = 1.0 / middles.query_ball_point(middles.data, FEATURE_M, return_length=True)
    sides = [_nearest(rows, place, middles) for rows, place in ((first, one), (second, other))]
    whole = (sides[0][:, 0] >= 0) & (sides[1][:, 0] >= 0)
    if np.count_nonzero(whole) < LEAST_PIECES:
        return None
    patch = np.concatenate(sides, axis=1)[whole]
    side = np.repeat([0.5, -0.5], [s.shape[1] for s in sides])
    share, variance, common = _steps(patches, patch, side, count[whole], nugget, factor)
    grids = int(patches.grid[first[0]]), int(patches.grid[second[0]])
    return Seam(grids, np.maximum(patch, 0), share, variance, count[whole], common)


def _nearest(rows: np.ndarray, place: np.ndarray, middles) -> np.ndarray:
    """Return (M, K) the rows that belong to each piece, nearest first; -1 where it has fewer."""
    apart, piece = middles.query(place, distance_upper_bound=BAND_M)
    near = np.flatnonzero(np.isfinite(apart))
    near = near[np.lexsort((apart[near], piece[near]))]
    piece = piece[near]
    rank = np.arange(len(near)) - np.searchsorted(piece, piece)
    kept = rank < SIDE
    table = np.full((middles.n, int(np.max(rank[kept], initial=0)) + 1), -1)
    table[piece[kept], rank[kept]] = rows[near[kept]]
    return table


@dataclass(frozen=True)
class _Pieces:
    """Kriging systems of M pieces, K patches each; a patch that a piece lacks has noise 1 and nothing else.

    ``ground``, ``offsets`` are covariances (M, K, K); ``noise`` (M, K) is a variance; ``drift`` (M, K, 2) holds what
    every patch has in common and the step.
    """

    ground: np.ndarray
    offsets: np.ndarray
    noise: np.ndarray
    drift: np.ndarray
    value: np.ndarray

    def covariance(self, scale: np.ndarray, count: float = 1.0) -> np.ndarray:
        """Return (M, K, K) with the ground scaled (M,), and the noise as in the mean of some pieces."""
        noise = np.where(self.drift[:, :, 0] > 0, self.noise / count, self.noise)
        return scale[:, None, None] * self.ground + self.offsets + noise[:, :, None] * np.eye(noise.shape[1])

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
        found = np.linalg.solve(self.bordered(covariance), right)
        return found[:, :k, 1], np.sum(self.value * found[:, :k, 0], axis=1)

    def roughness(self) -> np.ndarray:
        """Return (M,) what the ground's usual variance is multiplied by, by restricted maximum likelihood."""
        k = self.value.shape[1]
        scale = np.ones(len(self.value))
        for _ in range(ROUNDS):
            loose = np.linalg.inv(self.bordered(self.covariance(scale)))[:, :k, :k]
            pull = loose @ self.value[:, :, None]
            squares = scale**2 * np.sum(pull * (self.ground @ pull), axis=(1, 2))
            told = scale * np.sum(loose * self.ground, axis=(1, 2))
            scale = np.maximum((squares + PRIOR_WEIGHT) / (told + PRIOR_WEIGHT), LEAST_SCALE)
        return scale


def _steps(patches: Patches, patch: np.ndarray, side: np.ndarray, count: np.ndarray, nugget: float, factor: float):
    """Return how the patches (M, K) make the step of each piece, its variance, and the variance common to all pieces.

    The weights are those of universal kriging that suit the mean over the seam: ground and strips that go along with
    the edge and offsets of lines count in full, noise by the number of pieces.
    """
    known, row = patch >= 0, np.maximum(patch, 0)
    place, line = patches.place[row], patches.line[row]
    both = known[:, :, None] & known[:, None]
    apart = np.linalg.norm(place[:, :, None] - place[:, None], axis=3)
    same = both & (line[:, :, None] == line[:, None])
    pieces = _Pieces(
        ground=np.where(both, -factor * apart**POWER, 0.0),
        offsets=np.where(same, patches.error[row][:, :, None] ** 2, 0.0),
        noise=np.where(known, max(nugget, NUGGET), 1.0),
        drift=known[:, :, None] * np.stack([np.ones(len(side)), side], axis=1),
        value=np.where(known, patches.value[row], 0.0),
    )
    mean = _mean_piece(pieces, line, patches.error[row], count)
    usual = max(nugget + factor * PATCH_M**POWER, NUGGET)
    strips = _strips(mean, aside_of(place, known, side), known * count[:, None], usual)
    along = replace(mean, offsets=mean.offsets + strips).roughness()[0]
    common = along * pieces.ground + np.where(both, strips, 0.0)
    share = pieces.kriging(common + pieces.covariance(np.zeros(len(row)), count.sum()))[0]
    own = pieces.covariance(pieces.roughness()) - pieces.offsets
    variance = np.sum((own @ share[:, :, None])[:, :, 0] * share, axis=1)
    common = np.mean(np.sum((common @ share[:, :, None])[:, :, 0] * share, axis=1))
    return share, np.maximum(variance, NUGGET), max(float(common), NUGGET)


def _strips(mean: _Pieces, aside: np.ndarray, weight: np.ndarray, usual: float) -> np.ndarray:
    """Return (K, K) the covariance of strips along the edge, of distances from it and weights of the patches (M, K).

    Places that few pieces have are no better than the worst of the others.
    """
    kept = mean.drift[0, :, 0] > 0
    middle = np.where(kept, np.sum(weight * aside, axis=0) / np.maximum(weight.sum(axis=0), 1e-9), np.nan)
    found = strips_in(middle, mean.value[0], mean.bordered(mean.covariance(np.ones(1)))[0], usual)
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
    ground = np.sum(both * pieces.ground, axis=0) / np.maximum(both.sum(axis=0), 1e-9)
    drift = np.sum(pieces.drift, axis=0) / np.maximum(known.sum(axis=0), 1)[:, None]
    return _Pieces(
        ground=(ground * kept * kept[:, None])[None],
        offsets=((part * variance) @ part.T)[None],
        noise=np.where(kept, np.min(pieces.noise) / count.sum(), 1.0)[None],
        drift=(drift * kept[:, None])[None],
        value=(kept * np.sum(weight * pieces.value, axis=0) / total)[None],
    )
