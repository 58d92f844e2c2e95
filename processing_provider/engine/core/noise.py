"""Noise of single readings and robust scale, estimated from the readings themselves.

All estimators take noise to be normal, independent from reading to reading and equally large everywhere. Differences of
an order k leave out polynomials of degree k - 1 along a line and multiply the variance of white noise by the sum of the
squared binomial coefficients, C(2k, k): 6 for second and 70 for fourth differences. Medians of absolute values keep the
few differences that cross a feature from counting.
"""

from __future__ import annotations

from math import comb, pi, sqrt

import numpy as np

NORMAL_QUARTILE = 0.674490
"""Half of a normal distribution lies within so many standard deviations of its middle. Derived: Phi^-1(3/4)."""
MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution by its median absolute deviation.

Derived: 1 / Phi^-1(3/4), to the four decimals in which it is commonly given (1.5e-6 of it off). Source:
F. R. Hampel 1974, The influence curve and its role in robust estimation, J. Am. Statistical Association 69, 383-393,
doi 10.1080/01621459.1974.10482962 (from memory).
"""
MOST_DIFFERENCES = 5000
"""About how many fourth differences are looked at. Derived: the standard error of a standard deviation from the median
absolute deviation of n independent normal deviates is 1.17 / sqrt(n) of it (its efficiency is 0.37), 1.7 % here; shown
in the test of this module."""
PAIRS = 6
"""Neighbours of a scattered point whose differences imply the noise. Found by tests/calibration/scattered.py: with 4 to
12, noise of 900 points is wrong by 5 to 6 %."""
MOST_FITS = 20
"""How often the fit to pairs is weighted anew. Found by tests/calibration/scattered.py: later fits change nothing."""
LEAST_FRACTION = 1e-6
"""Fraction of the variance of the readings that the weights of pairs take as the least noise. Derived: the noise is
then known to be below 0.1 % of their standard deviation, which no map shows; it keeps weights finite."""


def median(values: np.ndarray) -> float:
    """Return the median of (n,) numbers, n > 0, as ``np.median`` does; NaN where one of them is NaN.

    The engine asks for the median of some hundred numbers at every line; numpy's own takes four times as long.
    """
    ordered, middle = np.array(values, float), len(values) // 2
    # A sum of squares is NaN only where a number is.
    if np.isnan(ordered.dot(ordered)):
        return np.nan
    if len(values) % 2:
        ordered.partition(middle)
        return float(ordered[middle])
    ordered.partition((middle - 1, middle))
    return float((ordered[middle - 1] + ordered[middle]) / 2)


def robust_sd(deviations: np.ndarray) -> float:
    """Return the standard deviation of normal deviations of any shape from their median absolute value; 0.0 for none.

    Deviations are taken from a centre that the caller has subtracted.
    """
    return MAD_TO_SD * median(np.abs(deviations).ravel()) if np.size(deviations) else 0.0


def noise_of_differences(differences: np.ndarray, order: int) -> float:
    """Return the standard deviation of readings of which (n,) differences of an order are given; 0.0 for none."""
    return robust_sd(differences) / sqrt(comb(2 * order, order))


def noise_of_lines(matrix: np.ndarray) -> float:
    """Return the standard deviation of readings on evenly sampled lines (L, V), from second differences.

    NaN = no reading; differences over gaps are left out. 0.0 where there are no three readings in a row.
    """
    second = matrix[:, :-2] - 2 * matrix[:, 1:-1] + matrix[:, 2:]
    return noise_of_differences(second[np.isfinite(second)], 2)


def noise_of_runs(values: np.ndarray, run: np.ndarray) -> float:
    """Return the standard deviation of (n,) readings in their order along lines, from second differences.

    ``run`` (n,) counts the lines; differences across two of them are left out. 0.0 where no line has three readings.
    """
    second = values[:-2] - 2 * values[1:-1] + values[2:]
    return noise_of_differences(second[run[2:] == run[:-2]], 2)


def noise_of_smooth_runs(values: np.ndarray, first: np.ndarray) -> float:
    """Return the standard deviation of (n,) readings in their order along lines, from fourth differences.

    Fourth differences leave out cubics, so smooth signal adds less to them than to second differences: this is for
    readings that are close together beside what is measured. Second differences lose fewer readings at gaps and stand
    up better to outliers. ``first`` (n,) marks readings that open a line; about ``MOST_DIFFERENCES`` are looked at.
    """
    if len(values) < 5:
        return 0.0
    count = len(values) - 4
    parts = [slice(start, start + count, max(1, count // MOST_DIFFERENCES)) for start in range(5)]
    one, two, three, four, five = (values[part] for part in parts)
    fourth = one - 4.0 * two + 6.0 * three - 4.0 * four + five
    fourth = fourth[~np.logical_or.reduce([first[part] for part in parts[1:]])]
    # By the quartile itself: the rounding of MAD_TO_SD would show in the last digit of maps in single precision.
    return float(np.median(np.abs(fourth)) / (NORMAL_QUARTILE * sqrt(70.0))) if len(fourth) else 0.0


def noise_of_pairs(points: np.ndarray, values: np.ndarray) -> float:
    """Return the standard deviation of (n,) readings at scattered (n, 2) points in metres, from near pairs.

    The square root of a in a + b d^2, fitted to half the squared differences of neighbours at distances d: smooth
    signal has a semivariance that begins with the square of the distance. Squared differences scatter as much as they
    are large, so they are weighted by the fit itself.
    """
    from scipy.spatial import cKDTree

    # Readings lie evenly: the quicker kind of tree is as good.
    distance, number = cKDTree(points, balanced_tree=False).query(points, min(PAIRS + 1, len(points)))
    square, half = distance[:, 1:].ravel() ** 2, ((values[number[:, 1:]] - values[:, None]) ** 2).ravel() / 2
    least, tiny = LEAST_FRACTION * np.var(values), np.finfo(float).tiny
    fitted, noise = np.full(len(half), max(np.mean(half), tiny)), 0.0
    for _ in range(MOST_FITS):
        design = np.stack([np.ones(len(half)), square], axis=1) / fitted[:, None]
        noise, slope = np.linalg.lstsq(design, half / fitted, rcond=None)[0]
        fitted = np.maximum(max(noise, least) + max(slope, 0.0) * square, tiny)
    return sqrt(max(noise, 0.0))


def least_step(values: np.ndarray) -> float:
    """Return the least difference between (n,) values that follow each other, 0.0 where all are the same.

    Of sorted values it is the last digit that an instrument wrote. Differences below 1e-6 of the range are rounding.
    """
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-6 * np.ptp(values)]
    return float(steps.min()) if len(steps) else 0.0


def variance_after_smoothing(noise: float, width: float) -> float:
    """Return the variance that white noise keeps under a Gaussian smoother along the line.

    ``noise`` is its standard deviation before, ``width`` the standard deviation of the Gaussian in readings. The
    squared weights of a Gaussian sum to 1 / (2 sqrt(pi) width).
    """
    return noise**2 / (2 * sqrt(pi) * width)
