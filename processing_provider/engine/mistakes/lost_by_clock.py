"""Lines in which the logger left out readings, by their times and by where they end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import MAD_TO_SD, Lines, Readings, median, robust_sd

LEAST_LOST = 3.5
"""Least readings that a gap in the times is worth. Common practice, no source: loggers write late by up to some three
readings while they empty a buffer, and catch up."""
JITTER = 6.0
"""Robust standard deviations of the steps of the clock that a gap must exceed. Common practice, no source; the same
number of noise units as an outlier has by default."""
SPREAD_READINGS = 1.0
"""Lines end no more alike than this many readings. Derived: the button is pressed between two readings, at both ends of
a line, so the number of readings is only known to one."""


@dataclass(frozen=True)
class Break:
    """Readings lost within a line.

    Attributes
    ----------
    line : int
        Index of the line.
    station : float
        Of the last reading before the gap.
    lost : float
        Readings lost, by the times.
    gap_s : float
    certainty : float
        Probability that the readings were lost, not that the person stood still with the logger stopped.
    """

    line: int
    station: float
    lost: float
    gap_s: float
    certainty: float


@dataclass(frozen=True)
class Ends:
    """Where lines end.

    Attributes
    ----------
    short : (L,) float64
        Readings by which each line ends short of the others of its direction; NaN for one that has no other.
    spread : (L,) float64
        Robust standard deviation of where those end, in readings.
    """

    short: np.ndarray
    spread: np.ndarray


def ends_of(readings: Readings, lines: Lines) -> Ends:
    """Return where the lines of one grid end."""
    last = np.full(len(lines), -np.inf)
    mine = lines.owner >= 0
    np.maximum.at(last, lines.owner[mine], readings.v_m[mine] * lines.heading[lines.owner[mine]])
    short, spread = np.full((2, len(lines)), np.nan)
    for heading in np.unique(lines.heading):
        same = np.flatnonzero(lines.heading == heading)
        if len(same) > 1:
            others = np.tile(last[same], (len(same), 1))[~np.eye(len(same), dtype=bool)].reshape(len(same), -1)
            middle = np.median(others, axis=1)
            scatter = MAD_TO_SD * np.median(np.abs(others - middle[:, None]), axis=1) / lines.step_m
            short[same], spread[same] = (middle - last[same]) / lines.step_m, np.maximum(scatter, SPREAD_READINGS)
    return Ends(short, spread)


def breaks_of(readings: Readings, rows: Sequence[np.ndarray], ends: Ends, step_m: float) -> list[Break]:
    """Return the lines with lost readings that their stations do not show.

    Parameters
    ----------
    readings : Readings
    rows : sequence of (n,) int
        The readings of each line, in walking order.
    ends : Ends
    step_m : float
        Between readings.

    Notes
    -----
    A gap in the times of a line is lost readings, which let the line end short by as many, or a pause, which does not;
    both are equally likely beforehand. Only one gap a line, its largest, is looked at. See
    ``docs/methods/mistakes.md``.
    """
    found = []
    for i, mine in enumerate(rows):
        gap = _gap(readings, mine, step_m)
        if gap is None:
            continue
        at, lost, seconds = gap
        short, spread = ends.short[i], ends.spread[i]
        if not np.isfinite(short):
            continue
        ratio = (short**2 - (short - lost) ** 2) / (2 * spread**2)
        certainty = float(1 / (1 + np.exp(-np.clip(ratio, -50, 50))))
        if certainty >= 0.5:
            found.append(Break(i, float(readings.station[at]), lost, seconds, certainty))
    return found


def _gap(readings: Readings, rows: np.ndarray, step_m: float) -> Optional[tuple[int, float, float]]:
    """Return (row before the gap, readings lost, seconds) of a line's largest gap in time, None without one.

    Clocks of whole seconds are read at their ticks: as many readings lie between two ticks as between others.
    """
    time, v = readings.time_s[rows], readings.v_m[rows]
    tick = _ticks(time)
    if len(tick) < 8 or not np.isfinite(time).all():
        return None
    time, v = time[tick], v[tick]
    seconds, count = time[1:] - time[:-1], tick[1:] - tick[:-1]
    each = median(seconds / count)
    lost = seconds / each - np.maximum(np.abs(v[1:] - v[:-1]) / step_m, count)
    k = int(lost.argmax())
    # Hardly any line has a gap: medians are only taken where they matter.
    if not lost[k] - lost.min() > LEAST_LOST:
        return None
    middle = median(lost)
    beyond = lost[k] - middle
    if not beyond > LEAST_LOST or not beyond > JITTER * robust_sd(lost - middle):
        return None
    return int(rows[tick[k + 1] - 1]), float(lost[k]), float(seconds[k])


def _ticks(time: np.ndarray) -> np.ndarray:
    """Return the readings at which a clock has gone on, the first one as well where it is not known to be late."""
    if len(time) < 2:
        return np.zeros(0, int)
    step = time[1:] - time[:-1]
    if step.min() > 0:
        return np.arange(len(time))
    tick = np.append(0, np.flatnonzero(step > 0) + 1)
    # The first tick began before the log did.
    return tick[1:] if len(step) - np.count_nonzero(step) > len(time) / 4 else tick
