"""Widths of what is expected of the levels of lines, and of what is left over; all are found from the data."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional

import numpy as np

from ..core import INSTRUMENT, Lines, robust_sd
from .observations import GROUND_M, Model, row_median

GROUND_SHARE = 0.4
"""Largest width of small steps of the ground from line to line, in standard deviations of the offsets."""
SLOPE = 5.0
"""A regional slope across the grid may come to this many standard deviations of the smooth ground."""
DRIFT_SHARE, DRIFT_SPREAD = 2.0, 0.7
"""Drift expected before the data are seen: in standard deviations of the offsets; spread of the logarithm."""
BASE_SHARE = 0.2
"""Scatter of setting the instrument down on the base point, in standard deviations of the offsets."""
LAG_ERRORS = 5.0
"""A lag that is left looks like drift where the ground is bent. Expected is that of an instrument that was not aligned,
or so many standard errors that the contrast along the lines would tell it with: where features could be aligned, they
have been."""


@dataclass(frozen=True)
class Widths:
    """Standard deviations of the priors (``small``: of steps that are no edges), and widths of what is left over."""

    offset: float
    direction: float
    ground: float
    ground_mean: float
    drift: float
    piece: float
    small: float
    ramp: float
    ramp_prior: float
    lag: float
    mark: float = 1.0


def first_widths(model: Model, lines: Lines, matrix: np.ndarray, direction_error: float) -> Optional[Widths]:
    """Return the widths to start with, None on ground without differences between its lines."""
    middle = row_median(matrix[lines.pairs[:, 0]] - matrix[lines.pairs[:, 1]])
    middle = middle[np.isfinite(middle)]
    if not len(middle):
        return None
    centre = np.median(middle) if len(middle) >= 5 else 0.0
    size = np.nanmax(np.abs(matrix))
    offset = max(robust_sd(middle - centre) / np.sqrt(2.0), 1e-9 * size)
    rest = _without_plane(matrix)
    lever = model.share * model.place
    slant = (lever * model.apart).sum(axis=1) / np.maximum((lever * model.place).sum(axis=1), 1e-9)
    ramp = max(robust_sd(slant), 1e-9 * size)
    # The mean of a Gaussian process along a line has less variance than the process, the rest is found along it.
    along = np.linspace(0.0, np.ptp(lines.v), 50)
    mean = np.mean(np.exp(-0.5 * ((along[:, None] - along) / GROUND_M) ** 2))
    ground = robust_sd(rest[np.isfinite(rest)]) / np.sqrt(max(1 - mean, 0.05))
    if not size or offset <= 1e-9 * size:
        return None
    return Widths(offset, direction_error, max(ground, 1e-3 * offset), np.sqrt(mean), DRIFT_SHARE * offset, offset / 2,
                   GROUND_SHARE * offset, ramp, 3 * ramp, _lag_width(model))  # fmt: skip


def _without_plane(matrix: np.ndarray) -> np.ndarray:
    """Return (L, V) lines without their medians and without the slope along the lines that they share."""
    columns = matrix - row_median(matrix)[:, None]
    trend, v = row_median(columns.T), np.arange(matrix.shape[1])
    known = np.isfinite(trend)
    return columns - np.polyval(np.polyfit(v[known], trend[known], 1), v) if known.sum() > 2 else columns


def _lag_width(model: Model) -> float:
    """Return the standard deviation of the lag before the levels are looked at."""
    both = (model.share[:, 1:] > 0) & (model.share[:, :-1] > 0)
    change, lagging = np.diff(model.apart, axis=1)[both], np.diff(model.lagging, axis=1)[both]
    power = np.sum(lagging**2)
    if not power:
        return INSTRUMENT.lag_m
    return float(min(INSTRUMENT.lag_m, LAG_ERRORS * robust_sd(change) / np.sqrt(power)))


def variances_of(model: Model, widths: Widths) -> np.ndarray:
    """Return the prior variances of the unknowns, (N,)."""
    size = max(np.ptp(model.apart) if model.apart.size else 0.0, widths.ground)
    far = 100 * (np.max(np.abs(model.marks.value)) if model.marks and len(model.marks.value) else 0.0) + size
    sizes = {"offset": widths.offset, "direction": max(widths.direction, 0.01 * widths.offset),
             "ground": widths.ground * widths.ground_mean, "slope": SLOPE * widths.ground, "ramp": widths.ramp_prior,
             "lag": max(widths.lag, 1e-6), "drift": widths.drift, "tie": far, "base": far,
             "walk": 1.0}  # fmt: skip
    variances = np.zeros(model.level.shape[1])
    for name, width in sizes.items():
        variances[model.part[name]] = width**2
    return variances


def mark_variance(model: Model, widths: Widths) -> np.ndarray:
    """Return the variances (R,) of what tie crossings and base readings are off."""
    base = model.marks.tie < 0
    floor = np.where(base, BASE_SHARE * widths.offset, 0.01 * widths.offset) ** 2
    variance = model.marks.variance + (model.platform.perhaps_aligned_m * model.marks.along) ** 2
    return np.where(base, 1.0, widths.mark**2) * variance + floor


def new_widths(model: Model, widths: Widths, rest: np.ndarray, ramp_rest: np.ndarray, mark_rest: np.ndarray) -> Widths:
    """Return the widths that fit what is left over; that of the offsets stays, for both run away together."""
    rest = (np.abs(rest) / np.sqrt(model.gap)[:, None]).ravel()
    order = np.argsort(rest)
    share = np.cumsum(model.share.ravel()[order])
    # The median absolute value of a Cauchy distribution is its width.
    piece = max(rest[order][np.searchsorted(share, share[-1] / 2)], 1e-6 * widths.offset)
    ramp = max(np.median(np.abs(ramp_rest)), 1e-6 * widths.ramp)
    mark = widths.mark
    if model.marks is not None and np.count_nonzero(model.marks.tie >= 0) > 5:
        cross = model.marks.tie >= 0
        one = mark_variance(model, replace(widths, mark=1.0))
        mark = np.clip(robust_sd(mark_rest[cross] / np.sqrt(one[cross])), 0.3, 5.0)
    # Narrowed step by step: what the wide steps left of the offsets would be taken for edges.
    small = np.clip(2 * piece, widths.small / 2, GROUND_SHARE * widths.offset)
    return replace(widths, piece=piece, small=float(small), ramp=ramp, mark=float(mark))
