"""Spike-and-slab prior of the edges of features: most are nothing and a few are large."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import solved

SPIKE_SD = 1e-3
"""Standard deviation of the spike, in those of the offsets. Derived: far below any error of a level, and still seen in
double precision."""
SLAB_SDS = (1.5, 4.0, 10.0)
"""Standard deviations of the slab, in those of the offsets, each as probable. Derived: steps of 2.6 from the smallest
that shows above stripes to the strongest features, so that every height has a near one. Found by
tests/calibration/balance.py: as good as two or four others, whose levels err as much to 0.3 %."""
SLAB_FRACTION, PRIOR_COUNT = 0.35, 80.0
"""Prior probability of the slab, and the number of unknowns that it counts for. Found by tests/calibration/balance.py:
best of 0.05 to 0.7 and of 10 to 1000. High, so that what could be signal stays; the data change it."""
DAMPING = 0.8
"""Fraction of each change that is taken at once. Source: Minka, T., Lafferty, J., 2002, Expectation-propagation for the
generative aspect model (from memory): damping keeps parallel updates from overshooting. Derived: after the 16 sweeps of
a fit 0.2^16 of the first change is left."""
SWEEPS = 4
"""Sweeps at each reweighting. Derived: 0.2^4 = 0.2 % of a change is left, below the change that reweighting makes."""
LEAST, MOST = 1e-4, 1e7
"""Bounds of the precisions, in units of one over the variance of the offsets. Derived: standard deviations from a third
of the spike's to ten times the largest slab's."""


@dataclass(frozen=True)
class SpikeAndSlab:
    """Normal approximations to the prior of J unknowns, as expectation propagation finds them.

    Attributes
    ----------
    precision, pull : (J,) float64
        Precisions, and precisions times means.
    slab_fraction : float
        Probability of the slab.

    Notes
    -----
    What is seen are P sums of the unknowns, by factors (P, J).
    """

    precision: np.ndarray
    pull: np.ndarray
    slab_fraction: float = SLAB_FRACTION

    @classmethod
    def unknown(cls, count: int, sd: float) -> SpikeAndSlab:
        """Return what to begin with: every unknown has half the standard deviation ``sd`` of the offsets."""
        return cls(np.full(count, 4.0 / sd**2), np.zeros(count))

    def sums(self, factors: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mean (P,) and covariance (P, P) of the sums by the approximations alone."""
        spread = factors / self.precision
        return spread @ self.pull, spread @ factors.T

    def refined(self, factors: np.ndarray, known: np.ndarray, seen: np.ndarray, sd: float) -> SpikeAndSlab:
        """Return better approximations, by what the data say of the sums.

        Parameters
        ----------
        factors : (P, J) float64
        known : (P, P) float64
            Precision matrix of the sums by the data.
        seen : (P,) float64
            The same times the sums that were seen.
        sd : float
            Standard deviation of the offsets, the unit of spike and slab.

        Notes
        -----
        Expectation propagation: the approximation of x_j is taken away from its posterior, the true prior put in its
        place, and the approximation set so that mean and variance come out the same. The probability of the slab
        follows by expectation maximisation with a beta prior. See ``docs/methods/balance-traverses.md``.
        """
        precision, pull, slab_fraction = self.precision, self.pull, self.slab_fraction
        for _ in range(SWEEPS):
            mean, variance = _posterior(SpikeAndSlab(precision, pull), factors, known, seen)
            cavity = 1.0 / variance - precision
            informed = cavity > 1e-9 / sd**2
            cavity = np.where(informed, cavity, 1.0)
            cavity_pull = mean / variance - pull
            mean, variance, slab = _moments(cavity_pull / cavity, 1.0 / cavity, sd, slab_fraction)
            count = np.count_nonzero(informed)
            slab_fraction = float((SLAB_FRACTION * PRIOR_COUNT + slab[informed].sum()) / (PRIOR_COUNT + count))
            wanted = np.minimum(np.maximum(1.0 / variance - cavity, LEAST / sd**2), MOST / sd**2)
            # The mean is kept where the precision had to be bounded.
            wanted_pull = mean * (wanted + cavity) - cavity_pull
            precision = np.where(informed, precision + DAMPING * (wanted - precision), precision)
            pull = np.where(informed, pull + DAMPING * (wanted_pull - pull), pull)
        return SpikeAndSlab(precision, pull, slab_fraction)


def with_added_errors(known: np.ndarray, seen: np.ndarray, spread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return precisions (P, P), and those times what was seen (P,), once errors of a covariance (P, P) are added.

    Precisions may be singular: (1 + K C)^-1 K is the inverse of K^-1 + C.
    """
    found = solved(np.eye(len(seen)) + known @ spread, np.column_stack([known, seen]))
    return found[:, :-1], found[:, -1]


def _posterior(
    expected: SpikeAndSlab, factors: np.ndarray, known: np.ndarray, seen: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and variance (J,) of the unknowns by the approximations and what the data say of the sums.

    There are fewer sums than unknowns, so equations as many as sums are solved.
    """
    middle, spread = expected.sums(factors)
    weight, pull = with_added_errors(known, seen - known @ middle, spread)
    sized = factors / expected.precision
    before = 1.0 / expected.precision
    variance = before - np.einsum("pj,pj->j", sized, weight @ sized)
    # Rounding must not make it negative where a lot is known.
    return before * expected.pull + sized.T @ pull, np.maximum(variance, 1e-10 * before)


def _moments(mean: np.ndarray, variance: np.ndarray, sd: float, slab_fraction: float) -> tuple[np.ndarray, ...]:
    """Return mean and variance of unknowns whose data have these, with their prior, and the probability of the slab."""
    variances_of_prior = np.square(np.array([SPIKE_SD, *SLAB_SDS]) * sd)[:, None]
    odds = np.log([1.0 - slab_fraction, *(slab_fraction / len(SLAB_SDS),) * len(SLAB_SDS)])[:, None]
    total = variance + variances_of_prior
    odds = odds - 0.5 * (np.log(total) + mean**2 / total)
    fraction = np.exp(odds - odds.max(axis=0))
    fraction /= fraction.sum(axis=0)
    means, variances = (one * variances_of_prior / total for one in (mean, variance))
    middle = np.sum(fraction * means, axis=0)
    return middle, np.sum(fraction * (variances + (means - middle) ** 2), axis=0), 1.0 - fraction[0]
