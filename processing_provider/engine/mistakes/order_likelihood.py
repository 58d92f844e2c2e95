"""Pseudo-likelihood of the order of a grid's lines: each line predicted from those that would lie beside it."""

from __future__ import annotations

from functools import cached_property
from typing import Sequence

import numpy as np

from ..core import (
    CARRIED,
    FINE_M,
    Lines,
    band_pass,
    matrix_product,
    median,
    noise_of_lines,
    slopes,
    variance_after_smoothing,
)
from .line_weights import Kernel, candidate_weights, weights_in, weights_of_all
from .neighbour_fit import TAIL

TOUCHED = 4
"""A line that is moved changes the prediction of lines within this many spacings. Derived: at the longest range of 2.5
spacings the covariance falls to exp(-(4 / 2.5)^2 / 2) = 0.28 there, and nearer lines screen what is left."""
INDEPENDENT_M = 2.0
"""Residuals nearer than this say the same: what walking leaves of a feature is about as long as the feature. Common
practice, no source; the powers of the likelihood ratios are found with it."""
WANDER_M = CARRIED.between_lines_m
"""Standard deviation of a line's position against its neighbours' along the traverse."""
WANDER_LENGTH_M = 3.0
"""Distance of the nodes of the wander. Derived: half of the 7 m over which pace is remembered, and somewhat less."""
ASIDE_M = CARRIED.across_m
"""Standard deviation of the position across the traverse."""

CHUNK = 128
"""Residuals of so many lines are worked on at once. Derived: 128 lines of 240 readings take 0.25 MB, so that the few
arrays in use stay in a cache of 1 to 2 MB."""

Arrangement = tuple[np.ndarray, np.ndarray]
"""Positions of all lines in spacings, and the lines that are scored."""


class OrderLikelihood:
    """How well the lines of one grid fit together, in the recorded order and in others.

    Parameters
    ----------
    matrix : (L, V) float64
        Lines side by side in the order recorded, after the common lag; NaN where there are no readings.
    position : (L,) float64
        Positions of the lines as recorded, in spacings, ascending.
    step_m, spacing_m : float
        Between readings, and between lines.
    coarse_m : float
        See ``band_pass``.

    Notes
    -----
    Besag's pseudo-likelihood of a Gaussian process across the lines: each is predicted from the others, free to slide
    along the traverse by a piecewise linear wander (linear in the slope, ridge, one reweighted step), with residuals of
    Student's t. An arrangement is judged by what it gains over the recorded one. See ``docs/methods/mistakes.md``.
    """

    def __init__(
        self, matrix: np.ndarray, position: np.ndarray, step_m: float, spacing_m: float, coarse_m: float
    ) -> None:
        from scipy.ndimage import gaussian_filter

        self.step_m, self.known = step_m, np.isfinite(matrix)
        band = band_pass(matrix, step_m, coarse_m)
        self.position = np.asarray(position, float)
        self.products = matrix_product(band, band.T)
        self.noise = float(_noise_in_band(matrix, step_m))
        aside = _slopes_across(matrix, step_m) * (ASIDE_M / spacing_m) ** 2
        both = np.stack([band**2, self.known])
        total, around = gaussian_filter(both, (0, 3, 3 / step_m), mode="constant")
        power = total / np.maximum(around, 0.05)
        hats = _hats(matrix.shape[1], step_m)
        # Residuals are weighed in single precision: that takes half the time, and gains are off by 0.001.
        self.band, self.aside, self.power, self.hats = (a.astype(np.float32) for a in (band, aside, power, hats))
        # Hats overlap with the next ones only.
        beside = self.hats[:-1] * self.hats[1:]
        self.hat_products = np.concatenate([self.hats**2, beside, np.zeros((1, self.hats.shape[1]), np.float32)]).T
        self.kernel = self._best_kernel()
        self.scale = 1.0
        self.scale = self._residual_scale()

    def swaps(self, pairs: Sequence[tuple[int, int]]) -> np.ndarray:
        """Return the gain in log likelihood of each pair of lines that change places."""
        return self._gains([(self._moved({a: b, b: a}), (a, b)) for a, b in pairs])

    def repeats(self, pairs: Sequence[tuple[int, int]]) -> np.ndarray:
        """Return the gain of each pair (a, b) when line b lies on line a."""
        return self._gains([(self._moved({b: a}), (b,)) for a, b in pairs])

    def foreign(self, lines: Sequence[int]) -> np.ndarray:
        """Return the gain of each line when it is from other ground."""
        changed = []
        for b in lines:
            position = self.position.copy()
            position[b] = np.nan
            changed.append((position, (b,)))
        return self._gains(changed)

    def doubles(self, lines: Sequence[int]) -> np.ndarray:
        """Return the gain of each line k when line k + 1 lies on it and all later ones a spacing nearer."""
        count, items = len(self.position), []
        for k in lines:
            position, rows = self.position.copy(), np.arange(max(0, k - 4), min(count, k + 6))
            position[k + 1 :] -= 1
            items.append((position, rows))
        return self._gained(items)

    def along(self, line: int, own: np.ndarray, known: np.ndarray) -> np.ndarray:
        """Return (M,) log likelihood ratios of one line, with readings (M, V) in the band, against foreign ground."""
        rows = np.array([line])
        error, variance, squares = self._residuals([(self.position, rows)])
        spread = self._spread(rows, variance, squares)
        beside = [k for k in (line - 1, line + 1) if 0 <= k < len(self.band)]
        known = known & self.known[beside].all(axis=0)
        own = np.where(known, own, self.band[line] - error)
        free, penalty = self._without_wander(own - self.band[line] + error, own, np.broadcast_to(spread, own.shape))
        alone = np.mean(self.power[line]) + self.noise + 1e-12
        gain = TAIL * np.log(spread / alone) - (TAIL + 1) * np.log((spread + free**2 / TAIL) / (alone + own**2 / TAIL))
        return 0.5 * (np.sum(gain * known, axis=1) * self.step_m / INDEPENDENT_M - penalty)

    def swap_screen(self) -> np.ndarray:
        """Return (L, L) a fast estimate of what each swap gains, without wander, for one independent reading."""
        weights = weights_of_all(self.position, self.kernel)
        cross = weights @ self.products
        residual = np.sum(cross * weights, axis=1)
        recorded = np.sum(np.log(np.maximum(residual, 1e-12)))
        power = np.diag(self.products)
        difference = power[:, None] + power - 2 * self.products
        out = np.empty_like(difference)
        for a in range(len(out)):
            change = weights[:, [a]] - weights
            new = residual[:, None] + change * (2 * (cross - cross[:, [a]]) + change * difference[a])
            out[a] = -0.5 * (np.sum(np.log(np.maximum(new, 1e-12)), axis=0) - recorded)
        return out

    def repeat_screen(self) -> np.ndarray:
        """Return (L, L) how much nearer line b is to line a, as readings, than to what all others predict of it."""
        weights, power = weights_of_all(self.position, self.kernel), np.diag(self.products)
        residual = np.sum((weights @ self.products) * weights, axis=1)
        difference = power[:, None] + power - 2 * self.products
        return np.log(np.maximum(residual, 1e-12)) - np.log(np.maximum(difference, 1e-12))

    def fit(self, line: int, position: np.ndarray) -> float:
        """Return the correlation of a line with what the others predict of it when they lie at ``position``."""
        own = self.band[line]
        predicted = own - self._residuals([(position, np.array([line]))])[0][0]
        norm = np.sqrt(np.sum(predicted**2) * np.sum(own**2))
        return float(np.sum(predicted * own) / norm) if norm > 0 else 0.0

    def _moved(self, to: dict[int, int]) -> np.ndarray:
        position = self.position.copy()
        position[list(to)] = self.position[list(to.values())]
        return position

    def _best_kernel(self) -> Kernel:
        """Return the kernel whose residuals, each line predicted from all others, are least."""
        kernels, weights = candidate_weights(self.position.tobytes())
        cross = weights.reshape(-1, len(self.position)) @ self.products
        residual = np.sum(cross.reshape(weights.shape) * weights, axis=2)
        return kernels[int(np.sum(np.log(np.maximum(residual, 1e-12)), axis=1).argmin())]

    def _gains(self, changed: Sequence[tuple[np.ndarray, Sequence[int]]]) -> np.ndarray:
        """Return what arrangements gain over the recorded one; each is (positions, the lines moved)."""
        if not changed:
            return np.zeros(0)
        positions, moved = (np.stack(column) for column in zip(*changed))
        touched = np.concatenate([self.position[moved], np.take_along_axis(positions, moved, axis=1)], axis=1)
        near = (np.abs(self.position[:, None] - touched[:, None]) <= TOUCHED).any(axis=2)
        return self._gained([(position, np.flatnonzero(mine)) for position, mine in zip(positions, near)])

    def _gained(self, items: Sequence[Arrangement]) -> np.ndarray:
        """Return what the lines of arrangements gain in all over being where they are recorded."""
        if not items:
            return np.zeros(0)
        rows = np.concatenate([rows for _, rows in items])
        first = np.cumsum([0, *(len(rows) for _, rows in items[:-1])])
        return np.add.reduceat(self._scores(items) - self._recorded[rows], first)

    @cached_property
    def _recorded(self) -> np.ndarray:
        """(L,) pseudo log likelihoods of all lines where they are recorded."""
        return self._scores([(self.position, np.arange(len(self.position)))])

    def _scores(self, items: Sequence[Arrangement]) -> np.ndarray:
        """Return (R,) pseudo log likelihoods of the lines of all arrangements at their positions."""
        rows = np.concatenate([rows for _, rows in items])
        error, variance, squares = self._residuals(items)
        total = np.empty(len(rows))
        for start in range(0, len(rows), CHUNK):
            part = slice(start, start + CHUNK)
            spread = self._spread(rows[part], variance[part], squares[part])
            free, penalty = self._without_wander(error[part], self.band[rows[part]], spread)
            density = TAIL * np.log(spread) - (TAIL + 1) * np.log(spread + free**2 / TAIL)
            readings = np.sum(density * self.known[rows[part]], axis=1)
            total[part] = 0.5 * (readings * self.step_m / INDEPENDENT_M - penalty)
        return total

    def _residuals(self, items: Sequence[Arrangement]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return (R, V) residuals of the lines of all arrangements, and (R,) variances and sums of squared weights.

        The variances are conditional.
        """
        position, scored = np.stack([position for position, _ in items]), np.zeros((len(items), len(self.band)), bool)
        for mine, (_, rows) in zip(scored, items):
            mine[rows] = True
        weights, variance = weights_in(position.tobytes(), scored.tobytes(), len(self.band), self.kernel)
        return matrix_product(weights, self.band), variance, np.sum(weights**2, axis=1)

    def _spread(self, rows: np.ndarray, variance: np.ndarray, squares: np.ndarray) -> np.ndarray:
        walked = (self.noise + self.aside[rows]) * squares[:, None]
        return walked + self.scale * variance[:, None] * self.power[rows] + 1e-12

    def _without_wander(self, error: np.ndarray, own: np.ndarray, spread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return residuals and penalties of lines that may slide along the traverse; one reweighted step."""
        slope = slopes(own - 0.5 * error, self.step_m)
        hats, count, free = len(self.hats), INDEPENDENT_M / self.step_m, error
        for again in range(2):
            weight = (TAIL + 1) / (TAIL * spread + free**2) if again else 1 / spread
            pull = slope * weight / count
            normal = matrix_product(pull * slope, self.hat_products)
            diagonal, beside = normal[:, :hats] + 1 / WANDER_M**2, normal[:, hats:]
            moved = _solve_tridiagonal(diagonal, beside, matrix_product(pull * error, self.hats.T))
            free = error - matrix_product(moved, self.hats) * slope
        return free, np.sum(moved**2, axis=1) / WANDER_M**2

    def _residual_scale(self) -> float:
        """Return what residuals of the recorded order are of their modelled variance."""
        if not self.known.any():
            return 1.0
        rows = np.arange(len(self.position))
        error, variance, squares = self._residuals([(self.position, rows)])
        spread = self._spread(rows, variance, squares)
        free, _ = self._without_wander(error, self.band, spread)
        # The median of a squared standard normal variable is 0.455.
        return float(np.clip(np.median((free**2 / spread)[self.known]) / 0.455, 0.05, 1.0))


def clearest(lines: Lines, matrices: np.ndarray, coarse_m: float) -> int:
    """Return which channel of (C, L, V) is the one in which neighbouring lines resemble each other most."""

    def likeness(matrix: np.ndarray) -> float:
        band = band_pass(matrix, lines.step_m, coarse_m)
        total = np.sum(band**2)
        return float(np.sum(band[1:] * band[:-1]) / total) if total > 0 else -1.0

    return max(range(len(matrices)), key=lambda c: likeness(matrices[c])) if len(matrices) > 1 else 0


def _solve_tridiagonal(diagonal: np.ndarray, beside: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return (R, n) solutions of R symmetric positive definite systems.

    All are (R, n); ``beside`` is the diagonal next to the first, and zero at its end. So the systems, one after the
    other, make a single one.
    """
    from scipy.linalg.lapack import dptsv

    return dptsv(diagonal.ravel(), beside.ravel()[:-1], right.ravel())[2].reshape(right.shape).astype(right.dtype)


def _noise_in_band(matrix: np.ndarray, step_m: float) -> float:
    """Return the variance that white noise keeps in the band after the fine Gaussian."""
    return 1.2 * variance_after_smoothing(noise_of_lines(matrix), max(FINE_M / step_m, 0.5))


def _slopes_across(matrix: np.ndarray, step_m: float) -> np.ndarray:
    """Return (L, V) squared slopes across the lines per spacing, the largest of a line and its neighbours.

    Lines have offsets of their own: what the steps of whole lines usually are is taken off.
    """
    from scipy.ndimage import gaussian_filter1d, maximum_filter1d

    known = np.isfinite(matrix)
    whole = np.where(known, matrix, median(matrix[known]) if known.any() else np.nan)
    slope = np.gradient(gaussian_filter1d(whole, 0.4 / step_m, axis=1), axis=0)
    steps = np.median(np.median(slope, axis=1) ** 2)
    return maximum_filter1d(np.maximum(slope**2 - steps, 0.0), 3, axis=0)


def _hats(count: int, step_m: float) -> np.ndarray:
    """Return (H, V) hat functions along a line, ``WANDER_LENGTH_M`` apart."""
    v = np.arange(count) * step_m
    middle = np.arange(0, count * step_m + WANDER_LENGTH_M, WANDER_LENGTH_M)
    return np.maximum(0.0, 1 - np.abs(v - middle[:, None]) / WANDER_LENGTH_M)
