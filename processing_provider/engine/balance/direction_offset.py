"""Levels of lines without a model of the signal: by walking direction, and line medians against a smooth level."""

from __future__ import annotations

import numpy as np

from ..core import MAD_TO_SD, Lines, robust_sd
from .observations import row_median

SWEEPS = 25
"""Most reweightings of a location. Derived: each leaves of the error about the fraction of values beyond the limit, a
half at worst: 25 leave 3e-8 of it; ``CLOSE`` mostly ends them before."""
CLOSE = 1e-12
"""They end when it moves by less than this fraction of what an outlier counts. Derived: a few thousand roundings of
double precision."""
TREND_LINES = 4.0
"""Standard deviation, in lines, of the Gaussian window of the smooth level. Common practice, no source: wide enough to
average stripes, narrow enough to follow geology."""


def direction_offset(matrix: np.ndarray, lines: Lines) -> tuple[float, float]:
    """Return out minus back and its standard error; 0 with fewer than four lines between opposite ones.

    Every line is held against the mean of its two opposite neighbours, which a regional slope does not touch.
    """
    pairs = lines.pairs
    before, after = np.full(len(lines), -1), np.full(len(lines), -1)
    before[pairs[:, 1]], after[pairs[:, 0]] = pairs[:, 0], pairs[:, 1]
    middle = np.flatnonzero((before >= 0) & (after >= 0))
    left, right = before[middle], after[middle]
    opposite = (lines.heading[left] * lines.heading[middle] < 0) & (lines.heading[right] * lines.heading[middle] < 0)
    middle, left, right = middle[opposite], left[opposite], right[opposite]
    difference = matrix[middle] - (matrix[left] + matrix[right]) / 2
    difference = row_median(difference) * lines.heading[middle]
    difference = difference[np.isfinite(difference)]
    if len(difference) < 4:
        return 0.0, 0.0
    offset, sd = _location(difference)
    # Neighbouring differences share lines: of white offsets w the sum of h (w - neighbours' mean) has twice the
    # standard deviation that the offsets themselves give, where each difference has sqrt(3/2) of it.
    error = sd * np.sqrt(8.0 / 3.0) / np.sqrt(len(difference))
    return offset, error


def above_smooth_level(matrix: np.ndarray, lines: Lines) -> tuple[np.ndarray, np.ndarray]:
    """Return the line medians above a local straight line through their neighbours (Gaussian window), and errors."""
    middle = row_median(matrix)
    known = np.isfinite(middle)
    if np.count_nonzero(known) < 3:
        return np.zeros(len(lines)), np.zeros(len(lines))
    u, values = lines.u[known], middle[known]
    spacing = np.median(lines.gap_m) if len(lines.gap_m) else 1.0
    distance = (u[None, :] - u[:, None]) / (TREND_LINES * spacing)
    weight = np.exp(-0.5 * distance**2)
    s0, s1, s2 = weight.sum(axis=1), (weight * distance).sum(axis=1), (weight * distance**2).sum(axis=1)
    smooth = ((s2[:, None] - s1[:, None] * distance) * weight) @ values / (s0 * s2 - s1**2)
    offset = np.zeros(len(lines))
    offset[known] = values - smooth
    offset[known] -= offset[known].mean()
    # The median of n normal readings has sqrt(pi / 2 / n) of their standard deviation.
    count = np.maximum(np.count_nonzero(np.isfinite(matrix), axis=1), 1)
    sd = MAD_TO_SD * row_median(np.abs(matrix - middle[:, None]))
    return offset, np.nan_to_num(sd * np.sqrt(np.pi / 2 / count))


def _location(values: np.ndarray) -> tuple[float, float]:
    """Return Huber's location and the robust standard deviation."""
    centre = np.median(values)
    sd = robust_sd(values - centre)
    # 95 % efficient for normal values (Huber 1964, from memory).
    limit = max(1.345 * sd, 1e-12 * np.max(np.abs(values)), np.finfo(float).tiny)
    for _ in range(SWEEPS):
        weight = limit / np.maximum(np.abs(values - centre), limit)
        before, centre = centre, weight @ values / weight.sum()
        if abs(centre - before) < CLOSE * limit:
            break
    return float(centre), float(sd)
