"""What a crew does about the findings of a day: what to walk again and how, what to measure, what to ask the books."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Optional, Sequence

import numpy as np

from ..core import Code, EngineError, Finding, Note, Readings, Scheme
from ..geometry import Frame, fit_frame
from .actions import by_action, why_of
from .read_survey import GridResult

SPEED_M_S = 1.0
"""Walking speed where the log has no times. Common practice, no source: an unhurried walk with an instrument."""
LINE_S = 60.0
"""Seconds for a line besides walking it: tape, peg, start station, note. Common practice, no source."""
GRID_S = 600.0
"""Seconds for a grid besides its lines: tapes laid out, instrument warm and set. Common practice, no source."""
MEASURE_S = 120.0
"""Seconds for a position measured with the tape. Common practice, no source."""
NEAR = 2.0
"""Lines to walk again that lie at most so many spacings from each other share one sound neighbour. Derived: the line
between two that are two spacings from each other is the neighbour of both."""
TIE_NUMBERS = 100
"""A first tie line is numbered from the next multiple of this above all lines. Common practice, no source: its number
then differs from those of traverses at a glance."""
AGAIN, NEIGHBOUR, TIE = "again", "neighbour", "tie"
COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
SPACINGS_IF_WRONG = {Code.LINE_SKIPPED: 1, Code.LINE_DOUBLED: -1}
"""How many spacings farther a line lies when the finding about it is right. Derived: from what the codes mean."""


@dataclass(frozen=True)
class Walk:
    """One line to walk.

    Attributes
    ----------
    grid : str
    line, run : int
        Its number, and which recording of it this will be.
    role : str
        ``again``, ``neighbour`` (a sound line beside it) or ``tie``.
    why : str
        In a few words, see ``why_of``.
    heading : int
        1 out, from the baseline to the far edge (a tie line: along the baseline, from the start side); -1 back.
    start_edge : str
        Edge that it starts at, with the side of the sky where the corners are known.
    start_station : float
        To be set before the line; the reading inside the start edge.
    position_m : float
        Where on the tape: u of a line, v of a tie line.
    from_m, to_m : float
        Where it starts and ends, along the line.
    minutes : float
        To walk it and to make ready for it.
    ends : (2, 2) tuple or None
        Map positions of start and end; None where the corners are not known.
    """

    grid: str
    line: int
    run: int
    role: str
    why: str
    heading: int
    start_edge: str
    start_station: float
    position_m: float
    from_m: float
    to_m: float
    minutes: float
    ends: Optional[tuple[tuple[float, float], tuple[float, float]]] = None

    @property
    def step(self) -> int:
        """By how much the station grows from one reading to the next."""
        return self.heading


@dataclass(frozen=True)
class Measure:
    """A position to measure with the tape; ``wrong_m`` is None where the readings do not say where else it may lie."""

    line: Optional[int]
    right_m: Optional[float]
    wrong_m: Optional[float]
    advice: str


@dataclass(frozen=True)
class Question:
    """What to ask the books: the row, what stands there, what the log has, and what to do."""

    line: Optional[int]
    row: str
    noted: str
    logged: str
    advice: str


@dataclass(frozen=True)
class GridPlan:
    """What to do in one grid, in walking order; ``minutes`` is the time needed in all."""

    scheme: Scheme
    bearing_deg: Optional[float]
    mirrored: bool = False
    walks: tuple[Walk, ...] = ()
    measures: tuple[Measure, ...] = ()
    questions: tuple[Question, ...] = ()
    problem: str = ""

    @property
    def grid(self) -> str:
        """Name of the grid."""
        return self.scheme.grid

    @property
    def minutes(self) -> float:
        """Minutes needed in the field."""
        field_s = 60 * sum(walk.minutes for walk in self.walks) + MEASURE_S * len(self.measures)
        return (field_s + GRID_S * bool(self.walks)) / 60


def plan_rewalk(results: Sequence[GridResult], findings: Sequence[Finding], notes: Sequence[Note]) -> list[GridPlan]:
    """Return what to do in each grid that something is to be done in, in the order of ``results``.

    Parameters
    ----------
    results : sequence of GridResult
        Grids as they were read; one that was not placed is planned by its register and corners alone.
    findings : sequence of Finding
        Of the whole survey.
    notes : sequence of Note
        Of the whole survey.
    """
    plans = []
    for result in results:
        own = [f for f in findings if f.grid == result.grid]
        if any(f.action for f in own):
            plans.append(_Planner(result, own, [n for n in notes if n.grid in ("", result.grid)]).plan())
    return plans


@dataclass
class _Planner:
    """Plans one grid; findings and notes are its own."""

    result: GridResult
    findings: Sequence[Finding]
    notes: Sequence[Note]
    runs: dict[int, list[np.ndarray]] = field(default_factory=lambda: defaultdict(list))

    def __post_init__(self) -> None:
        self.scheme, self.readings = self.result.scheme, self.result.readings
        for run in self.readings.runs() if self.readings is not None else ():
            self.runs[run.line].append(run.rows)
        self.frame = _frame(self.result)
        self.speed_m_s = _speed(self.readings, [rows for line in self.runs.values() for rows in line])
        self.asked = by_action(self.findings)

    def plan(self) -> GridPlan:
        bearing = None if self.frame is None else self.frame.bearing_deg
        mirrored = self.frame is not None and self.frame.mirrored
        measures = tuple(self._measure(line, found[0]) for (_, line), found in self.asked["measure"].items())
        questions = tuple(self._question(line, found[0]) for (_, line), found in self.asked["ask"].items())
        return GridPlan(self.scheme, bearing, mirrored, self._walks(), measures, questions, self.result.problem)

    def _walks(self) -> tuple[Walk, ...]:
        why = {line: why_of(found[0]) for (_, line), found in self.asked["walk"].items()}
        if not why:
            return ()
        if None in why:
            why = {**dict.fromkeys(self.scheme.lines.tolist(), why[None]), **why}
        again = [line for line in why if line is not None]
        walks = [self._line(line, AGAIN, why[line]) for line in again]
        walks += [self._line(line, NEIGHBOUR, "Sound neighbour, to compare.") for line in self._sound(again)]
        return (*sorted(walks, key=lambda walk: walk.position_m), self._tie())

    def _sound(self, again: Sequence[int]) -> list[int]:
        """Return a sound line for each cluster of lines to walk again: the nearest that no finding accuses."""
        # A note of a line that is still to be walked accuses no recording.
        accusing = (f for f in self.findings if f.action and f.code != Code.NOTE_WITHOUT_LINE.word)
        accused = {line for f in accusing for line in (f.line, *f.also)}
        sound = [n for n in self.scheme.lines.tolist() if n in self.runs and n not in accused and n not in again]
        if not sound:
            return []
        orders = np.sort(self.scheme.order(np.array(again)))
        clusters = np.split(orders, np.flatnonzero(np.diff(orders) > NEAR) + 1)
        at = self.scheme.order(np.array(sound))
        nearest = [sound[int(np.abs(at[:, None] - cluster).min(axis=1).argmin())] for cluster in clusters]
        return list(dict.fromkeys(nearest))

    def _line(self, line: int, role: str, why: str) -> Walk:
        scheme, length = self.scheme, self.scheme.length_m
        heading, position = int(scheme.heading(line)), self._position_m(line)
        start, stop = (0.0, length) if heading > 0 else (length, 0.0)
        edge = self._edge("baseline" if heading > 0 else "far edge", 180 if heading > 0 else 0)
        ends = self._on_map([position, position], [start, stop])
        station = scheme.edge_stations(heading)[0]
        return Walk(scheme.grid, line, len(self.runs.get(line, ())) + 1, role, why, heading, edge, station, position,
                    start, stop, self._minutes(length), ends)  # fmt: skip

    def _tie(self) -> Walk:
        scheme = self.scheme
        known = [n.line for n in self.notes if n.line is not None] + list(self.runs) + scheme.lines.tolist()
        middle, width = scheme.length_m / 2, scheme.width_m
        ties = {n.line: n.position_m for n in self.notes if n.kind == "tie" and n.line is not None}
        line = max(ties) + 1 if ties else (max(known) // TIE_NUMBERS + 1) * TIE_NUMBERS + 1
        while line in known:
            line += 1
        # A tie that was planned before and is still to be walked is this one.
        line = next((n for n, position_m in ties.items() if n not in self.runs and position_m == middle), line)
        edge = self._edge("start side", 90 if self.frame is not None and self.frame.mirrored else 270)
        ends = self._on_map([0.0, width], [middle, middle])
        station = scheme.edge_stations(1, width)[0]
        return Walk(scheme.grid, line, 1, TIE, "Tie: joins new lines to old.", 1, edge, station, middle, 0.0, width,
                    self._minutes(width), ends)  # fmt: skip

    def _position_m(self, line: int) -> float:
        """Return u of a line, as noted where the scheme does not have it."""
        noted = [n.position_m for n in self.notes if n.line == line and n.of_recording and n.position_m is not None]
        if noted and not self.scheme.has_line(line):
            return noted[-1]
        return float(self.scheme.position_m(line))

    def _minutes(self, length_m: float) -> float:
        return (length_m / self.speed_m_s + LINE_S) / 60

    def _edge(self, word: str, degrees: float) -> str:
        """Return an edge in words, with its side of the sky: ``degrees`` from the lines' direction, clockwise."""
        if self.frame is None:
            return word
        side = round((self.frame.bearing_deg + degrees) / 45) % len(COMPASS)
        return f"{word} ({COMPASS[side]})"

    def _on_map(
        self, u_m: Sequence[float], v_m: Sequence[float]
    ) -> Optional[tuple[tuple[float, float], tuple[float, float]]]:
        if self.frame is None:
            return None
        (x0, x1), (y0, y1) = (axis.tolist() for axis in self.frame.to_map(np.array(u_m), np.array(v_m)))
        return (x0, y0), (x1, y1)

    def _measure(self, line: Optional[int], finding: Finding) -> Measure:
        if line is None or not self.scheme.has_line(line):
            return Measure(line, None, None, finding.advice or finding.found)
        right = self._position_m(line)
        proposed = [n.position_m for n in self.result.proposals if n.line == line and n.position_m is not None]
        spacings = SPACINGS_IF_WRONG.get(Code.of(finding.code))
        wrong = None if spacings is None else right + spacings * self.scheme.spacing_m
        return Measure(line, right, proposed[0] if proposed else wrong, finding.advice or finding.found)

    def _question(self, line: Optional[int], finding: Finding) -> Question:
        rows = [n for n in self.notes if line is not None and n.line == line]
        noted = "; ".join(_noted(n) for n in rows) or ("no row about this line" if line is not None else "")
        logged = self._logged(line) if line is not None else finding.found
        where = ", ".join(n.where for n in rows if n.where)
        return Question(line, where, noted, logged, finding.advice or finding.found)

    def _logged(self, line: int) -> str:
        said = []
        for rows in self.runs.get(line, ()):
            first, last = (float(self.readings.station[rows[i]]) for i in (0, -1)) if self.readings else (0.0, 0.0)
            said.append(f"stations {first:g} to {last:g}, {len(rows)} readings")
        return "; ".join(said) or "not in the log"


def _noted(note: Note) -> str:
    parts = [note.kind]
    parts += [f"run {note.run}"] if note.run is not None else []
    stations = ["?" if s is None else f"{s:g}" for s in (note.start_station, note.stop_station)]
    parts += [f"stations {stations[0]} to {stations[1]}"] if set(stations) != {"?"} else []
    parts += [{1: "out", -1: "back"}[note.heading]] if note.heading else []
    parts += [f"at {note.position_m:g} m"] if note.position_m is not None else []
    return ", ".join(parts)


def _frame(result: GridResult) -> Optional[Frame]:
    """Return the frame of a grid, also of one that was not placed; None where its corners do not give one."""
    if result.frame is not None:
        return result.frame
    scheme = result.scheme
    try:
        return fit_frame(result.source.corners, scheme.length_m, scheme.width_m, grid=scheme.grid)
    except EngineError:
        return None


def _speed(readings: Optional[Readings], runs: Sequence[np.ndarray]) -> float:
    """Return the median speed of the recordings in m/s."""
    speeds = []
    for rows in runs:
        if readings is None:
            break
        along, time = readings.v_m[rows], readings.time_s[rows]
        known = np.isfinite(along) & np.isfinite(time)
        if known.sum() > 1 and np.ptp(time[known]) > 0 and np.ptp(along[known]) > 0:
            speeds.append(np.ptp(along[known]) / np.ptp(time[known]))
    return float(np.median(speeds)) if speeds else SPEED_M_S


REDO_COLUMNS = {"grid": str, "line": int, "run": int, "start_station": float, "stop_station": float,
                "position_m": float, "heading": str, "kind": str, "comment": str}  # fmt: skip
"""The columns of the notes, and the kind of each."""


def redo_rows(plans: Sequence[GridPlan]) -> list[tuple]:
    """Return the lines to walk as rows of the notes, in the order of ``REDO_COLUMNS``.

    Stations stay empty, as on paper: a start that is noted counts before that of the log, so it must be the
    one that was walked.
    """
    return [
        (w.grid, w.line, w.run, None, None, w.position_m, "out" if w.heading > 0 else "back",
         "tie" if w.role == TIE else "redo", w.why)
        for plan in plans
        for w in plan.walks
    ]  # fmt: skip


AGAIN_COLUMNS = {"grid": str, "line": int, "why": str, "start_edge": str, "start_station": float, "step": int,
                 "from_m": float, "to_m": float, "minutes": float}  # fmt: skip
"""Fields of the lines to walk, and the kind of each."""


def again_rows(plans: Sequence[GridPlan]) -> list[tuple]:
    """Return the lines to walk that have a place on the map: ``AGAIN_COLUMNS`` in their order, then their ends."""
    return [
        (*(round(w.minutes, 1) if name == "minutes" else getattr(w, name) for name in AGAIN_COLUMNS), w.ends)
        for plan in plans
        for w in plan.walks
        if w.ends is not None
    ]
