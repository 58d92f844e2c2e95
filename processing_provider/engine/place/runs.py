"""Where one recording of a line lies in its grid: heading, stations, distance along and across."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Optional

import numpy as np

from ..core import UNREADABLE, Code, Finding, Note, Readings, Run, Scheme

SAME_STATION = 0.5
"""Stations closer than this are the same reading. Derived: readings have whole stations, so that two of them are at
least one apart; half of it is the largest limit that takes none for its neighbour."""
PLANNED_M = 0.5
"""A noted start or stop that is farther than this from the log's is another one. Common practice, no source: half a
metre is about half a pace, by which one stops short of an edge."""
EDGE_M = 1e-6
"""Positions this little outside an edge count as on it. Derived: a micrometre is far above the rounding of a sum of
metres in double precision (1e-13 m in a grid of 1 km) and far below what a tape shows."""
BETWEEN = 0.5
"""A fiducial between two readings lies this many readings behind the first. Derived: where between them the mark fell
is not known, and the middle has the smallest largest error."""


def noted_start(note: Optional[Note], first: float, last: float, scheme: Scheme) -> Optional[float]:
    """Return the station from which the notes have a line start; None where they give none that can be right.

    Where a line stopped by the log where its note has it stop, it cannot have started elsewhere with as many readings:
    the note keeps what was planned, and so where the line by the log starts later and stops earlier. Where start and
    stop are those of the log in each other's column, against the noted heading, they were exchanged.

    Parameters
    ----------
    note : Note or None
    first, last : float
        First and last station as logged.
    scheme : Scheme
    """
    if note is None or note.start_station is None or note.stop_station is None or scheme.pace != "rate":
        return note.start_station if note else None
    if ends_exchanged(note, first, last, scheme):
        return None
    way = np.sign(note.stop_station - note.start_station)
    late, early = ((first - note.start_station) * way, (note.stop_station - last) * way)
    planned = late * scheme.interval_m > PLANNED_M and early * scheme.interval_m > PLANNED_M
    at_stop = abs(last - note.stop_station) * scheme.interval_m <= PLANNED_M
    elsewhere = abs(first - note.start_station) * scheme.interval_m > PLANNED_M
    return None if (planned and (last - first) * way > 0) or (at_stop and elsewhere) else note.start_station


def ends_exchanged(note: Note, first: float, last: float, scheme: Scheme) -> bool:
    """Whether the notes have the start of a line as its stop and the stop as its start, against their own heading."""
    start, stop = note.start_station, note.stop_station
    if start is None or stop is None or (stop - start) * note.heading >= 0:
        return False
    return max(abs(start - last), abs(stop - first)) * scheme.interval_m <= PLANNED_M


@dataclass(frozen=True)
class PlacedRun:
    """Where one recording of a line lies, and why.

    Attributes
    ----------
    run : Run
    kind : str
        survey, redo, void, dummy, tie or base, or ``UNREADABLE``.
    heading : int
        1 out (a tie line: along the baseline), -1 back; 0 for base readings.
    station : (n,) float64
        Stations counted from the start edge, after what the notes say.
    along_m : (n,) float64
        Distance of the person from the start edge (a tie line: from the first traverse's edge); NaN when unknown.
    across_m : float
        Position across the walking direction; NaN when unknown.
    findings : tuple of Finding
    """

    run: Run
    kind: str
    heading: int
    station: np.ndarray
    along_m: np.ndarray
    across_m: float
    findings: tuple[Finding, ...] = ()


def place_run(readings: Readings, run: Run, scheme: Scheme, note: Note, marks: Optional[int]) -> PlacedRun:
    """Return where a recording lies; ``marks`` as ``RunPlacer`` has it."""
    if note.kind == "base":
        return PlacedRun(run, "base", 0, readings.station[run.rows], np.full(len(run.rows), np.nan), np.nan)
    placer = RunPlacer(readings, run, scheme, note, marks)
    along, across = placer.along_m(), placer.across_m()
    return PlacedRun(run, note.kind, placer.heading, placer.station, along, across, tuple(placer.findings))


def marked(mark: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the readings of (n,) marks before which and behind which a fiducial fell (1 before, 2 behind, 3 both)."""
    known = np.nan_to_num(mark).astype(int)
    return np.flatnonzero(known & 1), np.flatnonzero(known & 2)


@dataclass(frozen=True)
class RunPlacer:
    """Works out where one recording lies; what it decides against the log goes to ``findings``.

    Attributes
    ----------
    readings : Readings
        Of the whole grid.
    run : Run
    scheme : Scheme
    note : Note
        What the notes say of the recording.
    marks : int or None
        How many fiducial marks the lines of the grid have; None when they are not asked for.
    findings : list of Finding
    """

    readings: Readings
    run: Run
    scheme: Scheme
    note: Note
    marks: Optional[int] = None
    findings: list[Finding] = field(default_factory=list)

    @property
    def logged(self) -> np.ndarray:
        """Stations as logged, (n,)."""
        return self.readings.station[self.run.rows]

    @cached_property
    def counted(self) -> int:
        """1 when the logged stations count up, -1 down, 0 when they do not show it."""
        logged = self.logged
        before, after = logged[:-1], logged[1:]
        return int(np.sign(np.count_nonzero(after > before) - np.count_nonzero(after < before)))

    @cached_property
    def heading(self) -> int:
        """Walking direction: as noted, else as the log's opening row or its counting says, else by the pattern."""
        if self.note.direction:
            return self.note.direction
        opened = int(self.readings.heading[self.run.rows[0]])
        return opened or self.counted or (1 if self.note.kind == "tie" else int(self.scheme.heading(self.run.line)))

    @cached_property
    def station(self) -> np.ndarray:
        """Stations to place by, (n,): the log's own, unless the notes contradict them or there are none."""
        scheme, start, logged = self.scheme, self.note.start_station, self.logged
        known = logged[np.isfinite(logged)]
        edges = scheme.edge_stations(self.heading, scheme.width_m if self.note.kind == "tie" else scheme.length_m)
        if not len(known):
            return (edges[0] if start is None else start) + self.heading * np.arange(len(logged), dtype=float)
        first = float(known[0])
        start = noted_start(self.note, first, float(known[-1]), scheme)
        turned = self.counted == -self.heading
        if start is not None and (turned or abs(start - first) > SAME_STATION):
            return self._corrected(first, start, start + self.heading * np.abs(logged - first))
        if turned:
            # The count restarted on the way back: its first interval is the one inside the far edge.
            return self._corrected(first, sum(edges) - first, sum(edges) - logged)
        return logged

    def _corrected(self, first: float, start: float, station: np.ndarray) -> np.ndarray:
        """Return stations other than those of the log, and note the finding about them."""
        way, counted = "out" if self.heading > 0 else "back", "up" if self.counted > 0 else "down"
        self._find(
            Code.SETTING_CORRECTED,
            f"The log counts from station {first:g} {counted}; {self.note.where or 'the log'} has it walked {way} from "
            f"station {start:g}.",
            "",
            f"Check the map along line {self.run.line}. It is placed from station {start:g}.",
        )
        return station

    def along_m(self) -> np.ndarray:
        """Return the distance from the start edge, (n,): by the rate, or stretched between known positions."""
        by_rate = self.scheme.distance_m(self.station)
        if self.scheme.pace == "rate" or self.note.kind == "tie":
            return by_rate
        progress = np.abs(self.station - self.station[0])
        fixed = self._fixed_points(progress)
        if fixed is not None:
            return through(progress, *fixed)
        code, expected = Code.PACE_MARKS, "as many marks as other lines"
        if self.scheme.pace == "ends":
            code, expected = Code.PACE_ENDS, "both noted ends or a mark at each edge"
        advice = f"Ask the books for ends and marks of line {self.run.line}. It is placed by the reading rate instead."
        self._find(code, f"The line has not {expected}.", expected, advice)
        return by_rate

    def _fixed_points(self, progress: np.ndarray) -> Optional[tuple[np.ndarray, np.ndarray]]:
        """Return (readings walked, distance in metres) where the position is known; None where it is too seldom."""
        start, stop = self.note.start_station, self.note.stop_station
        by_ends = self.scheme.pace == "ends"
        if by_ends and start is not None and stop is not None and start != stop:
            return progress[[0, -1]], self.scheme.distance_m([start, stop])
        before, behind = marked(self.readings.extras.get("mark", np.zeros(len(self.readings)))[self.run.rows])
        at = np.sort(np.r_[progress[before] - BETWEEN, progress[behind] + BETWEEN])
        if len(at) < 2 or (not by_ends and len(at) != self.marks):
            return None
        distance = np.linspace(0, self.scheme.length_m, len(at))
        if by_ends:
            at, distance = at[[0, -1]], distance[[0, -1]]
        return at, distance if self.heading > 0 else distance[::-1]

    def across_m(self) -> float:
        """Return the position across the walking direction: as noted, else by the line's number; NaN where unknown."""
        noted = self.note.position_m
        if noted is not None:
            return noted if self._is_near(noted) else np.nan
        found = "The notes do not say where this tie line crosses."
        advice = f"Ask the books where tie line {self.run.line} crosses. Note its distance in position_m."
        if self.note.kind != "tie":
            line, width = self.run.line, self.scheme.width_m
            position = float(self.scheme.position_m(line))
            if -EDGE_M <= position <= width + EDGE_M or self.note.kind in ("dummy", "void", UNREADABLE):
                return position
            found = f"Line {line} would lie at {position:.2f} m, outside the width of {width:g} m."
            advice = f"Ask the books what line {line} is. Note its position_m, or kind dummy, tie, base or void."
        self._find(Code.LINE_UNPLACED, found, "", f"{advice} Until then its readings are not used.")
        return np.nan

    def _is_near(self, noted: float) -> bool:
        """Whether a noted position lies in the grid or no farther from it than the grid is large; a finding if not."""
        scheme = self.scheme
        side = scheme.length_m if self.note.kind == "tie" else scheme.width_m
        reach = max(scheme.length_m, scheme.width_m)
        if -reach <= noted <= side + reach:
            return True
        found = f"Line {self.run.line} is noted at {noted:g} m ({self.note.where or 'notes'}), far outside the grid."
        advice = f"Ask the books for position_m of line {self.run.line}. Until then its readings are not used."
        self._find(Code.LINE_UNPLACED, found, f"0 to {side:g} m", advice)
        return False

    def _find(self, code: Code, found: str, expected: str, advice: str) -> None:
        where = self.scheme.grid, self.run.line, self.run.run
        self.findings.append(code.finding(found, expected, advice, grid=where[0], line=where[1], run=where[2]))


def through(progress: np.ndarray, at: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """Interpolate distance over progress; beyond the outer fixed points the pace of the outer stretch goes on.

    Parameters
    ----------
    progress : (n,) float
        Readings walked since the first one.
    at, distance : (k,) float
        Readings walked and metres where the position is known, k >= 2, ``at`` rising.

    Returns
    -------
    (n,) float
        Metres.
    """
    rate = np.diff(distance) / np.diff(at)
    stretch = np.clip(np.searchsorted(at, progress) - 1, 0, len(rate) - 1)
    return distance[stretch] + (progress - at[stretch]) * rate[stretch]
