"""Lines read on one spot: they show nothing but noise where the lines beside them show ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import noise_of_lines
from .neighbour_fit import FALSE_ALARMS
from .order_likelihood import INDEPENDENT_M

WINDOW_M = 1.0
"""Noise is averaged over this length; what the ground changes by is left. Derived: twice the 0.5 m over which coils
blur the ground to be alike, so that features keep most of their height and noise loses two thirds."""
NOISY, SIGNAL = 2.0, 3.0
"""In standard deviations of the averaged noise: most that a line read on one spot changes by, and least that all lines
around it do. Found by tests/calibration/mistakes.py: at most 1.6 +- 0.1 and at least 6 +- 2 on 12 sites; the limits lie
between, the first four spreads above (``stationary``)."""
TIMES = 2.0
"""They change by so many times as much as that line at least. Found by tests/calibration/mistakes.py: at least 6 +- 3
on 12 sites; a third of it for calmer ground (``stationary``)."""
TYPICAL = 0.3
"""And by so much of what half of all lines change by at least: beyond features ground may be as flat as can be. Found
by tests/calibration/mistakes.py: at least 0.4 +- 0.2 on 12 sites (``stationary``)."""
BESIDE = 2
"""Lines on either side that are looked at. Derived: one alone may cross something small; a feature of a metre spans
three lines half a metre apart."""


@dataclass(frozen=True)
class Still:
    """A line that does not change.

    Attributes
    ----------
    line : int
        Its index in the matrix.
    own, beside : float
        What it changes by, and the least that a line around it does; standard deviations.
    gain : float
        Log likelihood gained by noise alone.
    """

    line: int
    own: float
    beside: float
    gain: float


def still_lines(matrix: np.ndarray, step_m: float) -> list[Still]:
    """Return the lines that were read on one spot.

    Parameters
    ----------
    matrix : (L, V) float64
        Lines side by side, outliers left out; NaN where there are no readings.
    step_m : float
        Between readings.

    Notes
    -----
    What a line changes by is the standard deviation of its means over ``WINDOW_M`` about a straight line, for drift is
    no ground. On ground that is flat everywhere nothing is reported, and noise must gain more in log likelihood than
    log(L / ``FALSE_ALARMS``), which short lines seldom do: by Markov's inequality chance does so in one of
    1 / ``FALSE_ALARMS`` grids at most.
    """
    spread = np.array([_spread(line, max(1, round(WINDOW_M / step_m))) for line in matrix])
    noise = noise_of_lines(matrix) * np.sqrt(min(1.0, step_m / WINDOW_M))
    independent = matrix.shape[1] * step_m / INDEPENDENT_M
    found: list[Still] = []
    known = spread[np.isfinite(spread)]
    if noise <= 0 or not len(known):
        return found
    typical = TYPICAL * float(np.median(known))
    for i in np.flatnonzero(spread <= NOISY * noise).tolist():
        around = np.delete(spread, i)[max(0, i - BESIDE) : i + BESIDE]
        around = around[np.isfinite(around)]
        least = float(around.min(initial=np.inf))
        if len(around) >= BESIDE and least >= max(SIGNAL * noise, TIMES * spread[i], typical):
            gain = float(independent * np.log(least / max(float(spread[i]), noise)))
            if gain > np.log(len(matrix) / FALSE_ALARMS):
                found.append(Still(i, float(spread[i]), least, gain))
    return found


def _spread(values: np.ndarray, count: int) -> float:
    """Return the standard deviation of the means of ``count`` values about a straight line; NaN with under four."""
    values = values[np.isfinite(values)]
    values = values[: len(values) // count * count].reshape(-1, count).sum(axis=1) / count
    if len(values) < 4:
        return np.nan
    away = np.arange(len(values)) - (len(values) - 1) / 2
    residual = values - values.sum() / len(values)
    residual -= away * (away @ residual) / (away @ away)
    return float(np.sqrt(residual @ residual / (len(values) - 2)))
