"""A row a recorded line: what a log has of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import Readings, Run


@dataclass(frozen=True)
class Traverse:
    """One recording of a line as logged.

    Attributes
    ----------
    grid : str
    line, run : int
    readings : int
    first_station, last_station : float
        NaN where the log has no stations.
    start_s, duration_s : float
        Seconds since midnight of the log's first day, and from the first reading to the last; NaN where unknown.
    heading : int
        1 out, -1 back by the opening row, else by the stations; 0 where neither shows it.
    """

    grid: str
    line: int
    run: int
    readings: int
    first_station: float
    last_station: float
    start_s: float
    duration_s: float
    heading: int


def traverses_of(readings: Readings) -> list[Traverse]:
    """Return the recordings of a log in their order."""
    return [_traverse(readings, run) for run in readings.runs()]


def _traverse(readings: Readings, run: Run) -> Traverse:
    ends = run.rows[[0, -1]]
    (first, last), (begun, ended) = readings.station[ends].tolist(), readings.time_s[ends].tolist()
    counted = 0 if np.isnan(last - first) else int(np.sign(last - first))
    heading = int(readings.heading[ends[0]]) or counted
    return Traverse(run.grid, run.line, run.run, len(run.rows), first, last, begun, ended - begun, heading)
