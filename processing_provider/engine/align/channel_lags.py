"""Channels whose lag differs from that of the others: their values move along the recordings."""

from __future__ import annotations

import numpy as np

from ..core import MAX_GAP_STEPS, Readings, flag_bit, median
from .pace import along_of
from .walk import values_at

WRONG = ("outlier", "missing", "overrange")
"""Flags of readings whose values lie between no others. Derived: what else is flagged was read, though out of use."""


def moved_values(readings: Readings, channel: str, move_m: np.ndarray) -> np.ndarray:
    """Return (n,) the values of a channel moved along the recordings, forward by ``move_m`` (n,) metres.

    Between readings they are cubic, beside readings out of use linear, and NaN beyond the ends of a recording. Readings
    that are not on their way (base readings) keep their values.

    Parameters
    ----------
    readings : Readings
        Of one grid.
    channel : str
    move_m : (n,) float64
        Along the heading.
    """
    values = readings.channels[channel]
    order, number = readings.in_runs()
    along = along_of(readings) * readings.heading
    bad = readings.flag & sum(flag_bit(word) for word in WRONG) != 0
    good = np.isfinite(values) & ~bad
    moved = values.copy()
    for rows in np.split(order, np.flatnonzero(np.diff(number)) + 1):
        rows = rows[(readings.heading[rows] != 0) & np.isfinite(along[rows])]
        if len(rows) > 1 and np.any(move_m[rows]):
            moved[rows] = _along(along[rows], values[rows], good[rows], along[rows] - move_m[rows])
    return moved


def _along(along: np.ndarray, values: np.ndarray, good: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Return (n,) values at ``wanted`` between readings at ``along``, of which some are ``good``."""
    step = median(np.abs(np.diff(along)))
    if np.count_nonzero(good) < 2 or not step > 0 or np.any(np.diff(along) <= 0):
        return np.full(len(along), np.nan)
    at = along[good]
    right = np.clip(np.searchsorted(at, wanted - 1e-6 * step), 1, len(at) - 1)
    inside = (wanted >= at[0] - 1e-6 * step) & (wanted <= at[-1] + 1e-6 * step)
    near = inside & (at[right] - at[right - 1] < MAX_GAP_STEPS * step)
    straight = np.where(near, np.interp(wanted, at, values[good]), np.nan)
    if len(along) < 4:
        return straight
    index = np.interp(wanted, along, np.arange(len(along)))
    left = np.clip(np.floor(index).astype(int), 1, len(along) - 3)
    four = good[left - 1] & good[left] & good[left + 1] & good[left + 2]
    return np.where(near & four, values_at(np.where(good, values, 0.0)[None], index[None])[0], straight)
