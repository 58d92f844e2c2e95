"""Unknowns of which most are nothing and a few are large: edges of features among smooth ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NOTHING = 1e-3
"""Standard deviation of what counts as nothing, in units of the width."""
SIZES = (1.0, 3.0, 8.0)
"""Standard deviations of what is something, in units of the width: any of them is as likely."""
LIKELY = 0.3
"""Share that is something before the data are seen. High, so that what could be ground stays."""
STEP = 0.8
"""Share of each change that is taken at once, lest they overshoot together."""
SWEEPS = 4
LEAST, MOST = 1e-4, 1e7
"""Bounds of the precisions, in units of one over the squared width."""


@dataclass(frozen=True)
class Sparse:
    """Normal stand-ins for what is expected of J unknowns: precisions (J,), and precisions times means (J,)."""

    precision: np.ndarray
    pull: np.ndarray

    @classmethod
    def unknown(cls, count: int, width: float) -> Sparse:
        """Return what to begin with: any unknown may be of half the width."""
        return cls(np.full(count, 4.0 / width**2), np.zeros(count))

    def solve(self, normal: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Return the solution of normal equations (J, J) with right sides (J,) or (J, K), the first of them pulled."""
        pull = self.pull if right.ndim == 1 else np.pad(self.pull[:, None], ((0, 0), (0, right.shape[1] - 1)))
        return np.linalg.solve(normal + np.diag(self.precision), right + pull)

    def refined(self, normal: np.ndarray, right: np.ndarray, width: float) -> Sparse:
        """Return the stand-ins that fit better to what the data say by normal equations (J, J), (J,).

        Notes
        -----
        Expectation propagation: x_j is either nothing or normal with one of the standard deviations ``SIZES``. Of
        all that is known of x_j the stand-in is taken away, the true expectation put in its place, and the stand-in
        set so that mean and variance come out the same.

        References
        ----------
        Minka, T.P., 2001. Expectation propagation for approximate Bayesian inference. Uncertainty in Artificial
        Intelligence 17, 362-369.
        Hernandez-Lobato, J.M., Hernandez-Lobato, D., Suarez, A., 2015. Expectation propagation in linear regression
        models with spike-and-slab priors. Machine Learning 99, 437-487.
        """
        precision, pull = self.precision, self.pull
        for _ in range(SWEEPS):
            mean, variance = _solution(normal, precision, right + pull)
            open_ = 1.0 / variance - precision
            told = open_ > 1e-9 / width**2
            open_ = np.where(told, open_, 1.0)
            open_pull = mean / variance - pull
            mean, variance = _moments(open_pull / open_, 1.0 / open_, width)
            wanted = np.minimum(np.maximum(1.0 / variance - open_, LEAST / width**2), MOST / width**2)
            # The mean is kept where the precision had to be bounded.
            wanted_pull = mean * (wanted + open_) - open_pull
            precision = np.where(told, precision + STEP * (wanted - precision), precision)
            pull = np.where(told, pull + STEP * (wanted_pull - pull), pull)
        return Sparse(precision, pull)


def _solution(normal: np.ndarray, precision: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the solution of normal equations with more on their diagonal, and the diagonal of the inverse."""
    from scipy.linalg.lapack import dpotrf, dtrtri

    # A trifle more, for rounding makes what is hardly seen negative beside what is seen well.
    root, _ = dpotrf(normal + np.diag(precision + 1e-12 * np.diag(normal)), lower=1)
    inverse, _ = dtrtri(root, lower=1)
    return inverse.T @ (inverse @ right), np.sum(inverse**2, axis=0)


def _moments(mean: np.ndarray, variance: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and variance of unknowns seen with these ones, by all that is expected of them."""
    sizes = np.square(np.array([NOTHING, *SIZES]) * width)[:, None]
    odds = np.log([1.0 - LIKELY, *(LIKELY / len(SIZES),) * len(SIZES)])[:, None]
    total = variance + sizes
    odds = odds - 0.5 * (np.log(total) + mean**2 / total)
    share = np.exp(odds - odds.max(axis=0))
    share /= share.sum(axis=0)
    means, variances = mean * sizes / total, variance * sizes / total
    middle = np.sum(share * means, axis=0)
    return middle, np.sum(share * (variances + (means - middle) ** 2), axis=0)
