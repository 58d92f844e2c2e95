"""Placing: from line numbers and stations to positions in the grid and on the map."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import KINDS, Code, Finding, Note, Readings, Run, Scheme, kind_code, notes_for
from ..geometry import Frame
from .record import PlacedLine, PlaceRecord

SAME_STATION = 0.5
"""Stations closer than this are the same reading."""
SAME_PLACE_M = 0.01
REDONE_MARGIN_M = 0.5
"""A recording that starts this much later than the one it replaces still replaces all of it."""
EDGE_M = 1e-6
"""Positions this little outside an edge count as on it: rounding, not walking."""


@dataclass(frozen=True)
class PlacedRun:
    """Where one recording of a line lies, and why.

    Attributes
    ----------
    run : Run
    kind : str
        survey, redo, void, dummy, tie or base.
    heading : int
        1 out (a tie line: along the baseline), -1 back.
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


def place_readings(
    readings: Readings, scheme: Scheme, notes: Sequence[Note], frame: Frame
) -> tuple[Readings, PlaceRecord, list[Finding]]:
    """Put every reading of one grid on the ground.

    Parameters
    ----------
    readings : Readings
        As read from the log, one grid.
    scheme : Scheme
    notes : sequence of Note
        They override the scheme and the log's settings line by line.
    frame : Frame

    Returns
    -------
    readings : Readings
        With ``u_m``, ``v_m``, ``x``, ``y``, ``heading``, ``kind``, and flags for what is out of use; none is dropped.
    record : PlaceRecord
    findings : list of Finding
        What the notes changed, and what could not be placed.

    Notes
    -----
    A station stands for an interval, and its reading lies in the middle of it, whichever way it was walked:
    v = (s - first_station + 1/2) / readings_per_m. Counting from the pressed button instead would set opposite
    lines one interval apart (common practice, no source). The sensor's offset to the right is to the right of the
    person: towards +u on the way out, and towards -u where the grid is mirrored.
    """
    own = notes_for(notes, scheme.grid)
    marks = _mark_reference(readings, scheme)
    placed = [_place_run(readings, run, scheme, own, marks) for run in readings.runs()]
    columns = {name: np.full(len(readings), np.nan) for name in ("u_m", "v_m", "x", "y")}
    heading, kind = np.zeros((2, len(readings)), np.int8)
    hand = -1.0 if frame.mirrored else 1.0
    for item in placed:
        rows, ahead, right = item.run.rows, item.heading * scheme.sensor_ahead_m, item.heading * scheme.sensor_right_m
        heading[rows] = item.heading
        kind[rows] = kind_code(item.kind) if item.kind in KINDS else 0
        if item.kind == "tie":
            columns["u_m"][rows], columns["v_m"][rows] = item.along_m + ahead, item.across_m - hand * right
        else:
            columns["u_m"][rows], columns["v_m"][rows] = item.across_m + hand * right, item.along_m + ahead
    unplaced = ~(np.isfinite(columns["u_m"]) & np.isfinite(columns["v_m"]))
    columns["u_m"][unplaced] = columns["v_m"][unplaced] = np.nan
    columns["x"], columns["y"] = frame.to_map(columns["u_m"], columns["v_m"])
    out = readings.replace(heading=heading, kind=kind, **columns).with_flag("unplaced", unplaced)
    out = _flag(out, placed, scheme, own)
    record = PlaceRecord({}, out.flag_counts(), tuple(_row(item, out) for item in placed))
    return out, record, [f for item in placed for f in item.findings]


def note_for_run(notes: Sequence[Note], line: int, run: int, recordings: int) -> Optional[Note]:
    """Return the note that speaks of one recording of a line, None when there is none.

    Notes that name the recording come first. Of the others, ``redo`` is about the last recording, ``void`` about
    the first of several, and the rest about all of them.
    """
    own = [n for n in notes if n.line == line and n.kind != "obstacle"]
    for note in own:
        if note.run == run:
            return note
    for note in own:
        if note.run is not None:
            continue
        if note.kind == "redo" and run != recordings:
            continue
        if note.kind == "void" and recordings > 1 and run != 1:
            continue
        return note
    return None


def counted_stations(readings: Readings, run: Run, scheme: Scheme, notes: Sequence[Note]) -> np.ndarray:
    """Return the stations of a recording that obstacles are noted by, (n,): the log's, or as notes mend them."""
    return _place_run(readings, run, scheme, notes_for(notes, scheme.grid), None).station


def _place_run(readings: Readings, run: Run, scheme: Scheme, notes: list[Note], marks: Optional[int]) -> PlacedRun:
    recordings = int(readings.run[(readings.line == run.line)].max())
    note = note_for_run(notes, run.line, run.run, recordings) or Note(scheme.grid, run.line)
    findings: list[Finding] = []
    if note.kind == "base":
        blank = np.full(len(run.rows), np.nan)
        return PlacedRun(run, "base", 0, readings.station[run.rows], blank, np.nan)
    heading = _heading(readings, run, scheme, note)
    station = _stations(readings, run, scheme, note, heading, findings)
    along = _along(readings, run, scheme, note, station, heading, marks, findings)
    across = _across(run, scheme, note, findings)
    return PlacedRun(run, note.kind, heading, station, along, across, tuple(findings))


def _heading(readings: Readings, run: Run, scheme: Scheme, note: Note) -> int:
    """Return the walking direction: noted, else as the log's opening row or its counting says, else the pattern."""
    if note.heading:
        return note.heading
    if _both_ends(note):
        return 1 if note.stop_station > note.start_station else -1
    if readings.heading[run.rows[0]]:
        return int(readings.heading[run.rows[0]])
    counted = _count_direction(readings.station[run.rows])
    return counted or (1 if note.kind == "tie" else int(scheme.heading(run.line)))


def _both_ends(note: Note) -> bool:
    return None not in (note.start_station, note.stop_station) and note.start_station != note.stop_station


def _count_direction(station: np.ndarray) -> int:
    """Return 1 when the stations of a run count up, -1 down, 0 when they do not tell."""
    steps = np.diff(station)
    return int(np.sign(np.sum(np.sign(steps[np.isfinite(steps)]))))


def _stations(readings, run: Run, scheme: Scheme, note: Note, heading: int, findings: list[Finding]) -> np.ndarray:
    """Return the stations to place by: the log's own, unless the notes contradict them or there are none."""
    logged = readings.station[run.rows]
    edges = scheme.edge_stations(heading, scheme.width_m if note.kind == "tie" else scheme.length_m)
    count = np.arange(len(logged), dtype=float)
    if not np.isfinite(logged).any():
        start = edges[0] if note.start_station is None else note.start_station
        return start + heading * count
    first = logged[np.flatnonzero(np.isfinite(logged))[0]]
    turned = _count_direction(logged) == -heading
    if note.start_station is not None and (turned or abs(note.start_station - first) > SAME_STATION):
        mended, start = note.start_station + heading * np.abs(logged - first), note.start_station
    elif turned:
        # The count restarted on the way back: its first interval is the one inside the far edge.
        mended, start = sum(edges) - logged, sum(edges) - first
    else:
        return logged
    findings.append(
        Code.SETTING_CORRECTED.finding(
            f"The log counts from station {first:g} {'up' if _count_direction(logged) > 0 else 'down'}; "
            f"{note.where or 'the log'} has it walked {'out' if heading > 0 else 'back'} from station {start:g}.",
            "",
            f"Check the map along this line. It is placed from station {start:g}.",
            grid=scheme.grid,
            line=run.line,
            run=run.run,
        )  # fmt: skip
    )
    return mended


def _along(readings, run: Run, scheme, note, station, heading, marks, findings: list[Finding]) -> np.ndarray:
    by_rate = scheme.distance_m(station)
    if scheme.pace == "rate" or note.kind == "tie":
        return by_rate
    progress = np.abs(station - station[0])
    fixed = _fixed_points(readings, run, scheme, note, progress, heading, marks)
    if fixed is None:
        code, wanted = Code.PACE_MARKS, "as many marks as other lines"
        if scheme.pace == "ends":
            code, wanted = Code.PACE_ENDS, "both noted ends or a mark at each edge"
        findings.append(
            code.finding(f"The line has not {wanted}.", wanted,
                         "Note the ends, or check the marks in the log. It is placed by the reading rate instead.",
                         grid=scheme.grid, line=run.line, run=run.run)
        )  # fmt: skip
        return by_rate
    return _through(progress, *fixed)


def _fixed_points(readings, run: Run, scheme, note, progress, heading, marks):
    """Return (progress, distance in metres) of places where the position is known, or None."""
    if scheme.pace == "ends" and _both_ends(note):
        return progress[[0, -1]], scheme.distance_m([note.start_station, note.stop_station])
    before, behind = marked(readings.extras.get("mark", np.zeros(len(readings)))[run.rows])
    at = np.sort(np.r_[progress[before] - 0.5, progress[behind] + 0.5])
    if len(at) < 2 or (scheme.pace == "marks" and len(at) != marks):
        return None
    distance = np.linspace(0, scheme.length_m, len(at))
    if scheme.pace == "ends":
        at, distance = at[[0, -1]], distance[[0, -1]]
    return at, distance if heading > 0 else distance[::-1]


def _through(progress: np.ndarray, at: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """Interpolate distance over progress; beyond the outer fixed points the pace of the outer stretch goes on."""
    rate = np.diff(distance) / np.diff(at)
    stretch = np.clip(np.searchsorted(at, progress) - 1, 0, len(rate) - 1)
    return distance[stretch] + (progress - at[stretch]) * rate[stretch]


def marked(mark: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the readings of (n,) marks before which and behind which a fiducial fell (1 before, 2 behind, 3 both)."""
    known = np.nan_to_num(mark).astype(int)
    return np.flatnonzero(known & 1), np.flatnonzero(known & 2)


def _mark_reference(readings: Readings, scheme: Scheme) -> Optional[int]:
    """Return how many marks most lines of the grid have (edges included); None when they are not asked for."""
    if scheme.pace != "marks" or "mark" not in readings.extras:
        return None
    counts = Counter(sum(map(len, marked(readings.extras["mark"][run.rows]))) for run in readings.runs())
    return counts.most_common(1)[0][0]


def _across(run: Run, scheme: Scheme, note: Note, findings: list[Finding]) -> float:
    if note.position_m is not None:
        return note.position_m
    if note.kind == "tie":
        found, advice = "The notes do not say where this tie line crosses.", "Note its distance in position_m."
    else:
        position = float(scheme.position_m(run.line))
        inside = -EDGE_M <= position <= scheme.width_m + EDGE_M
        if inside or note.kind in ("dummy", "void"):
            return position
        found = f"Line {run.line} would lie at {position:.2f} m, outside the width of {scheme.width_m:g} m."
        advice = "Say in the notes what it is: its position_m, or kind dummy, tie, base or void."
    findings.append(
        Code.LINE_UNPLACED.finding(found, "", f"{advice} Until then its readings are not used.",
                                   grid=scheme.grid, line=run.line, run=run.run)
    )  # fmt: skip
    return np.nan


def _flag(readings: Readings, placed: list[PlacedRun], scheme: Scheme, notes: list[Note]) -> Readings:
    redone = _redone(placed)
    flags = {word: np.zeros(len(readings), bool) for word in ("overrun", "void", "dummy", "redone", "obstacle")}
    for index, item in enumerate(placed):
        rows = item.run.rows
        along, limit = (
            (readings.u_m[rows], scheme.width_m) if item.kind == "tie" else (readings.v_m[rows], scheme.length_m)
        )
        flags["overrun"][rows] = (along < -EDGE_M) | (along > limit + EDGE_M)
        if item.kind in ("void", "dummy"):
            flags[item.kind][rows] = True
        flags["redone"][rows] = redone[index]
        for note in notes:
            if note.kind == "obstacle" and item.kind != "tie" and note.line in (None, item.run.line):
                flags["obstacle"][rows] |= _between(item.station, note)
    for word, where in flags.items():
        readings = readings.with_flag(word, where)
    return readings


def _between(station: np.ndarray, note: Note) -> np.ndarray:
    """Return the stations of an obstacle; all of them when the note names none."""
    ends = [s for s in (note.start_station, note.stop_station) if s is not None]
    return (station >= min(ends, default=-np.inf) - 1e-9) & (station <= max(ends, default=np.inf) + 1e-9)


def _redone(placed: list[PlacedRun]) -> dict[int, np.ndarray]:
    """Return, by recording, which of its readings a later recording or a noted redo walked over again.

    Only the stretch that was walked again is replaced, so a line resumed behind an obstacle keeps both parts.
    """
    redone = {i: np.zeros(len(item.run.rows), bool) for i, item in enumerate(placed)}
    again = [item for item in placed if item.run.run > 1 or item.kind == "redo"]
    for later in again:
        for i, earlier in enumerate(placed):
            if later is not earlier and _replaces(later, earlier):
                redone[i] |= (earlier.along_m > np.nanmin(later.along_m) - REDONE_MARGIN_M) & (
                    earlier.along_m < np.nanmax(later.along_m) + REDONE_MARGIN_M
                )
    return redone


def _replaces(later: PlacedRun, earlier: PlacedRun) -> bool:
    if earlier.kind not in ("survey", "redo") or later.kind not in ("survey", "redo"):
        return False
    if np.isnan(later.along_m).all() or abs(later.across_m - earlier.across_m) > SAME_PLACE_M:
        return False
    if later.run.line == earlier.run.line:
        return later.run.run > earlier.run.run
    return later.kind == "redo" and earlier.kind == "survey"


def _row(item: PlacedRun, readings: Readings) -> PlacedLine:
    rows = item.run.rows
    return PlacedLine(
        grid=item.run.grid,
        line=item.run.line,
        run=item.run.run,
        kind=item.kind,
        heading=item.heading,
        readings=len(rows),
        in_use=int(np.count_nonzero(readings.flag[rows] == 0)),
        position_m=None if np.isnan(item.across_m) else float(item.across_m),
    )
