"""Levels of grids that may be alike: none is moved without proof."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Sequence

import numpy as np

from ..core import inverse_symmetric

ALIKE = 0.5
"""Probability that the levels of grids are alike, before the readings are looked at. Common practice, no source: grids
of one instrument and one day as often have one level as not."""
PROOF = 0.95
"""Grids are moved by more than what lines may be off from this probability on. Common practice, no source: a test at
5 %."""
SPREADS = (1.0, 3.0, 10.0, 30.0, 100.0)
"""Standard deviations of levels that are not alike, in units of the signal's roughness, each as probable. Derived:
steps of 3 from the least that shows on a map to more than any signal, so that every level is near one of them; with
steps of 10 levels between two of them were not proven."""
FACTORS: tuple[tuple[float, float], ...] = ((9.0, 0.6), (81.0, 0.3), (729.0, 0.1))
"""What the variance of the signal along a border may have to be multiplied by, and how probable that is where it has to
be. Common practice, no source: tracks, ditches and boundaries lie along the edges of fields, where grids are laid out;
729 is a standard deviation 27 times as large, as of a boundary of 20 mS/m in ground that varies by less than 1 mS/m."""
COMMON_FACTOR = 3.0
"""The same where nothing is wrong with a border. Derived: the variance of Student's t of 3 degrees of freedom, which
signal along edges has, is three times the square of its scale."""
ONE_BORDER, ALL_BORDERS = 0.35, 0.01
"""Probability that one border of a site is such, and that all are. Common practice, no source. For all, 0.02 and 0.1
were tried too: blocks of two by two grids with levels of their own were not moved then."""
SUSPECTS = 4
"""Most borders that are looked at one by one, those that fit the levels worst. Derived: as many as three by three grids
have; further ones fit."""


@dataclass(frozen=True)
class Solution:
    """Levels (G,) of a group of grids by the seams, but for a constant, with their covariance (G, G).

    ``probable`` is how probable it is beforehand that the signal along the borders is as assumed for it.
    """

    level: np.ndarray
    covariance: np.ndarray
    probable: float = 1.0

    def of(self, grids: np.ndarray) -> Solution:
        """Return those of some grids, by their indices."""
        return Solution(self.level[grids], self.covariance[np.ix_(grids, grids)], self.probable)

    def likely(self, spread: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the log density of the levels and the matrix (G, G) of their weights, a constant left free.

        ``spread`` (G, G) is the prior covariance of the levels (restricted likelihood, Patterson and Thompson 1971).
        """
        covariance = self.covariance + spread
        inverse = inverse_symmetric(covariance)
        ones = inverse.sum(axis=1)
        weight = inverse - np.outer(ones, ones) / ones.sum()
        size = self.level @ weight @ self.level + np.linalg.slogdet(covariance)[1] + np.log(ones.sum())
        return float(-0.5 * size), weight


@dataclass(frozen=True)
class Levels:
    """Levels (G,) of a group of grids relative to what is held, covariance (G, G), probability that they differ."""

    value: np.ndarray
    covariance: np.ndarray
    differ: float


def border_factors(misfit: np.ndarray) -> list[tuple[np.ndarray, float]]:
    """Return what the variances of the signal along B borders may have to be multiplied by, and how probable that is.

    ``misfit`` (B,) says how badly each border fits, NaN for what is no border.
    """
    every = np.flatnonzero(np.isfinite(misfit))
    if not len(every):
        return [(np.full(len(misfit), COMMON_FACTOR), 1.0)]
    worst = every[np.argsort(-np.abs(misfit[every]), kind="stable")][:SUSPECTS]
    groups = [(worst[k : k + 1], ONE_BORDER / len(worst)) for k in range(len(worst))] + [(every, ALL_BORDERS)]
    found = [(np.full(len(misfit), COMMON_FACTOR), 1 - ONE_BORDER - ALL_BORDERS)]
    for borders, probable in groups:
        for factor, fraction in FACTORS:
            changed = np.full(len(misfit), COMMON_FACTOR)
            changed[borders] = factor
            found.append((changed, probable * fraction))
    return found


@dataclass(frozen=True)
class Posterior:
    """Levels by one assumption, the log of how probable it makes what was found, and whether it has them alike."""

    levels: Solution
    log: float
    alike: bool


def posteriors(solutions: Sequence[Solution], alike_sd: float) -> Iterator[Posterior]:
    """Yield the levels for all combinations of ``solutions`` and spreads of the levels, as in ``levels_with_proof``."""
    spreads = [(0.0, ALIKE), *((spread, (1 - ALIKE) / len(SPREADS)) for spread in SPREADS)]
    for found in solutions:
        for spread, probable in spreads:
            log, weight = found.likely((alike_sd**2 + spread**2) * np.eye(len(found.level)))
            pulled = found.covariance @ weight
            levels = Solution(found.level - pulled @ found.level, found.covariance - pulled @ found.covariance)
            yield Posterior(levels, log + float(np.log(found.probable * probable)), spread == 0.0)


def levels_with_proof(solutions: Sequence[Solution], held: np.ndarray, alike_sd: float) -> Levels:
    """Return the levels of a group of grids, alike unless they are proven to differ.

    Parameters
    ----------
    solutions : sequence of Solution
        One for each of ``border_factors``.
    held : (G, G) float64
        The map of levels onto levels relative to what stays.
    alike_sd : float
        How much levels that are alike may differ: what the lines of a grid are off, in the unit of the levels.

    Notes
    -----
    Levels are normal with one of several standard deviations about an unknown mean: a spike of ``alike_sd`` or one of
    ``SPREADS`` more. How far the signal along the edges can be trusted is unknown as well. All combinations are weighed
    by how well they predict the levels found. Where the spike has a probability above 1 - PROOF, the mean is the
    spike's; the covariance about it is that of all. See docs/methods/balance-grids.md.
    """
    every = list(posteriors(solutions, alike_sd))
    probability = np.exp(np.array([one.log for one in every]) - max(one.log for one in every))
    probability /= probability.sum()
    alike = np.array([one.alike for one in every])
    mean = np.array([held @ one.levels.level for one in every])
    covariance = np.array([held @ one.levels.covariance @ held.T for one in every])
    differ = float(1 - probability[alike].sum())
    # Lines that are off by more than the least spread are no measure of what is alike.
    counted = probability if differ >= PROOF or alike_sd > SPREADS[0] else probability * alike
    value = counted @ mean / counted.sum()
    away = mean - value
    total = np.tensordot(probability, covariance + away[:, :, None] * away[:, None], 1)
    return Levels(value, total, differ)
