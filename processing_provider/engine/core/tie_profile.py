"""Recordings of ties and base readings, and what a tie and the lines read at their crossovers."""

from __future__ import annotations

import numpy as np

from .columns import flag_bit, kind_code
from .lines import LEAST_STEP_M, MIN_READINGS, Lines
from .readings import Readings
from .walk_model import INSTRUMENT

HALF_WINDOW_M = INSTRUMENT.resolution_m / 2
"""Readings this near to a crossover, in metres, are averaged for it. Derived: readings within the resolution of the
coils see much the same (0.25 m either way)."""


def half_window(step_m: float) -> float:
    """Return how near to a crossover readings are averaged for it, in metres.

    One reading on either side at least, so that lines of readings ``step_m`` metres from each other have some there.
    """
    return max(HALF_WINDOW_M, step_m)


def recordings(readings: Readings, kind: str, values: np.ndarray) -> list[np.ndarray]:
    """Return the rows of each recording of a kind.

    Parameters
    ----------
    readings : Readings
    kind : str
        ``tie`` or ``base``; base readings need no position.
    values : (n,) float64
        Channel of all readings; NaN = no reading.
    """
    known = np.isfinite(values)
    if kind == "tie":
        known &= readings.in_use & np.isfinite(readings.u_m) & np.isfinite(readings.v_m)
    else:
        known &= (readings.flag & ~np.uint16(flag_bit("unplaced"))) == 0
    mine = np.flatnonzero(known & (readings.kind == kind_code(kind)))
    runs = [mine[run.rows] for run in readings.take(mine).runs()] if len(mine) else []
    return [rows for rows in runs if len(rows) >= MIN_READINGS]


def is_across(readings: Readings, lines: Lines, rows: np.ndarray) -> bool:
    """Return whether a recording runs across the lines of its grid."""
    return bool(np.ptp(readings.u_m[rows]) > np.ptp(readings.v_m[rows])) and len(lines) > 0


def profile_of(readings: Readings, values: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return the rows of a tie in order of u, their u in metres, the smoothed values and their slope per metre.

    Where two readings have one position there is no slope: it is 0.
    """
    order = rows[np.argsort(readings.u_m[rows], kind="stable")]
    u = readings.u_m[order]
    smooth = running_mean(u, values[order], HALF_WINDOW_M)
    return order, u, smooth, np.gradient(smooth, u) if np.all(np.diff(u) > LEAST_STEP_M) else np.zeros(len(u))


def lines_at(lines: Lines, matrix: np.ndarray, v_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return values of the lines (L,) at a position along the traverses, and their first and second derivatives."""
    reach = half_window(lines.step_m)
    before, level, after = (
        mean_within(lines.v, matrix, v_m + low, v_m + high)
        for low, high in ((-2 * reach, 0.0), (-reach, reach), (0.0, 2 * reach))
    )
    return level, (after - before) / (2 * reach), (after + before - 2 * level) / reach**2


def mean_within(v: np.ndarray, matrix: np.ndarray, low: float, high: float) -> np.ndarray:
    """Return the mean of each row (L, V) between two positions along ``v`` (V,), NaN without a value there."""
    part = matrix[:, (v >= low - 1e-9) & (v <= high + 1e-9)]
    count = np.count_nonzero(np.isfinite(part), axis=1)
    return np.where(count > 0, np.nansum(part, axis=1) / np.maximum(count, 1), np.nan)


def running_mean(u: np.ndarray, values: np.ndarray, reach: float) -> np.ndarray:
    """Return the mean of the values (n,) within ``reach`` metres of each; ``u`` (n,) ascends."""
    total = np.concatenate([[0.0], np.cumsum(values - values.mean())])
    low, high = np.searchsorted(u, u - reach - 1e-9), np.searchsorted(u, u + reach + 1e-9)
    return values.mean() + (total[high] - total[low]) / (high - low)
