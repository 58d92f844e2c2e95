"""What a profile shows of a recording: places or times, values as logged and corrected, and flags."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterable, Optional, Sequence

import numpy as np

from ...processing_provider.engine.core import Key, Readings, Run, kind_code

DISTANCE, TIME = "distance", "time"
LOGGED, CORRECTED, DIFFERENCE = "logged", "corrected", "difference"


@dataclass(frozen=True)
class Trace:
    """One recording of a line, in walking order.

    Attributes
    ----------
    key : (grid, line, run)
    x : (n,) float64
        Metres along the traverse (a tie line: along the baseline), or seconds since midnight; NaN where unknown.
    logged, corrected : (n,) float64
        Values of the channel.
    flag : (n,) uint16
    seq : (n,) int32
    station : (n,) float64
    position : (n, 2) float64
        Map position in the survey's CRS.
    """

    key: Key
    x: np.ndarray
    logged: np.ndarray
    corrected: np.ndarray
    flag: np.ndarray
    seq: np.ndarray
    station: np.ndarray
    position: np.ndarray

    @property
    def in_use(self) -> np.ndarray:
        """(n,) bool: readings without any flag."""
        return self.flag == 0

    def values(self, kind: str) -> np.ndarray:
        """Return values as logged, corrected, or corrected minus logged; (n,)."""
        if kind == DIFFERENCE:
            return self.corrected - self.logged
        return self.logged if kind == LOGGED else self.corrected

    def nearest(self, x: float) -> Optional[int]:
        """Return the index of the reading nearest to a place on the axis; None when none has a place."""
        distance = np.abs(self.x - x)
        return int(np.nanargmin(distance)) if np.isfinite(distance).any() else None

    def between(self, one: float, other: float) -> Optional[tuple[int, int]]:
        """Return the first and last ``seq`` of the readings between two places on the axis; None when none is."""
        inside = (self.x >= min(one, other)) & (self.x <= max(one, other))
        return (int(self.seq[inside].min()), int(self.seq[inside].max())) if inside.any() else None


def trace_of(placed: Readings, corrected: Readings, run: Run, channel: str, axis: str) -> Trace:
    """Return the trace of a recording.

    Parameters
    ----------
    placed, corrected : Readings
        The same readings in the same order, before and after the corrections.
    run : Run
        Of ``corrected``.
    channel : str
    axis : {'distance', 'time'}
    """
    rows = run.rows
    if axis == TIME:
        x = corrected.time_s[rows]
    else:
        tie = corrected.kind[rows] == kind_code("tie")
        x = np.where(tie, corrected.u_m[rows], corrected.v_m[rows])
    return Trace(
        key=(run.grid, run.line, run.run),
        x=x,
        logged=placed.raw.get(channel, placed.channels[channel])[rows],
        corrected=corrected.channels[channel][rows],
        flag=corrected.flag[rows],
        seq=corrected.seq[rows],
        station=corrected.station[rows],
        position=np.stack([corrected.x[rows], corrected.y[rows]], axis=1),
    )


def neighbours(readings: Readings, runs: Sequence[Run], chosen: Run) -> list[Run]:
    """Return the recordings in use beside a line of the survey: nearest below and nearest above in u."""
    position = {id(run): _middle(readings, run, readings.in_use) for run in runs if run.grid == chosen.grid}
    here = _middle(readings, chosen, np.isfinite(readings.u_m))
    sides: dict[float, tuple[float, Run]] = {}
    for run in runs:
        difference = position.get(id(run), np.nan) - here
        if run.line == chosen.line or not np.isfinite(difference) or difference == 0:
            continue
        side = np.sign(difference)
        if side not in sides or abs(difference) < abs(sides[side][0]):
            sides[side] = (difference, run)
    return [run for _, run in sides.values()]


def _middle(readings: Readings, run: Run, wanted: np.ndarray) -> float:
    usable = run.rows[wanted[run.rows] & (readings.kind[run.rows] == kind_code("survey"))]
    return float(np.median(readings.u_m[usable])) if len(usable) else np.nan


def nearest_recording(tables: Iterable[Readings], x: float, y: float, within_m: float) -> Optional[tuple[Key, int]]:
    """Return the recording, and the ``seq``, of the reading nearest to a map position.

    Readings in use are preferred to all others within the distance. None when there is none so near.
    """
    best: Optional[tuple[Key, int]] = None
    rank = (2, within_m)
    for table in tables:
        distance = np.hypot(table.x - x, table.y - y)
        for order, mask in enumerate((table.in_use, ~table.in_use)):
            rows = np.flatnonzero(mask & (distance <= within_m))
            if not len(rows):
                continue
            row = rows[np.argmin(distance[rows])]
            if (order, distance[row]) < rank:
                rank = (order, float(distance[row]))
                best = (table.grids[table.grid[row]], int(table.line[row]), int(table.run[row])), int(table.seq[row])
    return best
