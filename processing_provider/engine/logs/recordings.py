"""Traverses in a log: rows that open them, stations that count on, recordings of the same line parted."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import Mapping, Optional, Sequence

import numpy as np

from ..core import Readings, Run

LARGEST_WHOLE = 2.0**31
"""Whole numbers of lines and recordings stay below it. Derived: they are kept as 32-bit integers with a sign."""
EVEN, EVENLY = 1e-3, 0.9
"""Steps are equal to this fraction of them, and so large a fraction of them is (common practice, no source): the others
are gaps."""
LEAST_READINGS, LEAST_COVER = 3, 0.5
"""Readings of a line, also as a fraction of those of the longest, from which stations alone show it (common practice,
no source): a shorter one may be part of a line that was stopped."""
NEAR_STEPS, NEAR_COVER = 3, 0.1
"""Stations are near each other within so many steps, or this fraction of all (common practice, no source): lines are
opened and closed a few readings off their edges."""
HEADING_WORDS: Mapping[int, tuple[str, ...]] = {
    1: ("out", "outward", "up", "u", "forward", "forth", "fwd", "f", "there", "n", "north", "e", "east", ">", "+"),
    -1: ("back", "backward", "down", "d", "return", "reverse", "rev", "r", "b", "s", "south", "w", "west", "<", "-"),
}
"""Words in opening rows for the way out (1) and back (-1) (common practice, no source)."""


DOWN_WORDS = ("de", "ab", "dé")
"""Beginnings of the words by which the stations of an opening row count down: decreasing, descending, absteigend
(common practice, no source)."""


@dataclass(frozen=True)
class Opening:
    """A row that opens a traverse.

    Attributes
    ----------
    before : int
        How many rows with readings stand above it in the file.
    line : int
    station : float
        Of the first reading; NaN where the row does not say.
    step : float
        From one reading to the next.
    time : str
        As written.
    heading : int
        1 out, -1 back, 0 unknown.
    grid : str or None
    counts : bool
        Whether the row says how the stations count.
    """

    before: int
    line: int
    station: float
    step: float
    time: str
    heading: int
    grid: Optional[str]
    counts: bool = True


def read_opening(groups: Mapping[str, Optional[str]], before: int, number: int) -> Opening:
    """Return an opening row from the named groups of its expression.

    Without a ``line`` group the traverse takes ``number``, its number among the opening rows. Without a ``step`` the
    stations count on by one, down where the ``end`` lies below the first or a word in place of the step says so.

    Raises
    ------
    ValueError
        When a group that must be a number is none.
    """

    def number_of(group: str, default: float) -> float:
        text = groups.get(group)
        if text and group == "step" and text[0].isalpha():
            return -1.0 if text.lower().startswith(DOWN_WORDS) else 1.0
        return float(text.replace(",", ".")) if text else default

    line = number_of("line", number)
    if not abs(line) < LARGEST_WHOLE or line != int(line):
        raise ValueError(f"line {line} is no whole number")
    station = number_of("station", np.nan)
    down = number_of("end", station) < station
    return Opening(
        before,
        int(line),
        station,
        number_of("step", -1.0 if down else 1.0),
        groups.get("time") or "",
        read_heading(groups.get("heading") or ""),
        groups.get("grid"),
        bool(groups.get("step") or groups.get("end")),
    )


def turn_back(openings: Sequence[Opening], count: int) -> list[Opening]:
    """Return opening rows of which those of the way back count down, where they say no step and start at the far end.

    ``count`` is the number of rows with readings. The lines of the way out show where the near end is.
    """
    near = [o.station for o in openings if o.heading == 1 and np.isfinite(o.station)]
    ends = [*(o.before for o in openings[1:]), count]

    def starts_far(opening: Opening, end: int) -> bool:
        readings = end - opening.before
        return opening.station - float(np.median(near)) >= max(LEAST_COVER * readings, LEAST_READINGS)

    return [
        replace(o, step=-1.0) if near and o.heading == -1 and not o.counts and starts_far(o, end) else o
        for o, end in zip(openings, ends)
    ]


def read_heading(text: str) -> int:
    """Return 1 (out), -1 (back) or 0 (not understood) for the heading of an opening row.

    Understood are words such as out/back, up/down, forward/reverse, the letters N/S and E/W (the first of each pair
    is out) and their words, the signs ``>``/``<`` and ``+``/``-``, the numbers 1/-1, and the degrees 0/180.

    Examples
    --------
    >>> [read_heading(t) for t in ("out", "Back", "N", "-1", "180", "?")]
    [1, -1, 1, -1, -1, 0]
    """
    word = text.strip().lower().rstrip("°")
    for heading, words in HEADING_WORDS.items():
        if word in words:
            return heading
    if re.fullmatch(r"[+-]?\d+([.,]\d*)?", word):
        return {1.0: 1, 0.0: 1, 360.0: 1, -1.0: -1, 180.0: -1}.get(float(word.replace(",", ".")), 0)
    return 0


def number_runs(grid: np.ndarray, line: np.ndarray, opening: np.ndarray, station: np.ndarray) -> np.ndarray:
    """Return (n,) which recording of its line each reading belongs to, from 1.

    Parameters
    ----------
    grid, line : (n,) int
    opening : (n,) int
        Number of the row that opened the traverse; -1 throughout for a log without such rows.
    station : (n,) float

    Notes
    -----
    A recording ends with the next opening row, or where the line number changes. Without opening rows it also ends
    where the stations jump back to near the first one of the recording.
    """
    n = len(line)
    if not n:
        return np.zeros(0, np.int32)
    new = np.ones(n, bool)
    new[1:] = (grid[1:] != grid[:-1]) | (line[1:] != line[:-1]) | (opening[1:] != opening[:-1])
    if np.all(opening < 0):
        new[_restarts(station, np.flatnonzero(new))] = True
    starts = np.flatnonzero(new)
    counts: Counter = Counter()
    runs = np.empty(len(starts), np.int32)
    for i, key in enumerate(zip(grid[starts].tolist(), line[starts].tolist())):
        counts[key] += 1
        runs[i] = counts[key]
    return runs[np.cumsum(new) - 1]


def lines_by_stations(station: np.ndarray) -> Optional[np.ndarray]:
    """Return where lines begin in a log that names none, by the pattern of its stations; None when they show none.

    Parameters
    ----------
    station : (n,) float

    Notes
    -----
    Stations count by one step, up or down. A line begins where they start again near the first of all, or turn and
    count back from near where they stopped; a reading at which they turn without a second one there belongs to
    either line, which proves nothing.
    """
    known = np.flatnonzero(np.isfinite(station))
    steps = np.diff(station[known])
    moved = np.abs(steps[steps != 0])
    if not len(moved):
        return np.zeros(1, np.int64)
    size = float(np.median(moved))
    signs = np.sign(steps)
    changes = np.append(np.flatnonzero(np.diff(signs) != 0) + 1, len(steps))
    starts = [0]
    while True:
        end = (
            int(changes[np.searchsorted(changes, starts[-1], side="right")]) if starts[-1] < len(steps) else len(steps)
        )
        if end >= len(steps):
            break
        starts.append(end + 1)
    return known[starts] if _is_pattern(station[known], np.array(starts), size) else None


def _is_pattern(station: np.ndarray, starts: np.ndarray, size: float) -> bool:
    """Return whether stations count evenly within lines, and each line begins where one of the others has an end."""
    within = np.delete(np.diff(station), starts[1:] - 1)
    counts = np.diff(np.append(starts, len(station)))
    if np.mean(np.abs(np.abs(within) - size) < EVEN * size) < EVENLY or np.any(within == 0):
        return False
    if len(starts) > 1 and np.min(counts[:-1]) < max(LEAST_READINGS, LEAST_COVER * np.max(counts)):
        return False
    for start in starts[1:]:
        jump = station[start] - station[start - 1]
        onward = station[min(start + 1, len(station) - 1)] - station[start]
        way = station[start - 1] - station[start - 2]
        near = max(NEAR_STEPS * size, NEAR_COVER * float(np.ptp(station)))
        turned = onward * way <= 0
        if abs(station[start] - (station[start - 1] if turned else station[0])) > near:
            return False
        if turned and abs(abs(jump) - size) < EVEN * size:
            return False
    return True


def _restarts(station: np.ndarray, starts: np.ndarray) -> list[int]:
    """Return where the stations start again inside a stretch of one line."""
    found = []
    ends = np.append(starts[1:], len(station))
    jumps = _has_jump(station, starts)
    for begin, end in zip(starts[jumps], ends[jumps]):
        steps = np.diff(station[begin:end])
        moved = np.abs(steps[np.isfinite(steps) & (steps != 0)])
        if len(moved) < 3:
            continue
        size, direction = np.median(moved), np.sign(np.nanmedian(np.sign(steps)))
        first = begin
        for i in np.flatnonzero(-direction * steps > 3 * size) + begin:
            covered = abs(station[i] - station[first])
            if abs(station[i + 1] - station[first]) <= max(3 * size, covered / 10):
                found.append(int(i + 1))
                first = i + 1
    return found


def _has_jump(station: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Return which stretches have a step of more than three times their smallest; only these are searched."""
    size = np.abs(np.diff(station, append=np.nan))
    size[starts[1:] - 1] = np.nan
    known = np.isfinite(size) & (size > 0)
    largest = np.maximum.reduceat(np.where(known, size, 0), starts)
    return largest > 3 * np.minimum.reduceat(np.where(known, size, np.inf), starts)


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
