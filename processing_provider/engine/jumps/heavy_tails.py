"""Linear models with heavy-tailed errors, many at once, and their evidence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import solved_symmetric

FREEDOM = 3.0
"""Degrees of freedom of Student's t distribution of the offsets of lines. Source: Lange, K.L., Little, R.J.A., Taylor,
J.M.G., 1989, Robust statistical modeling using the t distribution, J. Am. Statistical Association 84, 881-896 (from
memory): 3 to 5 where data are too few to estimate it; the heaviest, since one line that stands out is no jump."""
SWEEPS = 8
"""Reweightings of a fit. Derived: weights of such a fit settle by a factor of about 3 a sweep; 3^-8 is 0.02 %."""
LEAST_SCALE = 0.3
"""Least scale of the errors, as a fraction of the one to start with, so that a fit does not settle on a few lines.
Common practice, no source."""


@dataclass(frozen=True)
class Fits:
    """B fits of L values by q factors.

    Attributes
    ----------
    evidence : (B,) float64
        Logarithm of the evidence, by Laplace's method.
    factors : (B, q) float64
    information : (B, q, q) float64
        Inverse covariance of the factors.
    residual : (B, L) float64
    """

    evidence: np.ndarray
    factors: np.ndarray
    information: np.ndarray
    residual: np.ndarray


def heavy_tailed_fits(values: np.ndarray, design: np.ndarray, precision: np.ndarray, sd: float) -> Fits:
    """Fit values (L,) by designs (B, L, q) with errors of Student's t distribution, whose scale each fit estimates.

    Parameters
    ----------
    values : (L,) float64
    design : (B, L, q) float64
    precision : (B, q) float64
        Prior precisions of the factors, which are 0 in the mean.
    sd : float
        Scale of the errors to start with.
    """
    count, lines = design.shape[0], len(values)
    weight, variance = np.ones((count, lines)), np.full(count, sd**2)
    prior = precision[:, :, None] * np.eye(design.shape[2])
    for _ in range(SWEEPS):
        weighted = (design * (weight / variance[:, None])[:, :, None]).transpose(0, 2, 1)
        information = weighted @ design + prior
        factors = solved_symmetric(information, weighted @ values[:, None])
        residual = values - (design @ factors)[:, :, 0]
        weight = (FREEDOM + 1) / (FREEDOM + residual**2 / variance[:, None])
        found = (weight * residual**2).sum(axis=1) / max(lines - 4, 3)
        variance = np.maximum(found, (LEAST_SCALE * sd) ** 2)
    factors = factors[:, :, 0]
    tails = np.log1p(residual**2 / (FREEDOM * variance[:, None])).sum(axis=1)
    evidence = -(FREEDOM + 1) / 2 * tails - lines / 2 * np.log(variance)
    evidence += 0.5 * (np.log(precision) - precision * factors**2).sum(axis=1)
    evidence -= 0.5 * np.linalg.slogdet(information)[1]
    return Fits(evidence, factors, information, residual)
