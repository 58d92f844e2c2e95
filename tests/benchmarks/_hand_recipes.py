"""What people do by hand about stripes and stagger, and what general libraries offer, each in its best simple set-up.

Stripe recipes take the (L, V) matrix of a grid (lines by readings, no NaN), outliers and the common lag already taken
out, with the distance of the lines and of the readings in metres, and return it corrected. Their sizes give the least
error of the map over seeds 0 to 19 of the simulated sites, which the benchmark does not use; where several come within
2 % of each other, the one that keeps most of a ditch along the lines.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.ndimage import gaussian_filter1d

REACH_M = 2.0
"""Largest lag between opposite lines that plain cross-correlation looks for."""


def line_mean(matrix: np.ndarray, spacing_m: float, step_m: float) -> np.ndarray:
    """Set the mean of every line to that of the grid (common practice, no source)."""
    return matrix - matrix.mean(axis=1, keepdims=True) + matrix.mean()


def line_median(matrix: np.ndarray, spacing_m: float, step_m: float) -> np.ndarray:
    """Set the median of every line to that of the grid (common practice, no source)."""
    return matrix - np.median(matrix, axis=1, keepdims=True) + np.median(matrix)


def opposite_means(matrix: np.ndarray, spacing_m: float, step_m: float) -> np.ndarray:
    """Set the mean of every line to that of its own and its neighbours', walked the other way (common practice)."""
    level = matrix.mean(axis=1)
    around = np.convolve(np.pad(level, 1, mode="reflect"), [0.25, 0.5, 0.25], mode="valid")
    return matrix - (level - around)[:, None]


def highpassed_median(matrix: np.ndarray, spacing_m: float, step_m: float, lines: float = 1.0) -> np.ndarray:
    """Set the line medians to a smooth level: Gaussian window, standard deviation in lines (common practice)."""
    level = np.median(matrix, axis=1)
    return matrix - (level - gaussian_filter1d(level, lines, mode="nearest"))[:, None]


def fourier_notch(matrix: np.ndarray, spacing_m: float, step_m: float, longest_m: float = 2.5) -> np.ndarray:
    """Remove what is constant along the lines and shorter across them than the ground is wide (common practice).

    The grid is mirrored at its edges first, so that they make no stripes of their own.
    """
    count, width = matrix.shape
    spectrum = np.fft.fft2(np.pad(matrix, ((0, count), (0, width)), mode="symmetric"))
    across, along = np.fft.fftfreq(2 * count, spacing_m), np.fft.fftfreq(2 * width, step_m)
    notch = (np.abs(across)[:, None] > 1 / longest_m) & (np.abs(along) < 0.75 / (width * step_m))
    return np.fft.ifft2(np.where(notch, 0.0, spectrum)).real[:count, :width]


def wavelet_fourier(matrix: np.ndarray, spacing_m: float, step_m: float, *, level: int = 2, sigma: float = 1.0,
                    wavelet: str = "db3") -> np.ndarray:  # fmt: skip
    """Remove stripes by pystripe's filter_streaks.

    Münch, B., Trtik, P., Marone, F., Stampanoni, M., 2009. Stripe and ring artifact removal with combined wavelet -
    Fourier filtering. Optics Express 17(10), 8567-8591. pystripe filters logarithms and returns whole numbers: the
    values go in as large numbers on a larger level, where the logarithm is straight, 0.005 mS/m apart.
    """
    import pystripe

    middle, scale, level_count = np.median(matrix), 200.0, 32000.0
    counts = np.clip((matrix - middle) * scale + level_count, 1.0, 65534.0)
    filtered = pystripe.filter_streaks(counts, sigma=[sigma, sigma], level=level, wavelet=wavelet)
    return (filtered.astype(float) - level_count) / scale + middle


STRIPES = {
    "line mean": line_mean,
    "line median": line_median,
    "line median, high-passed over 4 lines": partial(highpassed_median, lines=4.0),
    "line median, high-passed over 1 line": highpassed_median,
    "Fourier notch, up to 2.5 m": fourier_notch,
    "wavelet-Fourier (pystripe, db3, 2 levels)": wavelet_fourier,
}


def phase_lag(out: np.ndarray, back: np.ndarray, step_m: float, normalization) -> float:
    """Return half the shift between opposite lines by scikit-image, the median of the pairs.

    skimage.registration.phase_cross_correlation (Guizar-Sicairos, Thurman, Fienup, 2008, Optics Letters 33(2),
    156-158): "phase" weighs all wavelengths alike, None is plain cross-correlation.
    """
    from skimage.registration import phase_cross_correlation

    options = {"upsample_factor": 20, "normalization": normalization}
    pairs = zip(out - out.mean(axis=1, keepdims=True), back - back.mean(axis=1, keepdims=True))
    shift = [phase_cross_correlation(a[None, :], b[None, :], **options)[0][1] for a, b in pairs]
    return float(np.median(shift)) * step_m / 2


def plain_lag(out: np.ndarray, back: np.ndarray, step_m: float) -> float:
    """Return half the whole-reading shift at the highest mean correlation coefficient of opposite lines."""
    reach, width = round(REACH_M / step_m), out.shape[1]
    shifts = np.arange(-reach, reach + 1)
    height = []
    for shift in shifts:
        a, b = out[:, max(0, shift) : width + min(0, shift)], back[:, max(0, -shift) : width + min(0, -shift)]
        a, b = a - a.mean(axis=1, keepdims=True), b - b.mean(axis=1, keepdims=True)
        height.append(np.mean(np.sum(a * b, axis=1) / np.sqrt(np.sum(a**2, axis=1) * np.sum(b**2, axis=1))))
    return float(shifts[np.argmax(height)]) * step_m / 2


LAGS = {
    "plain cross-correlation, whole readings": plain_lag,
    "phase_cross_correlation (scikit-image)": lambda *lines: phase_lag(*lines, "phase"),
    "the same without normalization": lambda *lines: phase_lag(*lines, None),
}
