"""Unknowns of which most are nothing and a few are large: edges of features among smooth ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NOTHING = 1e-3
"""Standard deviation of what counts as nothing, in units of the width."""
SIZES = (1.5, 4.0, 10.0)
"""Standard deviations of what is something, in units of the width: any of them is as likely."""
LIKELY, SEEN_BEFORE = 0.35, 80.0
"""Share that is something before the data are seen, as if it had been found among so many unknowns. High, so that what
could be ground stays; the data change it."""
STEP = 0.8
"""Share of each change that is taken at once, lest they overshoot together."""
SWEEPS = 4
LEAST, MOST = 1e-4, 1e7
"""Bounds of the precisions, in units of one over the squared width."""


@dataclass(frozen=True)
class Sparse:
    """Normal stand-ins for what is expected of J unknowns: precisions (J,), and precisions times means (J,).

    ``likely`` is the share of them that is something. What is seen are P sums of the unknowns, by factors (P, J).
    """

    precision: np.ndarray
    pull: np.ndarray
    likely: float = LIKELY

    @classmethod
    def unknown(cls, count: int, width: float) -> Sparse:
        """Return what to begin with: any unknown may be of half the width."""
        return cls(np.full(count, 4.0 / width**2), np.zeros(count))

    def sums(self, factors: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mean (P,) and covariance (P, P) that the stand-ins expect of the sums."""
        spread = factors / self.precision
        return spread @ self.pull, spread @ factors.T

    def refined(self, factors: np.ndarray, known: np.ndarray, seen: np.ndarray, width: float) -> Sparse:
        """Return the stand-ins that fit better to what the data say of the sums: a precision matrix (P, P), and (P,)
        this times what was seen.

        Notes
        -----
        Expectation propagation: x_j is either nothing or normal with one of the standard deviations ``SIZES``. Of
        all that is known of x_j the stand-in is taken away, the true expectation put in its place, and the stand-in
        set so that mean and variance come out the same. The share that is something follows from how likely each of
        those is that the data tell of (expectation maximisation, beta prior).

        References
        ----------
        Minka, T.P., 2001. Expectation propagation for approximate Bayesian inference. Uncertainty in Artificial
        Intelligence 17, 362-369.
        Hernandez-Lobato, J.M., Hernandez-Lobato, D., Suarez, A., 2015. Expectation propagation in linear regression
        models with spike-and-slab priors. Machine Learning 99, 437-487.
        """
        precision, pull, likely = self.precision, self.pull, self.likely
        for _ in range(SWEEPS):
            mean, variance = _solution(Sparse(precision, pull), factors, known, seen)
            open_ = 1.0 / variance - precision
            told = open_ > 1e-9 / width**2
            open_ = np.where(told, open_, 1.0)
            open_pull = mean / variance - pull
            mean, variance, something = _moments(open_pull / open_, 1.0 / open_, width, likely)
            likely = float((LIKELY * SEEN_BEFORE + something[told].sum()) / (SEEN_BEFORE + np.count_nonzero(told)))
            wanted = np.minimum(np.maximum(1.0 / variance - open_, LEAST / width**2), MOST / width**2)
            # The mean is kept where the precision had to be bounded.
            wanted_pull = mean * (wanted + open_) - open_pull
            precision = np.where(told, precision + STEP * (wanted - precision), precision)
            pull = np.where(told, pull + STEP * (wanted_pull - pull), pull)
        return Sparse(precision, pull, likely)


def loosened(known: np.ndarray, seen: np.ndarray, spread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what is known (P, P), and (P,) that times what was seen, once errors of a covariance (P, P) are added.

    Precisions may be singular: (1 + K C)^-1 K is the inverse of K^-1 + C.
    """
    found = np.linalg.solve(np.eye(len(seen)) + known @ spread, np.column_stack([known, seen]))
    return found[:, :-1], found[:, -1]


def _solution(expected: Sparse, factors: np.ndarray, known: np.ndarray, seen: np.ndarray):
    """Return mean and variance (J,) of the unknowns by the stand-ins and what the data say of the sums.

    There are fewer sums than unknowns, so equations as many as sums are solved.
    """
    middle, spread = expected.sums(factors)
    sure, off = loosened(known, seen - known @ middle, spread)
    sized = factors / expected.precision
    before = 1.0 / expected.precision
    variance = before - np.einsum("pj,pj->j", sized, sure @ sized)
    # Rounding must not make it negative where a lot is known.
    return before * expected.pull + sized.T @ off, np.maximum(variance, 1e-10 * before)


def _moments(mean: np.ndarray, variance: np.ndarray, width: float, likely: float) -> tuple[np.ndarray, ...]:
    """Return mean and variance of unknowns seen with these ones, by all that is expected of them, and how likely each
    is something."""
    sizes = np.square(np.array([NOTHING, *SIZES]) * width)[:, None]
    odds = np.log([1.0 - likely, *(likely / len(SIZES),) * len(SIZES)])[:, None]
    total = variance + sizes
    odds = odds - 0.5 * (np.log(total) + mean**2 / total)
    share = np.exp(odds - odds.max(axis=0))
    share /= share.sum(axis=0)
    means, variances = mean * sizes / total, variance * sizes / total
    middle = np.sum(share * means, axis=0)
    return middle, np.sum(share * (variances + (means - middle) ** 2), axis=0), 1.0 - share[0]
