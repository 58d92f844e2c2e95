"""What a log tells of each recording of a line, in a few numbers, beside what the notes say of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional, Sequence, Union

import numpy as np

from ..core import Code, Finding, Note, Readings, Run, Scheme, notes_for
from ..place import REDONE_MARGIN_M, SAME_STATION, note_for_run

Stretch = tuple[float, float]
"""First and last station of a piece of a line."""
MANY = 4
"""So many lines with the same fault have one cause when they are most of the lines; fewer are listed by number."""
WALKED_KINDS = ("survey", "redo")
POSITION_M = 0.05
"""Positions this close are the same: a tape is read to a few centimetres (common practice, no source)."""
CLOCK_S = 1.0
"""A clock read in whole seconds may repeat or swap one."""
FAR_PACE = 1.5
"""Paces that differ by this factor are not one person's walk: 0.8 to 1.2 m/s is usual, a factor of 1.5 from end to
end (common practice, no source)."""


@dataclass(frozen=True)
class RunSummary:
    """One recording of a line.

    Attributes
    ----------
    run : Run
    note : Note or None
        The note that speaks of it.
    kind : str
        survey, redo, void, dummy, tie or base.
    target : int or None
        Line of the scheme that it stands for; None when it stands for none.
    position_m : float
        u (a tie line: v) in metres; NaN when unknown.
    count : int
    first, last : float
        Stations as logged; NaN where the log has none.
    ups, downs : int
        How often the station grows and falls from one reading to the next.
    logged_heading, heading : int
        As the log's opening row says (0 unknown); as it is placed.
    low, high : float
        Smallest and largest station walked, after what the notes say.
    turn : (float, float)
        Station from the start edge = turn[0] + turn[1] * station as logged.
    duration_s : float
        NaN where times are unknown.
    clock_back : bool
        The times run backwards somewhere.
    jumps : tuple of (float, float)
        Stations as logged before and after each step that is not the usual one.
    marks : int
    superseded : bool
        A later recording covers all of it.
    """

    run: Run
    note: Optional[Note]
    kind: str
    target: Optional[int]
    position_m: float
    count: int
    first: float
    last: float
    ups: int
    downs: int
    logged_heading: int
    heading: int
    low: float
    high: float
    turn: tuple[float, float]
    duration_s: float
    clock_back: bool
    jumps: tuple[tuple[float, float], ...]
    marks: int
    superseded: bool = False

    @property
    def line(self) -> int:
        """Recorded line number."""
        return self.run.line

    @property
    def counted(self) -> int:
        """1 when the stations count up, -1 down, 0 when they do not tell."""
        return int(np.sign(self.ups - self.downs))

    @property
    def mixed(self) -> bool:
        """Whether the stations count up for a good part of the line and down for another."""
        return min(self.ups, self.downs) > 0.1 * (self.ups + self.downs)


@dataclass(frozen=True)
class GridLog:
    """The log of one grid as the checks see it.

    Attributes
    ----------
    readings : Readings
    scheme : Scheme
    notes : list of Note
    runs : tuple of RunSummary
        In the order of the log.
    usual_step : float
        By how much the station changes from one reading to the next; NaN without stations.
    """

    readings: Readings
    scheme: Scheme
    notes: list[Note]
    runs: tuple[RunSummary, ...]
    usual_step: float

    @property
    def walked(self) -> list[RunSummary]:
        """Recordings of survey lines, redone ones included."""
        return [r for r in self.runs if r.kind in WALKED_KINDS]

    @property
    def kept(self) -> list[RunSummary]:
        """Recordings that stand for a line of the scheme and that no later one replaces."""
        return [r for r in self.walked if r.target is not None and not r.superseded]

    def finding(
        self,
        code: Code,
        where: Union[RunSummary, int, None],
        found: str,
        expected: str,
        advice: str,
        *,
        severity: str = "",
        walk_again: Optional[bool] = None,
    ) -> Finding:
        """Return a finding about a recording, a line number or (None) the whole grid."""
        line, run = (where.line, where.run.run) if isinstance(where, RunSummary) else (where, None)
        return code.finding(
            found, expected, advice, severity=severity, walk_again=walk_again, grid=self.scheme.grid, line=line, run=run
        )


def summarise(readings: Readings, scheme: Scheme, notes: Sequence[Note]) -> GridLog:
    """Return the recordings of one grid's log in summary; ``readings`` must not be empty."""
    own = notes_for(notes, scheme.grid)
    runs = readings.runs()
    figures, usual = _measure(readings, runs)
    recordings: dict[int, int] = {}
    for run in runs:
        recordings[run.line] = max(run.run, recordings.get(run.line, 0))
    summaries = [_summary(r, f, scheme, note_for_run(own, r.line, r.run, recordings[r.line])) for r, f in figures]
    return GridLog(readings, scheme, own, tuple(_superseded(summaries, scheme)), usual)


def noted_heading(note: Optional[Note]) -> int:
    """Return the heading that a note gives, by word or by its two stations; 0 when it gives none."""
    if note is None:
        return 0
    if note.heading or None in (note.start_station, note.stop_station):
        return note.heading
    return int(np.sign(note.stop_station - note.start_station))


def overlap_m(a: RunSummary, b: RunSummary, scheme: Scheme) -> float:
    """Return the distance in metres that two recordings have in common; zero or less when they have none."""
    return (min(a.high, b.high) - max(a.low, b.low) + 1) * scheme.interval_m


def _measure(readings: Readings, runs: Sequence[Run]) -> tuple[list[tuple[Run, dict]], float]:
    """Return (run, figures) of every run and the usual step, all readings at once."""
    rows = np.concatenate([r.rows for r in runs])
    counts = np.array([len(r.rows) for r in runs])
    starts = np.cumsum(counts) - counts
    station, time = readings.station[rows], readings.time_s[rows]
    inner = np.ones(len(rows), bool)
    inner[starts] = False
    step = np.where(inner, np.diff(station, prepend=np.nan), np.nan)
    sizes = np.abs(step[step != 0])
    usual = float(np.median(sizes[np.isfinite(sizes)])) if np.isfinite(sizes).any() else np.nan
    ups, downs = (np.add.reduceat((s > 0).astype(int), starts) for s in (step, -step))
    along = step * np.repeat(np.sign(ups - downs), counts)
    odd = np.flatnonzero(np.isfinite(step) & (np.abs(along - usual) > SAME_STATION * usual))
    owner = np.searchsorted(starts, odd, side="right") - 1
    jumps: list[list[tuple[float, float]]] = [[] for _ in runs]
    for i, k in zip(odd.tolist(), owner.tolist()):
        jumps[k].append((float(station[i - 1]), float(station[i])))
    mark = np.nan_to_num(readings.extras.get("mark", np.zeros(len(readings)))[rows]).astype(int)
    begun, ended = _ends(time, starts)
    first, last = _ends(station, starts)
    columns = {
        "count": counts,
        "first": first,
        "last": last,
        "smallest": np.fmin.reduceat(station, starts),
        "largest": np.fmax.reduceat(station, starts),
        "ups": ups,
        "downs": downs,
        "logged_heading": readings.heading[rows[starts]],
        "duration_s": ended - begun,
        "clock_back": np.logical_or.reduceat(inner & (np.diff(time, prepend=np.nan) < -CLOCK_S), starts),
        "marks": np.add.reduceat((mark & 1) + (mark >> 1 & 1), starts),
    }
    plain = {name: values.tolist() for name, values in columns.items()}
    plain["jumps"] = [tuple(j) for j in jumps]
    return [(run, {name: values[k] for name, values in plain.items()}) for k, run in enumerate(runs)], usual


def _ends(values: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and last value of every run that is a number; NaN where there is none."""
    known, index = np.isfinite(values), np.arange(len(values))
    first = np.minimum.reduceat(np.where(known, index, len(values)), starts)
    last = np.maximum.reduceat(np.where(known, index, -1), starts)
    some = last >= 0
    return (np.where(some, values[np.where(some, first, 0)], np.nan),
            np.where(some, values[np.where(some, last, 0)], np.nan))  # fmt: skip


def _summary(run: Run, figures: dict, scheme: Scheme, note: Optional[Note]) -> RunSummary:
    kind = note.kind if note else "survey"
    smallest, largest = figures.pop("smallest"), figures.pop("largest")
    counted = int(np.sign(figures["ups"] - figures["downs"]))
    pattern = 1 if kind == "tie" else int(scheme.heading(run.line))
    heading = noted_heading(note) or figures["logged_heading"] or counted or pattern
    edges = scheme.edge_stations(heading, scheme.width_m if kind == "tie" else scheme.length_m)
    start = note.start_station if note else None
    if np.isnan(figures["first"]):
        # Without stations the readings are counted from the start of the line.
        begin = edges[0] if start is None else start
        ends, turn = (begin, begin + heading * (figures["count"] - 1)), (0.0, 1.0)
    else:
        turn = _turn(figures["first"], counted, heading, edges, start)
        ends = (turn[0] + turn[1] * smallest, turn[0] + turn[1] * largest)
    if scheme.pace != "rate" and figures["count"] * FAR_PACE >= scheme.readings_per_line:
        # The readings are stretched over the line, so that their number alone does not make it short.
        ends = edges
    target, position = _target(run, scheme, note, kind)
    return RunSummary(run=run, note=note, kind=kind, target=target, position_m=position, heading=heading,
                      low=min(ends), high=max(ends), turn=turn, **figures)  # fmt: skip


def _turn(first: float, counted: int, heading: int, edges, start: Optional[float]) -> tuple[float, float]:
    """Return how stations as logged become stations from the start edge: as logged, unless the notes differ."""
    turned = counted == -heading
    if start is not None and (turned or abs(start - first) > SAME_STATION):
        sign = heading * (counted or 1)
        return start - sign * first, float(sign)
    return (sum(edges), -1.0) if turned else (0.0, 1.0)


def _target(run: Run, scheme: Scheme, note: Optional[Note], kind: str) -> tuple[Optional[int], float]:
    """Return the scheme's line that a recording stands for, and its position in metres."""
    noted = note.position_m if note else None
    if kind == "tie":
        return None, np.nan if noted is None else noted
    inside = run.line if scheme.has_line(run.line) else None
    if noted is None:
        return inside, float(scheme.position_m(run.line))
    near = int(np.argmin(np.abs(scheme.position_m(scheme.lines) - noted)))
    if abs(scheme.position_m(scheme.lines[near]) - noted) <= POSITION_M:
        inside = int(scheme.lines[near])
    return inside, noted


def _superseded(runs: list[RunSummary], scheme: Scheme) -> list[RunSummary]:
    margin = REDONE_MARGIN_M * scheme.readings_per_m
    low_edge, high_edge = scheme.edge_stations(1)
    by_target: dict[int, list[RunSummary]] = {}
    for run in runs:
        if run.kind in WALKED_KINDS and run.target is not None:
            by_target.setdefault(run.target, []).append(run)

    def covers(later: RunSummary, earlier: RunSummary) -> bool:
        if later.line == earlier.line:
            newer = later.run.run > earlier.run.run
        else:
            newer = later.kind == "redo" and earlier.kind == "survey"
        low, high = max(earlier.low, low_edge), min(earlier.high, high_edge)
        return newer and later.low <= low + margin and later.high >= high - margin

    return [
        replace(run, superseded=True)
        if run.kind in WALKED_KINDS and any(covers(other, run) for other in by_target.get(run.target, ()))
        else run
        for run in runs
    ]


def bare_stretches(log: GridLog, line: int, runs: Sequence[RunSummary]) -> list[Stretch]:
    """Return the stretches of a line without readings of ``runs`` and without a noted obstacle."""
    station = log.scheme.first_station + np.arange(log.scheme.readings_per_line)
    bare = np.ones(len(station), bool)
    for run in runs:
        bare &= (station <= run.low - 1) | (station >= run.high + 1)
    for note in log.notes:
        if note.kind == "obstacle" and note.line in (None, line):
            ends = [s for s in (note.start_station, note.stop_station) if s is not None]
            bare &= (station < min(ends, default=-np.inf) - SAME_STATION) | (
                station > max(ends, default=np.inf) + SAME_STATION
            )
    return [(float(station[a]), float(station[b - 1])) for a, b in blocks(bare)]


def blocks(mask: np.ndarray) -> list[tuple[int, int]]:
    """Return (begin, end) of each unbroken piece of a (n,) bool, end not included."""
    cuts = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return list(zip(cuts[::2].tolist(), cuts[1::2].tolist()))


def length_m_of(log: GridLog, stretch: Stretch) -> float:
    return (stretch[1] - stretch[0] + 1) * log.scheme.interval_m


def grouped(runs: Sequence[RunSummary], key: str) -> dict[int, list[RunSummary]]:
    groups: dict[int, list[RunSummary]] = {}
    for run in runs:
        groups.setdefault(getattr(run, key), []).append(run)
    return groups


def listed(numbers: Sequence[int]) -> str:
    """Return line numbers for a sentence: all of a few, else the first and last."""
    if len(numbers) > MANY:
        return f"{numbers[0]} to {numbers[-1]} ({len(numbers)} lines)"
    return ", ".join(str(n) for n in numbers)


def way(heading: int) -> str:
    return "out" if heading > 0 else "back"
