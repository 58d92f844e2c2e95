"""Evidence about the distances of neighbouring lines from the shapes of the features that cross them."""

from __future__ import annotations

from functools import lru_cache
from typing import Union

import numpy as np

from ..core import CARRIED, INSTRUMENT, matrix_product, noise_of_lines, variance_after_smoothing

BLOCK = 8
"""Lines that are looked at together, half of them on either side of the one in question. Derived: four lines half a
metre apart see 2 m, the length of a feature, to either side."""
STEP_M, TILE_M = 0.25, 2.5
"""Step and length of the tiles along the traverse. Found by tests/calibration/mistakes.py: of half and double the step,
and a metre more or less, none has a better score (``shapes``)."""
UNEVEN_SPACINGS = 0.3
"""Neighbouring lines of a block are a spacing from each other, but for this fraction of it. Common practice, no source:
lines off by a third of a spacing are noted with their position."""
KNOWN = 0.8
"""Fraction of a tile that must be known in every line. Common practice, no source: two readings of ten may miss."""
WIDTHS_M, ROUND_M, LONG_M, ANGLES = (INSTRUMENT.resolution_m, 0.9), (INSTRUMENT.resolution_m, 0.8, 1.4), 3.0, 8
"""Widths of ditches and walls and their least length, and sizes of round features: standard deviations of Gaussian
covariances, the least of them what the footprint of the coils leaves of a point (common practice, no source)."""
LOGGED_M, ALIGNED_M, ASIDE_M = CARRIED.along_m, CARRIED.aligned_between_m, CARRIED.across_m
"""Standard deviations of a line's position along the traverse as logged and once it is put where it was walked, and
across it."""
RANK = 40
"""Eigenvectors of each shape's covariance; what lies outside them is noise and unevenness. Found by
tests/calibration/mistakes.py: half as many score worse, half as many again hardly better (``shapes``)."""
LEVELS = 5
"""Sizes of features, from what just shows above the noise to the largest there is. Found by
tests/calibration/mistakes.py: three score worse, eight hardly better (``shapes``)."""
PART = 200
"""Tiles worked on at once. Derived: 200 tiles of 19 shapes and 40 components take 0.6 MB, what a cache holds."""
UNEVEN = 0.15
"""Fraction of a feature's variance that no smooth shape explains. Found by tests/calibration/mistakes.py, 0.15 +- 0.08
on 8 sites (``shapes``)."""
ROUGH = np.array([1.0, 4.0, 30.0, 300.0])
"""Variances, in those of the noise, of tiles that fit no shape at all. Derived: from noise alone (1) in steps of about
a factor of 7 up to iron, whose peak is some 17 times the noise."""
NOISE = 1.3
"""What pace and smoothing add to the variance of the noise, as a factor. Found by tests/calibration/mistakes.py,
1.3 +- 0.2 on 8 sites (``shapes``)."""
LEARN, LEAST_COUNT = 8, 0.5
"""Rounds of expectation and maximisation for how common each shape is, and tiles that each has beforehand. Found by
tests/calibration/mistakes.py: neither fewer or more rounds nor another count change the score by 0.01 (``shapes``)."""
LEAST_LOG = -60.0
"""Least log density of a shape, against the likeliest one of the tile. Derived: e^-60 = 1e-26 changes no digit of their
sum."""
MOST = 4.0
"""Largest log likelihood ratio that one tile may give: a single odd feature proves nothing. Found by
tests/calibration/mistakes.py, 4 +- 3 on 8 sites (``shapes``)."""

PLACES = {
    "recorded": (0, 1, 2, 3, 4, 5, 6, 7),
    "skipped": (0, 1, 2, 3, 5, 6, 7, 8),
    "on-last": (0, 1, 2, 3, 3, 5, 6, 7),
    "on-next": (0, 1, 2, 4, 4, 5, 6, 7),
}
"""Where the lines of a block lie, in spacings. Derived: ``skipped`` leaves one spacing bare before the fifth; with
``on-last`` the fifth lies on the fourth; with ``on-next`` the fourth lies on the fifth.
"""
TURNED = {"on-next": "on-last"}
"""Blocks that are others turned by half a turn. Derived: 7 less the places of ``on-last``, from its last line on."""


class ShapeEvidence:
    """Evidence about the distances of one grid's lines.

    Parameters
    ----------
    matrix : (L, V) float64
        Lines side by side in the order recorded, after the common lag; NaN where there are no readings.
    position : (L,) float64
        Positions of the lines as recorded, in spacings, ascending.
    step_m, spacing_m : float
        Between readings, and between lines.
    unsure_m : float
        Standard deviation of a line's position along the traverse, ``LOGGED_M`` or ``ALIGNED_M``.

    Notes
    -----
    Blocks of ``BLOCK`` lines are cut into tiles, whose readings are Gaussian with a mixture of covariances over the
    sizes and shapes of features; the unknown position of a line along the traverse takes off what it has in common with
    other lines at short wavelengths. The log likelihood ratio of lines that lie otherwise than recorded is summed over
    the tiles, which overlap by half and count half. See ``docs/methods/mistakes.md``.
    """

    def __init__(
        self, matrix: np.ndarray, position: np.ndarray, step_m: float, spacing_m: float, unsure_m: float
    ) -> None:
        every = max(1, round(STEP_M / step_m))
        self.node_m, self.spacing_m, self.unsure_m = every * step_m, spacing_m, unsure_m
        self.width = max(4, round(TILE_M / self.node_m))
        tiles, known = _tiles(matrix, every, self.width)
        self.count = len(matrix)
        first = np.arange(self.count - BLOCK + 1)
        uneven = np.concatenate([[0], np.cumsum(np.abs(np.diff(position) - 1.0) > UNEVEN_SPACINGS)])
        regular = uneven[first] == uneven[first + BLOCK - 1]
        self.first = first[regular] if len(tiles) else first[:0]
        self.used = np.array([known[:, k : k + BLOCK].all(axis=1) for k in self.first])
        blocks = [tiles[:, k : k + BLOCK].reshape(len(tiles), -1) for k in self.first]
        whole = np.concatenate(blocks) if blocks else np.zeros((0, BLOCK * self.width))
        # Products in single precision take half the time, and gains are off by 0.001.
        self.tiles, self.power = whole.astype(np.float32), np.sum(whole**2, axis=1).astype(np.float32)
        mean = np.mean(whole**2, axis=1)
        noise = variance_after_smoothing(noise_of_lines(matrix), 0.6 * every)
        self.noise = NOISE * noise + 1e-4 * float(mean.mean() if blocks else 0.0) + 1e-12
        least, most = 2 * self.noise, max(float(mean.max(initial=0.0)), 4 * self.noise)
        self.sizes = least * (most / least) ** (np.arange(LEVELS) / (LEVELS - 1))
        if blocks:
            peak, relative = self._densities("recorded")
            self.common = _frequencies(relative)
            self.recorded = peak + np.log(relative @ self.common)

    def gains(self, places: str) -> np.ndarray:
        """Return (L,) log likelihood gained when the block whose fifth line is this one lies so (see ``PLACES``).

        -inf where there is no whole block of lines a spacing from each other.
        """
        out = np.full(self.count, -np.inf)
        if len(self.first):
            peak, relative = self._densities(places)
            ratio = peak + np.log(relative @ self.common) - self.recorded
            each = MOST * np.tanh(ratio.reshape(len(self.first), -1) / 2 / MOST)
            out[self.first + BLOCK // 2] = np.sum(np.where(self.used, each, 0.0), axis=1)
        return out

    def _densities(self, places: str) -> tuple[np.ndarray, np.ndarray]:
        """Return (N,) largest log density of each tile, and (N, M) relative densities for each shape and size."""
        # Steps that differ by millimetres have the same shapes.
        size, shape = _shapes(places, self.width, round(self.node_m, 2), round(self.spacing_m, 2), self.unsure_m)
        weight, constant = self._terms(size)
        weight = weight.astype(np.float32)
        density = np.zeros((len(self.tiles), weight.shape[2] * len(size) + len(ROUGH)), np.float32)
        for start in range(0, len(self.tiles), PART):
            part = slice(start, start + PART)
            squares = matrix_product(self.tiles[part], shape)
            squares *= squares
            by_shape = squares.reshape(-1, *size.shape)
            misfit = [matrix_product(by_shape[:, k], weight[k]) for k in range(len(size))]
            density[part, : -len(ROUGH)] = np.concatenate(misfit, axis=1)
        smooth, rough = np.tile(self.noise + UNEVEN * self.sizes, len(size)), self.noise * ROUGH
        beyond = np.concatenate([smooth, rough]).astype(np.float32)
        density += self.power[:, None] / beyond + constant.astype(np.float32)
        density *= -0.5
        peak = density.max(axis=1)
        density -= peak[:, None]
        # Numbers near the least that single precision has are slow to work with.
        return peak, np.exp(np.maximum(density, LEAST_LOG, out=density), out=density)

    def _terms(self, size: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return (C, R, S) weights of squared components in -2 log density, and (M,) its constants.

        ``size`` (C, R) are the eigenvalues of the shapes. Beyond them a tile is noise and unevenness.
        """
        free = BLOCK * (self.width - 1)
        beyond = self.noise + UNEVEN * self.sizes
        own = size[..., None] * self.sizes + beyond
        constant = np.sum(np.log(own), axis=1) + (free - size.shape[1]) * np.log(beyond)
        return 1 / own - 1 / beyond, np.concatenate([constant.ravel(), free * np.log(self.noise * ROUGH)])


def _tiles(matrix: np.ndarray, every: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (T, L, W) tiles less the mean of each line, and (T, L) whether enough of each is known."""
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(matrix)
    total = gaussian_filter1d(np.where(known, matrix, 0.0), 0.6 * every, axis=1)
    around = gaussian_filter1d(known.astype(float), 0.6 * every, axis=1)
    there = (around > 0.2)[:, ::every]
    smooth = np.where(there, total[:, ::every] / np.maximum(around[:, ::every], 0.2), 0.0)
    starts = range(0, smooth.shape[1] - width + 1, width // 2)
    if not len(starts):
        return np.zeros((0, len(matrix), width)), np.zeros((0, len(matrix)), bool)
    values, there = (np.stack([c[:, s : s + width] for s in starts]) for c in (smooth, there))
    count = there.sum(axis=2, keepdims=True)
    mean = np.sum(np.where(there, values, 0.0), axis=2, keepdims=True) / np.maximum(count, 1)
    return np.where(there, values - mean, 0.0), count[..., 0] >= KNOWN * width


def _frequencies(relative: np.ndarray) -> np.ndarray:
    """Return (M,) how common each shape and size is, from (N, M) densities of tiles, each relative to its largest."""
    common = np.full(relative.shape[1], 1 / relative.shape[1], relative.dtype)
    for _ in range(LEARN):
        its = common * ((1 / (relative @ common)) @ relative) + LEAST_COUNT
        common = its / its.sum()
    return common


@lru_cache(maxsize=32)
def _shapes(places: str, width: int, node_m: float, spacing_m: float, unsure_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (C, R) eigenvalues of the shapes' covariances and their (BLOCK W, C R) float32 eigenvectors.

    A covariance is the same both ways, so that a block turned by half a turn has the eigenvectors turned likewise, and
    of a ditch and the one that is its mirror image along the traverse one is enough.
    """
    turned = TURNED.get(places)
    if turned is not None:
        size, shape = _shapes(turned, width, node_m, spacing_m, unsure_m)
        return size, np.ascontiguousarray(shape[::-1])
    spreads, mirrored = _spreads()
    sizes, vectors = np.linalg.eigh(_covariances(places, spreads, width, node_m, spacing_m, unsure_m))
    rank = min(RANK, sizes.shape[1])
    size, shape = np.maximum(sizes[:, ::-1][:, :rank], 0.0), vectors[:, :, ::-1][:, :, :rank]
    along = shape[mirrored].reshape(-1, BLOCK, width, rank)[:, :, ::-1].reshape(-1, BLOCK * width, rank)
    every = np.concatenate([shape, along]).transpose(1, 0, 2).reshape(BLOCK * width, -1)
    return np.concatenate([size, size[mirrored]]), every.astype(np.float32)


def _spreads() -> tuple[np.ndarray, list[int]]:
    """Return the (C, 2, 2) covariances, in m^2, of the Gaussian shapes, and those whose mirror images are shapes too.

    The axes of those are neither along nor across the traverse.
    """
    spreads, mirrored = [np.eye(2) * r**2 for r in ROUND_M], []
    for w in WIDTHS_M:
        for k in range(ANGLES // 2 + 1):
            angle = k * np.pi / ANGLES
            across, along = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
            if 0 < k < ANGLES / 2:
                mirrored.append(len(spreads))
            spreads.append(w**2 * np.outer(across, across) + LONG_M**2 * np.outer(along, along))
    return np.stack(spreads), mirrored


def _covariances(
    places: str, spreads: np.ndarray, width: int, node_m: float, spacing_m: float, unsure_m: float
) -> np.ndarray:
    """Return (C, BLOCK W, BLOCK W) covariances of the values of a tile less the mean of each line."""
    place = np.array(PLACES[places])
    far, ahead = int(np.ptp(place)), np.arange(1 - width, width) * node_m
    # By distance across and along; the last row is of values of one line, whose distances are sure.
    across = np.append(np.arange(-far, far + 1), 0)[:, None] * spacing_m
    blur = 2 * np.diag([ASIDE_M**2, unsure_m**2])
    sure = np.append(np.zeros(2 * far + 1, bool), True)[:, None]
    node, row = np.arange(width), np.where(np.eye(BLOCK, dtype=bool), 2 * far + 1, place[:, None] - place + far)
    found = np.empty((len(spreads), BLOCK, width, BLOCK, width))
    for own, spread in zip(found, spreads):
        table = np.where(sure, _gaussian(across, ahead, spread, 0.0), _gaussian(across, ahead, spread, blur))
        own[:] = table[row[:, None, :, None], (node[:, None] - node + width - 1)[None, :, None, :]]
    found -= found.mean(axis=2, keepdims=True)
    found -= found.mean(axis=4, keepdims=True)
    return found.reshape(len(spreads), BLOCK * width, -1)


def _gaussian(across: np.ndarray, along: np.ndarray, spread: np.ndarray, blur: Union[float, np.ndarray]) -> np.ndarray:
    """Return exp(-d S^-1 d / 2) at distances d across and along, blurred by a Gaussian of covariance ``blur``."""
    wide = spread + blur
    (one, both), (_, other) = np.linalg.inv(wide)
    shape = np.exp(-0.5 * (one * across**2 + 2 * both * across * along + other * along**2))
    return np.sqrt(np.linalg.det(spread) / np.linalg.det(wide)) * shape
