"""How fast recordings were walked: what a lag, which is a time, makes in metres on each of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ..core import GridStore, Lines, Readings, kind_code, median

STRETCHES = 8
"""The pace of a recording comes from the time of stretches an eighth as long as itself. Derived: a pause lies in one of
eight, which the middle half of them does not see, and clocks of a whole second time a stretch of 3 s to a tenth."""
OTHER_PACE = 3.0
"""A line this many times faster or slower than most has a wrong clock. Derived: people walk at 0.5 to 1.5 m/s."""


@dataclass(frozen=True)
class Clock:
    """What lags of a survey are counted in.

    Attributes
    ----------
    seconds : bool
        Whether in seconds; else the log has no times, and they are counted in readings.
    typical_m : float
        Median over the lines of what they cover in one of these, metres.
    """

    seconds: bool
    typical_m: float

    def ratios(self, readings: Readings) -> np.ndarray:
        """Return (n,) how much faster than the typical line each reading of a grid was walked; 1 where unknown."""
        number, paces, _ = _paces(readings, self.seconds)
        ratio = paces / self.typical_m
        with np.errstate(invalid="ignore"):
            known = (ratio > 1 / OTHER_PACE) & (ratio < OTHER_PACE)
        return np.where(known, ratio, 1.0)[number]

    def seconds_of(self, shift_m: Optional[float]) -> Optional[float]:
        """Return the lag in seconds that a shift at the median speed is for; None where either is not known."""
        return None if shift_m is None or not self.seconds else -shift_m / self.typical_m

    def readings_of(self, shift_m: Optional[float]) -> Optional[float]:
        """Return the lag in readings where the log has no times, else None."""
        return None if shift_m is None or self.seconds else -shift_m / self.typical_m


def clock_of(grids: GridStore) -> Clock:
    """Return what the lags of a survey are counted in: seconds where any line has times."""
    for seconds in (True, False):
        found = []
        for _, part in grids.items():
            _, paces, lines = _paces(part, seconds)
            found.append(paces[lines & np.isfinite(paces)])
        known = np.concatenate(found) if found else np.zeros(0)
        if len(known):
            return Clock(seconds, median(known))
    return Clock(False, 1.0)


def by_line(ratio: np.ndarray, lines: Lines) -> np.ndarray:
    """Return (L,) the ratio of each line from those of its readings (n,)."""
    found = np.ones(len(lines))
    rows = np.flatnonzero(lines.owner >= 0)
    found[lines.owner[rows]] = ratio[rows]
    return found


def along_of(readings: Readings) -> np.ndarray:
    """Return (n,) positions along the recordings in metres: u of ties, v of all others."""
    return np.where(readings.kind == kind_code("tie"), readings.u_m, readings.v_m)


def _paces(readings: Readings, seconds: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the recording of each reading (n,), metres a second (or a reading) of each, and which are survey lines."""
    order, in_order = readings.in_runs()
    number = np.empty(len(order), int)
    number[order] = in_order
    count = int(in_order[-1]) + 1 if len(order) else 0
    along, ticks = along_of(readings), readings.time_s if seconds else readings.seq.astype(float)
    known = np.isfinite(along[order]) & np.isfinite(ticks[order])
    rows, owner = order[known], in_order[known]
    starts = np.searchsorted(owner, np.arange(count + 1))
    paces = np.full(count, np.nan)
    for k, (begin, end) in enumerate(zip(starts, starts[1:])):
        lag = max(1, (end - begin) // STRETCHES)
        mine = rows[begin:end]
        if len(mine) > lag:
            paces[k] = _pace(along[mine], ticks[mine], lag)
    survey = np.zeros(count, bool)
    survey[number[readings.kind == kind_code("survey")]] = True
    return number, paces, survey


def _pace(along: np.ndarray, ticks: np.ndarray, lag: int) -> float:
    """Return metres covered in one tick by the middle half of all stretches of so many readings; NaN where none are."""
    far, took = median(np.abs(along[lag:] - along[:-lag])), np.sort(ticks[lag:] - ticks[:-lag])
    quarter = len(took) // 4
    time = float(took[quarter : len(took) - quarter].mean())
    return far / time if far > 0 and time > 0 else np.nan
