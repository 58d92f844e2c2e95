"""How well lines fit together in a given order: each line foretold from those that would lie beside it."""

from __future__ import annotations

from typing import Sequence

import numpy as np

from ..core import CARRIED, FINE_M, Lines, band_pass, noise_of_lines, variance_after_smoothing

REACH = 6
"""Lines farther away than this many spacings say nothing more about a line."""
INDEPENDENT_M = 2.0
"""Residuals nearer than this tell the same: what walking leaves of a feature is about as long as the feature."""
WANDER_M = CARRIED.between_lines_m
"""Standard deviation of a line's position against its neighbours' along the traverse."""
WANDER_LENGTH_M = 3.0
"""A person is ahead or behind for about so long."""
ASIDE_M = CARRIED.across_m
"""Standard deviation of the position across the traverse."""
TAIL = 4.0
"""Degrees of freedom of Student's t for what is left: iron and edges are heavier than normal."""
FAR = 8.0
"""Range in spacings of the ground that many lines share."""
WEIGHT_RANGES, NUGGETS, FAR_SHARES = (1.5, 2.0, 2.5), (0.01, 0.03, 0.07, 0.15), (0.0, 0.2, 0.4)
"""Ranges in spacings, and shares of the variance, from which each grid takes those that foretell its lines best."""
NUGGET_LEFT = 0.15
"""Share of the nugget that is left when the wander is taken off."""


class Ground:
    """The ground as one grid's lines show it.

    Parameters
    ----------
    matrix : (L, V) float
        Lines side by side in the order recorded, after the common lag; NaN where there are no readings.
    place : (L,) float
        Places of the lines as recorded, in spacings, ascending.
    step_m, spacing_m : float
        Between readings, and between lines.
    coarse_m : float
        See ``band_pass``.

    Notes
    -----
    Gaussian process across the lines with the covariance (1 - n) ((1 - f) exp(-d^2 / 2 r^2) + f exp(-d / 8)) + n at d
    spacings; r, f and the nugget n are those that foretell the recorded lines best. Line i leaves the residual
    e = y_i - E(y_i | others), free to slide along the traverse by a piecewise linear wander of ``WANDER_M`` (linear in
    the slope, ridge). Its log density is Student's t with a variance of noise, of walking aside by ``ASIDE_M``, and of
    the conditional variance times the power of the ground around. The sum over lines is Besag's pseudo-likelihood;
    an arrangement is judged by what it gains over the recorded one.

    References
    ----------
    Besag, J., 1975. Statistical analysis of non-lattice data. The Statistician 24(3), 179-195.
    Dubrule, O., 1983. Cross validation of kriging in a unique neighborhood. Mathematical Geology 15(6), 687-699.
    """

    def __init__(self, matrix: np.ndarray, place: np.ndarray, step_m: float, spacing_m: float, coarse_m: float):
        from scipy.ndimage import gaussian_filter

        self.step_m, self.known = step_m, np.isfinite(matrix)
        self.band = band_pass(matrix, step_m, coarse_m)
        self.place = np.asarray(place, float)
        self.products = self.band @ self.band.T
        self.noise = _noise(matrix, step_m)
        self.aside = _aside(matrix, step_m) * (ASIDE_M / spacing_m) ** 2
        share = np.maximum(gaussian_filter(self.known.astype(float), (3, 3 / step_m), mode="constant"), 0.05)
        self.power = gaussian_filter(self.band**2, (3, 3 / step_m), mode="constant") / share
        self.hats = _hats(matrix.shape[1], step_m)
        self.hat_products = (self.hats[:, None] * self.hats).reshape(-1, matrix.shape[1]).T
        choices = [(r, n, f) for r in WEIGHT_RANGES for n in NUGGETS for f in FAR_SHARES]
        self.covariance = min(choices, key=self._misfit)
        self.scale = 1.0
        self.scale = self._scale()

    def swap(self, a: int, b: int) -> float:
        """Gain in log likelihood when lines a and b (0-based places) change places."""
        place = self.place.copy()
        place[[a, b]] = place[[b, a]]
        return self._gain(place, [a, b])

    def double(self, k: int) -> float:
        """Gain when line k + 1 lies on the ground of line k, and all later ones a spacing nearer."""
        place = self.place.copy()
        place[k + 1 :] -= 1
        rows = np.arange(max(0, k - 4), min(len(place), k + 6))
        return self._score(place, rows) - self._score(self.place, rows)

    def again(self, a: int, b: int) -> float:
        """Gain when line b lies on the ground of line a."""
        place = self.place.copy()
        place[b] = place[a]
        return self._gain(place, [b])

    def stranger(self, b: int) -> float:
        """Gain when line b is of other ground."""
        place = self.place.copy()
        place[b] = np.nan
        return self._gain(place, [b])

    def swap_screen(self) -> np.ndarray:
        """Return (L, L) a fast estimate of what each swap gains, without wander, for one independent reading."""
        weights, _ = self._weights(self.place)
        cross = weights @ self.products
        left = np.sum(cross * weights, axis=1)
        power = np.diag(self.products)
        apart = power[:, None] + power - 2 * self.products
        out = np.empty_like(apart)
        for a in range(len(apart)):
            change = weights[:, [a]] - weights
            new = left[:, None] + 2 * change * (cross - cross[:, [a]]) + change**2 * apart[a]
            out[a] = -0.5 * np.sum(np.log(np.maximum(new, 1e-12) / np.maximum(left, 1e-12)[:, None]), axis=0)
        return out

    def correlation(self, a: int, b: int) -> float:
        """Correlation of two lines."""
        norm = np.sqrt(self.products[a, a] * self.products[b, b])
        return float(self.products[a, b] / norm) if norm > 0 else 0.0

    def fit(self, line: int, place: np.ndarray) -> float:
        """Correlation of a line with what the others foretell of it when they lie at ``place``."""
        error = self._residuals(place, np.array([line]))[0][0]
        foretold, own = self.band[line] - error, self.band[line]
        norm = np.sqrt(np.sum(foretold**2) * np.sum(own**2))
        return float(np.sum(foretold * own) / norm) if norm > 0 else 0.0

    def _misfit(self, covariance) -> float:
        self.covariance = covariance
        weights, _ = self._weights(self.place)
        left = np.sum((weights @ self.products) * weights, axis=1)
        return float(np.sum(np.log(np.maximum(left, 1e-12))))

    def _weights(self, place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return (n, n) weights of the residuals, and their conditional variances, all other lines known."""
        reach, nugget, far = self.covariance
        d = np.abs(place[:, None] - place)
        smooth = (1 - far) * np.exp(-(d**2) / (2 * reach**2))
        if far:
            smooth += far * np.exp(-d / FAR)
        own = np.eye(len(place))
        inverse = np.linalg.inv((1 - nugget) * smooth + nugget * own)
        weights = inverse / np.diag(inverse)[:, None]
        nugget *= NUGGET_LEFT
        return weights, np.sum((weights @ ((1 - nugget) * smooth + nugget * own)) * weights, axis=1)

    def _residuals(self, place: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return (R, V) residuals of lines, (R,) conditional variances and sums of squared weights."""
        here = np.isfinite(place[rows])
        error, variance, squares = self.band[rows].copy(), np.ones(len(rows)), np.ones(len(rows))
        if here.any():
            away = np.abs(place[:, None] - place[rows[here]])
            near = np.flatnonzero(np.any(away <= REACH, axis=1))
            weights, left = self._weights(place[near])
            at = np.searchsorted(near, rows[here])
            error[here] = weights[at] @ self.band[near]
            variance[here], squares[here] = left[at], np.sum(weights[at] ** 2, axis=1)
        return error, variance, squares

    def _score(self, place: np.ndarray, rows: np.ndarray) -> float:
        """Return the pseudo log likelihood of lines at their places."""
        error, variance, squares = self._residuals(place, rows)
        spread = self._spread(rows, variance, squares)
        error, penalty = self._without_wander(error, self.band[rows], spread)
        density = -0.5 * np.log(spread) - 0.5 * (TAIL + 1) * np.log1p(error**2 / (TAIL * spread))
        return float(np.sum(density * self.known[rows]) * self.step_m / INDEPENDENT_M - 0.5 * np.sum(penalty))

    def _spread(self, rows, variance, squares) -> np.ndarray:
        walked = (self.noise + self.aside[rows]) * squares[:, None]
        return walked + self.scale * variance[:, None] * self.power[rows] + 1e-12

    def _without_wander(self, error, own, spread) -> tuple[np.ndarray, np.ndarray]:
        """Return residuals and penalties of lines that may slide along the traverse; one reweighted step."""
        slope = np.gradient(own - 0.5 * error, self.step_m, axis=1)
        hats, count, left = len(self.hats), INDEPENDENT_M / self.step_m, error
        for again in range(2):
            weight = (TAIL + 1) / (TAIL * spread + left**2) if again else 1 / spread
            pull = slope * weight / count
            normal = ((pull * slope) @ self.hat_products).reshape(-1, hats, hats) + np.eye(hats) / WANDER_M**2
            moved = np.linalg.solve(normal, ((pull * error) @ self.hats.T)[..., None])[..., 0]
            left = error - (moved @ self.hats) * slope
        return left, np.sum(moved**2, axis=1) / WANDER_M**2

    def _scale(self) -> float:
        rows = np.arange(len(self.place))
        error, variance, squares = self._residuals(self.place, rows)
        spread = self._spread(rows, variance, squares)
        left, _ = self._without_wander(error, self.band, spread)
        # The median of a squared standard normal variable is 0.455.
        return float(np.clip(np.median((left**2 / spread)[self.known]) / 0.455, 0.05, 1.0)) if self.known.any() else 1.0

    def _gain(self, place: np.ndarray, changed: Sequence[int]) -> float:
        touched = np.concatenate([self.place[changed], place[changed]])
        touched = touched[np.isfinite(touched)]
        rows = np.flatnonzero(np.min(np.abs(self.place[:, None] - touched), axis=1) <= 4)
        return self._score(place, rows) - self._score(self.place, rows)


def clearest(lines: Lines, matrices: Sequence[np.ndarray], coarse_m: float) -> int:
    """Return which (L, V) channel is the one in which neighbouring lines resemble each other most."""

    def likeness(matrix: np.ndarray) -> float:
        band = band_pass(matrix, lines.step_m, coarse_m)
        total = np.sum(band**2)
        return float(np.sum(band[1:] * band[:-1]) / total) if total > 0 else -1.0

    return max(range(len(matrices)), key=lambda c: likeness(matrices[c]))


def _noise(matrix: np.ndarray, step_m: float) -> float:
    """Return the variance that white noise keeps in the band after the fine Gaussian."""
    return 1.2 * variance_after_smoothing(noise_of_lines(matrix), max(FINE_M / step_m, 0.5))


def _aside(matrix: np.ndarray, step_m: float) -> np.ndarray:
    """Return (L, V) squared slopes across the lines per spacing, the largest of a line and its neighbours.

    Lines have offsets of their own: what the steps of whole lines usually are is taken off.
    """
    from scipy.ndimage import gaussian_filter1d, maximum_filter1d

    whole = np.where(np.isfinite(matrix), matrix, np.nanmedian(matrix))
    slope = np.gradient(gaussian_filter1d(whole, 0.4 / step_m, axis=1), axis=0)
    usual = np.median(np.median(slope, axis=1) ** 2)
    return maximum_filter1d(np.maximum(slope**2 - usual, 0.0), 3, axis=0)


def _hats(count: int, step_m: float) -> np.ndarray:
    v = np.arange(count) * step_m
    middle = np.arange(0, count * step_m + WANDER_LENGTH_M, WANDER_LENGTH_M)
    return np.maximum(0.0, 1 - np.abs(v - middle[:, None]) / WANDER_LENGTH_M)
