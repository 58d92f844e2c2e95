"""Prior standard deviations and residual scales of the levelling model, estimated from the data."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional

import numpy as np

from ..core import INSTRUMENT, Lines, Platform, robust_sd
from .observations import GEOLOGY_M, Model, row_median
from .tie_crossovers import Controls

STEP_FRACTION = 0.4
"""Largest standard deviation of small steps of the signal from line to line, in those of the offsets. Found by
tests/calibration/balance.py: as good as 0.1 and 0.2, whose levels err as much to 0.4 %; of 0.8 by 1 % more."""
SLOPE = 5.0
"""Prior standard deviation of a slope across the grid, in those of smooth geology. Derived: weak, so that the data
decide: a grid of 20 to 40 m holds 3 to 6 correlation lengths, over each of which geology changes by about its standard
deviation."""
DRIFT_RATIO, DRIFT_LOG_SD = 2.0, 0.7
"""Prior of the standard deviation of drift: median in those of the offsets, and standard deviation of its logarithm (a
factor of 2 either way). Common practice, no source: drift over ten minutes is about twice as large as stripes."""
BASE_RATIO = 0.2
"""Scatter of setting the instrument down on the base point, in standard deviations of the offsets. Common practice, no
source: a fifth of what lifting and turning it does to a line."""
LAG_ERRORS = 5.0
"""A lag that alignment left looks like drift where the signal is curved. Its prior standard deviation is that of an
instrument that was not aligned, or so many standard errors with which contrast along the lines would show it: where
features could be aligned, they have been. Found by tests/calibration/balance.py: as good as 1, better than 20."""


@dataclass(frozen=True)
class Scales:
    """Prior standard deviations of the unknowns and scales of the residuals.

    Attributes
    ----------
    offset, direction, drift, lag : float
        Offsets of lines, the offset between the directions, drift, and a lag in metres.
    geology, geology_mean : float
        Smooth geology, and the fraction of its standard deviation that is left in the mean along a line.
    piece, ramp : float
        Scales of the Cauchy errors of pieces and of ramps.
    small, ramp_prior : float
        Steps of the signal between lines that are no edges, and smooth ramps.
    control : float
        Factor on the standard deviations of crossovers.
    """

    offset: float
    direction: float
    geology: float
    geology_mean: float
    drift: float
    piece: float
    small: float
    ramp: float
    ramp_prior: float
    lag: float
    control: float = 1.0


def first_scales(
    model: Model, lines: Lines, matrix: np.ndarray, direction_error: float, most: float = np.inf
) -> Optional[Scales]:
    """Return the scales to start with, None where lines do not differ; offsets have ``most`` where ridges are known."""
    middle = row_median(matrix[lines.pairs[:, 0]] - matrix[lines.pairs[:, 1]])
    middle = middle[np.isfinite(middle)]
    if not len(middle):
        return None
    centre = np.median(middle) if len(middle) >= 5 else 0.0
    size = np.nanmax(np.abs(matrix))
    offset = float(max(min(robust_sd(middle - centre) / np.sqrt(2.0), most), 1e-9 * size))
    residual = _without_plane(matrix)
    lever = model.fraction * model.from_middle
    slant = (lever * model.difference).sum(axis=1) / np.maximum((lever * model.from_middle).sum(axis=1), 1e-9)
    ramp = float(max(robust_sd(slant), 1e-9 * size))
    # The mean of a Gaussian process along a line has less variance than the process; what is left is seen along it.
    along = np.linspace(0.0, np.ptp(lines.v), 50)
    mean = np.mean(np.exp(-0.5 * ((along[:, None] - along) / GEOLOGY_M) ** 2))
    geology = robust_sd(residual[np.isfinite(residual)]) / np.sqrt(max(1 - mean, 0.05))
    if not size or robust_sd(middle - centre) <= 2e-9 * size:
        return None
    return Scales(
        offset=offset,
        direction=direction_error,
        geology=float(max(geology, 1e-3 * offset)),
        geology_mean=float(np.sqrt(mean)),
        drift=DRIFT_RATIO * offset,
        piece=offset / 2,
        small=STEP_FRACTION * offset,
        ramp=ramp,
        ramp_prior=3 * ramp,
        lag=_lag_sd(model),
    )


def _without_plane(matrix: np.ndarray) -> np.ndarray:
    """Return (L, V) lines without their medians and without the slope along the lines that they share."""
    columns = matrix - row_median(matrix)[:, None]
    trend, v = row_median(columns.T), np.arange(matrix.shape[1])
    known = np.isfinite(trend)
    return columns - np.polyval(np.polyfit(v[known], trend[known], 1), v) if known.sum() > 2 else columns


def _lag_sd(model: Model) -> float:
    """Return the standard deviation of the lag before the levels are looked at."""
    both = (model.fraction[:, 1:] > 0) & (model.fraction[:, :-1] > 0)
    change, lag_effect = np.diff(model.difference, axis=1)[both], np.diff(model.lag_effect, axis=1)[both]
    power = np.sum(lag_effect**2)
    if not power:
        return INSTRUMENT.lag_m
    return float(min(INSTRUMENT.lag_m, LAG_ERRORS * robust_sd(change) / np.sqrt(power)))


def variances_of(model: Model, scales: Scales) -> np.ndarray:
    """Return the prior variances of the unknowns, (N,)."""
    size = max(np.ptp(model.difference) if model.difference.size else 0.0, scales.geology)
    far = 100 * (np.max(np.abs(model.controls.value)) if model.controls and len(model.controls.value) else 0.0) + size
    sds = {"offset": scales.offset, "direction": max(scales.direction, 0.01 * scales.offset),
           "geology": scales.geology * scales.geology_mean, "slope": SLOPE * scales.geology, "ramp": scales.ramp_prior,
           "lag": max(scales.lag, 1e-6), "drift": scales.drift, "ridges": 1.0, "tie": far, "base": far,
           "walk": 1.0}  # fmt: skip
    variances = np.zeros(model.level.shape[1])
    for name, sd in sds.items():
        variances[model.part[name]] = sd**2
    return variances


def control_variance(controls: Controls, scales: Scales, platform: Platform) -> np.ndarray:
    """Return the variances (R,) of the errors of crossovers and base readings."""
    base = controls.tie < 0
    floor = np.where(base, BASE_RATIO * scales.offset, 0.01 * scales.offset) ** 2
    variance = controls.variance + (platform.aligned_m * controls.slope_along_line) ** 2
    return np.where(base, 1.0, scales.control**2) * variance + floor


def updated_scales(
    model: Model, scales: Scales, residual: np.ndarray, ramp_residual: np.ndarray, control_residual: np.ndarray
) -> Scales:
    """Return the scales of the residuals; that of the offsets stays, for both run away together.

    Parameters
    ----------
    model : Model
    scales : Scales
    residual : (P, M) float64
        Of the pieces.
    ramp_residual, control_residual : (P,) and (R,) float64
    """
    size = (np.abs(residual) / np.sqrt(model.gap)[:, None]).ravel()
    order = np.argsort(size)
    fraction = np.cumsum(model.fraction.ravel()[order])
    # The median absolute value of a Cauchy distribution is its scale.
    piece = float(max(size[order][np.searchsorted(fraction, fraction[-1] / 2)], 1e-6 * scales.offset))
    ramp = float(max(np.median(np.abs(ramp_residual)), 1e-6 * scales.ramp))
    control, controls = scales.control, model.controls
    if controls is not None and np.count_nonzero(controls.tie >= 0) > 5:
        cross = controls.tie >= 0
        one = control_variance(controls, replace(scales, control=1.0), model.platform)
        control = float(np.clip(robust_sd(control_residual[cross] / np.sqrt(one[cross])), 0.3, 5.0))
    # Halved at most in each sweep: what large steps left of the offsets would be taken for edges.
    small = float(np.clip(2 * piece, scales.small / 2, STEP_FRACTION * scales.offset))
    return replace(scales, piece=piece, small=small, ramp=ramp, control=control)
