"""Gaussian smoothing of lines as a product of matrices: one matrix serves all lines, channels and trials."""

from __future__ import annotations

import numpy as np


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
    # Up to the whole step that is nearest to the reach.
    steps = np.arange(int(reach * width + 0.5) + 1)
    weight = np.exp(-0.5 * (steps / width) ** 2)
    weight = np.append(weight / (2 * weight.sum() - 1), 0.0)
    apart = np.abs(np.arange(count)[:, None] - np.arange(count))
    return weight[np.minimum(apart, len(weight) - 1)]


FINE_M, COARSE_M = 0.15, 1.5
"""Standard deviations of the two Gaussians of the band-pass: walking noise below, geology and drift above."""


CLIP = 4.0
"""Iron counts no more than this many robust standard deviations of the band-passed grid."""


def band_pass(matrix: np.ndarray, step_m: float, coarse_m: float = COARSE_M) -> np.ndarray:
    """Return (L, V) lines between the two wavelengths, iron clipped, zero where there are no readings.

    ``step_m`` is the distance between readings; ``coarse_m`` the standard deviation of the Gaussian of the ground
    that is taken off.
    """
    known = np.isfinite(matrix)
    filled = np.where(known, matrix, 0.0)
    smooth = []
    for width in (FINE_M, coarse_m):
        around = smoother(matrix.shape[1], width / step_m, 3.0)
        smooth.append(filled @ around / np.where(known, known @ around, 1.0))
    band = np.where(known, smooth[0] - smooth[1], 0.0)
    size = np.abs(band[known])
    if len(size):
        middle, large = np.quantile(size, [0.5, 0.95])
        limit = max(CLIP * 1.4826 * middle, large)
        band = np.minimum(np.maximum(band, -limit), limit)
    return band
