"""Each recording of a line in a few numbers, beside what the notes say of it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Optional, Sequence

import numpy as np

from ..core import Note, Readings, Run, Scheme
from ..place import REDONE_MARGIN_M, SAME_STATION, noted_start

WALKED_KINDS = ("survey", "redo")
POSITION_M = 0.05
"""Positions this close are the same: a tape is read to a few centimetres (common practice, no source)."""
CLOCK_S = 1.0
"""Times may fall by this much from one reading to the next. Derived: a clock that is read in whole seconds, by a logger
that stores readings in another order than it takes them, swaps neighbouring seconds."""
PAUSE_S = 5.0
"""Who takes no reading for longer than this stands still. Derived: it is several times the seconds between two readings
of the slowest rate in use, one a second."""
FAR_PACE = 1.5
"""Paces that differ by this factor are not one person's walk: 0.8 to 1.2 m/s is common, a factor of 1.5 from end to
end (common practice, no source)."""
MIXED = 0.1
"""Stations count both ways where more than this fraction of their steps goes against the others: single wrong stations
do not, a logger that ran on while turning does (common practice, no source)."""


@dataclass(frozen=True)
class RunFigures:
    """One recording of a line as logged.

    Attributes
    ----------
    run : Run
    count : int
        Readings.
    first, last, smallest, largest : float
        Stations; NaN where the log has none.
    ups, downs : int
        How often the station grows and falls from one reading to the next.
    logged_heading : int
        As the log's opening row says, 0 unknown.
    duration_s : float
        NaN where times are unknown.
    pauses : int
        How often readings stopped for longer than ``PAUSE_S``; the pauses are no part of ``duration_s``.
    elapsed_s : float
        From the first reading to the last one, pauses included.
    clock_back : bool
        The times run backwards somewhere.
    jumps : tuple of (float, float)
        Stations before and after each step that is not the common one.
    marks : int
        Fiducials.
    """

    run: Run
    count: int
    first: float
    last: float
    smallest: float
    largest: float
    ups: int
    downs: int
    logged_heading: int
    duration_s: float
    pauses: int
    elapsed_s: float
    clock_back: bool
    jumps: tuple[tuple[float, float], ...]
    marks: int

    @property
    def line(self) -> int:
        """Recorded line number."""
        return self.run.line

    @property
    def counted(self) -> int:
        """1 when the stations count up, -1 down, 0 when they do not show it."""
        return int(np.sign(self.ups - self.downs))

    @property
    def mixed(self) -> bool:
        """Whether the stations count up for a good part of the line and down for another."""
        return min(self.ups, self.downs) > MIXED * (self.ups + self.downs)

    @property
    def seen_heading(self) -> int:
        """Heading by the log: by its opening row, else by the way it counts; 0 when it gives none."""
        return self.logged_heading or (0 if self.mixed else self.counted)


@dataclass(frozen=True)
class RunSummary(RunFigures):
    """One recording of a line, as logged and as it is meant.

    Attributes
    ----------
    note : Note or None
        The note that speaks of it.
    kind : str
        survey, redo, void, dummy, tie or base.
    target : int or None
        Line of the scheme whose ground it shows; None when it shows none.
    position_m : float
        u (a tie line: v) in metres; NaN when unknown.
    heading : int
        As it is placed.
    low, high : float
        Smallest and largest station walked, after what the notes say.
    turn : (float, float)
        Station from the start edge = turn[0] + turn[1] * station as logged.
    superseded : bool
        A later recording covers all of it.
    """

    note: Optional[Note]
    kind: str
    target: Optional[int]
    position_m: float
    heading: int
    low: float
    high: float
    turn: tuple[float, float]
    superseded: bool = False

    def from_start(self, station: float) -> float:
        """Return the station from the start edge of a station as logged."""
        return self.turn[0] + self.turn[1] * station

    @property
    def note_position(self) -> Optional[float]:
        """Position that the notes give, in metres; None where they give none."""
        return self.note.position_m if self.note else None

    @property
    def walked(self) -> bool:
        """Whether it is a survey line, walked for the first time or again."""
        return self.kind in WALKED_KINDS


def figures_of(readings: Readings, runs: Sequence[Run]) -> tuple[list[RunFigures], float]:
    """Return the figures of every recording, and by how much the station commonly changes; all readings at once."""
    rows = np.concatenate([r.rows for r in runs])
    counts = np.array([len(r.rows) for r in runs])
    starts = np.cumsum(counts) - counts
    station, time = readings.station[rows], readings.time_s[rows]
    inner = np.ones(len(rows), bool)
    inner[starts] = False
    step = np.where(inner, np.diff(station, prepend=np.nan), np.nan)
    sizes = np.abs(step[step != 0])
    common = float(np.median(sizes[np.isfinite(sizes)])) if np.isfinite(sizes).any() else np.nan
    ups, downs = (np.add.reduceat((s > 0).astype(int), starts) for s in (step, -step))
    along = step * np.repeat(np.sign(ups - downs), counts)
    odd = np.flatnonzero(np.isfinite(step) & (np.abs(along - common) > SAME_STATION * common))
    owner = np.searchsorted(starts, odd, side="right") - 1
    jumps: list[list[tuple[float, float]]] = [[] for _ in runs]
    for i, k in zip(odd.tolist(), owner.tolist()):
        jumps[k].append((float(station[i - 1]), float(station[i])))
    mark = np.nan_to_num(readings.extras.get("mark", np.zeros(len(readings)))[rows]).astype(int)
    marks = np.add.reduceat((mark & 1) + (mark >> 1 & 1), starts)
    back = np.logical_or.reduceat(inner & (np.diff(time, prepend=np.nan) < -CLOCK_S), starts)
    (first, last), (begun, ended) = _ends(station, starts), _ends(time, starts)
    waited = np.where(inner, np.diff(time, prepend=np.nan), np.nan)
    paused = waited > PAUSE_S
    stood, pauses = (np.add.reduceat(x, starts) for x in (np.where(paused, waited, 0.0), paused.astype(int)))
    smallest, largest = np.fmin.reduceat(station, starts), np.fmax.reduceat(station, starts)
    heading = readings.heading[rows[starts]]
    return [
        RunFigures(run, int(counts[k]), float(first[k]), float(last[k]), float(smallest[k]), float(largest[k]),
                   int(ups[k]), int(downs[k]), int(heading[k]), float(ended[k] - begun[k] - stood[k]),
                   int(pauses[k]), float(ended[k] - begun[k]), bool(back[k]),
                   tuple(jumps[k]), int(marks[k]))
        for k, run in enumerate(runs)
    ], common  # fmt: skip


def _ends(values: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and last value of every run that is a number; NaN where there is none."""
    known, index = np.isfinite(values), np.arange(len(values))
    first = np.minimum.reduceat(np.where(known, index, len(values)), starts)
    last = np.maximum.reduceat(np.where(known, index, -1), starts)
    some = last >= 0
    return (np.where(some, values[np.where(some, first, 0)], np.nan),
            np.where(some, values[np.where(some, last, 0)], np.nan))  # fmt: skip


def summary_of(figures: RunFigures, scheme: Scheme, note: Optional[Note]) -> RunSummary:
    """Return a recording as it is meant, by the note that speaks of it and by the scheme."""
    kind = note.kind if note else "survey"
    pattern = 1 if kind == "tie" else int(scheme.heading(figures.line))
    heading = (note.direction if note else 0) or figures.logged_heading or figures.counted or pattern
    edges = scheme.edge_stations(heading, scheme.width_m if kind == "tie" else scheme.length_m)
    start = note.start_station if note else None
    if np.isnan(figures.first):
        # Without stations the readings are counted from the start of the line.
        begin = edges[0] if start is None else start
        ends, turn = (begin, begin + heading * (figures.count - 1)), (0.0, 1.0)
    else:
        start = noted_start(note, figures.first, figures.last, scheme)
        turn = _turn(figures, heading, edges, start)
        ends = (turn[0] + turn[1] * figures.smallest, turn[0] + turn[1] * figures.largest)
    if scheme.pace != "rate" and figures.count * FAR_PACE >= scheme.readings_per_line:
        # The readings are stretched over the line, so that their number alone does not make it short.
        ends = edges
    target, position = _target(figures.line, scheme, note, kind)
    as_logged = {item.name: getattr(figures, item.name) for item in fields(RunFigures)}
    return RunSummary(**as_logged, note=note, kind=kind, target=target, position_m=position, heading=heading,
                      low=min(ends), high=max(ends), turn=turn)  # fmt: skip


def _turn(figures: RunFigures, heading: int, edges: tuple[float, float], start: Optional[float]) -> tuple[float, float]:
    """Return how stations as logged become stations from the start edge: as logged, unless the notes differ."""
    turned = figures.counted == -heading
    if start is not None and (turned or abs(start - figures.first) > SAME_STATION):
        sign = heading * (figures.counted or 1)
        return start - sign * figures.first, float(sign)
    return (sum(edges), -1.0) if turned else (0.0, 1.0)


def _target(line: int, scheme: Scheme, note: Optional[Note], kind: str) -> tuple[Optional[int], float]:
    """Return the scheme's line whose ground a recording shows, and its position in metres."""
    noted = note.position_m if note else None
    if kind == "tie":
        return None, np.nan if noted is None else noted
    inside = line if scheme.has_line(line) else None
    if noted is None:
        return inside, float(scheme.position_m(line))
    near = int(np.argmin(np.abs(scheme.position_m(scheme.lines) - noted)))
    if abs(float(scheme.position_m(scheme.lines[near])) - noted) <= POSITION_M:
        inside = int(scheme.lines[near])
    return inside, noted


def with_superseded(runs: Sequence[RunSummary], scheme: Scheme) -> list[RunSummary]:
    """Return the recordings, with a mark on those that a later one covers from edge to edge."""
    margin = REDONE_MARGIN_M * scheme.readings_per_m
    low_edge, high_edge = scheme.edge_stations(1)
    by_target: dict[int, list[RunSummary]] = {}
    for run in runs:
        if run.walked and run.target is not None:
            by_target.setdefault(run.target, []).append(run)

    def covers(later: RunSummary, earlier: RunSummary) -> bool:
        if later.line == earlier.line:
            newer = later.run.run > earlier.run.run
        else:
            newer = later.kind == "redo" and earlier.kind == "survey"
        low, high = max(earlier.low, low_edge), min(earlier.high, high_edge)
        return newer and later.low <= low + margin and later.high >= high - margin

    def is_covered(run: RunSummary) -> bool:
        others = by_target.get(run.target, ()) if run.walked and run.target is not None else ()
        return any(covers(other, run) for other in others)

    return [replace(run, superseded=True) if is_covered(run) else run for run in runs]
