"""Gaussian smoothing of lines: a band-pass, and the matrix that smooths where one serves many trials."""

from __future__ import annotations

import numpy as np

from .lines import nearest_whole
from .noise import MAD_TO_SD

CUT = 3.0
"""Standard deviations at which the Gaussians of a band-pass end. Derived: 0.27 % of their weight lies beyond."""


def smoother(count: int, width: float, reach: float) -> np.ndarray:
    """Return the symmetric matrix (count, count) that smooths rows of so many values: ``values @ matrix``.

    Parameters
    ----------
    count : int
    width : float
        Standard deviation of the Gaussian, in values.
    reach : float
        Where the Gaussian ends, in standard deviations. Beyond both ends of a row values count as zero.
    """
    steps = np.arange(int(nearest_whole(reach * width)) + 1)
    weight = np.exp(-0.5 * (steps / width) ** 2)
    weight = np.append(weight / (2 * weight.sum() - 1), 0.0)
    distance = np.abs(np.arange(count)[:, None] - np.arange(count))
    return weight[np.minimum(distance, len(weight) - 1)]


def difference_of_gaussians(
    matrix: np.ndarray, step_m: float, fine_m: float, coarse_m: float, *, every: int = 1
) -> np.ndarray:
    """Return lines (L, V) between two wavelengths.

    Parameters
    ----------
    matrix : (L, V) float64
        NaN = no reading. It takes no part: means are over what is known.
    step_m : float
        Distance between readings in metres.
    fine_m, coarse_m : float
        Standard deviations of the two Gaussians in metres.
    every : int
        Only every so many columns are returned.

    Returns
    -------
    (L, ceil(V / every)) float64
        Fine less coarse, zero where there is no reading.
    """
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(matrix)
    both, wanted = np.stack([np.where(known, matrix, 0.0), known]), known[:, ::every]
    means = []
    for width in (fine_m / step_m, coarse_m / step_m):
        # SciPy rounds, and takes a reach of half a step for the next or for the last.
        reach = float(nearest_whole(CUT * width) + 0.25) / width
        total, weight = gaussian_filter1d(both, width, mode="constant", truncate=reach)[:, :, ::every]
        means.append(total / np.where(wanted, weight, 1.0))
    return np.where(wanted, means[0] - means[1], 0.0)


FINE_M, COARSE_M = 0.15, 1.5
"""Standard deviations of the two Gaussians of the band-pass: noise below, geology and drift above. Found by
tests/calibration/filters.py: 0.05 to 0.45 m and 1.0 to 3.0 m find a lag equally well."""


CLIP = 4.0
"""Iron counts no more than this many robust standard deviations of the band-passed grid. Found by
tests/calibration/filters.py: 2 to 6 are alike."""


def band_pass(matrix: np.ndarray, step_m: float, coarse_m: float = COARSE_M) -> np.ndarray:
    """Return (L, V) lines between the two wavelengths, iron clipped, zero where there are no readings.

    ``step_m`` is the distance between readings; ``coarse_m`` the standard deviation of the Gaussian of the geology
    that is taken off. What is clipped lies beyond ``CLIP`` robust standard deviations and beyond 95 % of the readings.
    """
    band = difference_of_gaussians(matrix, step_m, FINE_M, coarse_m)
    size = np.abs(band[np.isfinite(matrix)])
    if len(size):
        middle, large = _quantiles(size, (0.5, 0.95))
        limit = max(CLIP * MAD_TO_SD * middle, large)
        band = np.minimum(np.maximum(band, -limit), limit)
    return band


def slopes(values: np.ndarray, step_m: float) -> np.ndarray:
    """Return (L, V) slopes along lines by the metre, as ``np.gradient`` does; one-sided at both ends.

    Lines are short, so that most of its time goes into checks.
    """
    found = np.empty_like(values)
    np.subtract(values[:, 2:], values[:, :-2], out=found[:, 1:-1])
    found[:, 1:-1] /= 2.0 * step_m
    for end, before, here in ((0, 0, 1), (-1, -2, -1)):
        found[:, end] = (values[:, here] - values[:, before]) / step_m
    return found


def _quantiles(values: np.ndarray, fractions: tuple[float, ...]) -> list[float]:
    """Return quantiles of (n,) numbers, n > 0, linear between two of them, as ``np.quantile`` does but sooner."""
    at = [fraction * (len(values) - 1) for fraction in fractions]
    below = [min(int(one), max(len(values) - 2, 0)) for one in at]
    ordered = np.partition(values, sorted({k for one in below for k in (one, min(one + 1, len(values) - 1))}))
    found = []
    for one, k in zip(at, below):
        low, high = float(ordered[k]), float(ordered[min(k + 1, len(values) - 1)])
        found.append(low + (high - low) * (one - k) if one - k < 0.5 else high - (high - low) * (1 - (one - k)))
    return found
