"""Placing: from line numbers and stations to positions in the grid and on the map."""

from __future__ import annotations

from collections import Counter
from typing import Optional, Sequence

import numpy as np

from ..core import KINDS, UNREADABLE, Finding, Note, Readings, Run, Scheme, kind_code, notes_for
from ..geometry import Frame
from .full_scale import mark_full_scale
from .record import PlacedLine, PlaceRecord
from .resets import ROUNDING, resets_of
from .runs import EDGE_M, PlacedRun, marked, place_run

SAME_POSITION_M = 0.01
"""Recordings whose positions across differ by no more than this lie on the same line. Derived: positions are noted to
the centimetre, and the lines of a grid are decimetres from each other."""
REDONE_MARGIN_M = 0.5
"""A recording that starts less than this later than the one it replaces still replaces all of it. Common practice, no
source: half a metre is about half a pace, by which one stops short of an edge or of an obstacle."""
ORDER_OF_KINDS = {"dummy": 0, "void": 0, "redo": 2}
"""Whether a recording of that kind comes before (0) or after (2) the others of its line; all others are 1. Derived: a
dummy or a spoilt recording is why another was made, and a redo is that other one."""


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
        Those at full scale are marked, see ``mark_full_scale``.
    record : PlaceRecord
    findings : list of Finding
        What the notes changed, and what could not be placed.

    Notes
    -----
    A station is an interval, and its reading lies in the middle of it, whichever way it was walked. The sensor's offset
    to the right is to the right of the person. See docs/methods/place.md.
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
    resets = resets_of(out, [(item.run, item.station) for item in placed], own)
    out, full_scale, cut = mark_full_scale(out, scheme.grid)
    record = PlaceRecord({}, out.flag_counts(), tuple(_row(item, out) for item in placed), resets, full_scale)
    return out, record, [*(f for item in placed for f in item.findings), *cut]


def note_for_run(notes: Sequence[Note], line: int, run: int, recordings: int) -> Optional[Note]:
    """Return the note that speaks of one recording of a line, None when there is none.

    What stands for a row that cannot be read comes first, then notes that name the recording. A single other one is
    about the last recording where it is ``redo``, about the first of several where it is ``void``, else about all of
    them. Several others are taken in the order of the recordings that no note names, ``dummy`` and ``void`` first,
    ``redo`` last.
    """
    own = [n for n in notes if n.line == line and n.of_recording]
    for note in own:
        if note.kind == UNREADABLE and note.run in (None, run):
            return note
    for note in own:
        if note.run == run:
            return note
    unnamed = [n for n in own if n.run is None]
    free = [r for r in range(1, recordings + 1) if all(n.run != r for n in own)]
    if 1 < len(unnamed) <= len(free) and run in free:
        return _in_order(unnamed, free, run)
    for note in own:
        if note.run is not None:
            continue
        if note.kind == "redo" and run != recordings:
            continue
        if note.kind == "void" and recordings > 1 and run != 1:
            continue
        return note
    return None


def _in_order(unnamed: list[Note], free: list[int], run: int) -> Note:
    """Return which of several notes that name no recording is about one of the recordings without a note."""
    order = sorted(unnamed, key=lambda note: ORDER_OF_KINDS.get(note.kind, 1))
    if order[-1].kind == "redo":
        if run == free[-1]:
            return order[-1]
        order = order[:-1]
    return order[min(free.index(run), len(order) - 1)]


def counted_stations(readings: Readings, run: Run, scheme: Scheme, notes: Sequence[Note]) -> np.ndarray:
    """Return the stations of a recording that obstacles are noted by, (n,): the log's, or as notes mend them."""
    return _place_run(readings, run, scheme, notes_for(notes, scheme.grid), None).station


def _place_run(readings: Readings, run: Run, scheme: Scheme, notes: list[Note], marks: Optional[int]) -> PlacedRun:
    recordings = int(readings.run[readings.line == run.line].max())
    note = note_for_run(notes, run.line, run.run, recordings) or Note(scheme.grid, run.line)
    return place_run(readings, run, scheme, note, marks)


def _mark_reference(readings: Readings, scheme: Scheme) -> Optional[int]:
    """Return how many marks most lines of the grid have (edges included); None when they are not asked for."""
    if scheme.pace != "marks" or "mark" not in readings.extras:
        return None
    counts = Counter(sum(map(len, marked(readings.extras["mark"][run.rows]))) for run in readings.runs())
    return counts.most_common(1)[0][0]


def _flag(readings: Readings, placed: list[PlacedRun], scheme: Scheme, notes: list[Note]) -> Readings:
    redone = _redone(placed)
    flags = {word: np.zeros(len(readings), bool) for word in ("overrun", "void", "dummy", "redone", "obstacle")}
    for index, item in enumerate(placed):
        rows = item.run.rows
        along, limit = (
            (readings.u_m[rows], scheme.width_m) if item.kind == "tie" else (readings.v_m[rows], scheme.length_m)
        )
        flags["overrun"][rows] = (along < -EDGE_M) | (along > limit + EDGE_M)
        if item.kind in ("void", "dummy", UNREADABLE):
            flags["dummy" if item.kind == "dummy" else "void"][rows] = True
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
    return (station >= min(ends, default=-np.inf) - ROUNDING) & (station <= max(ends, default=np.inf) + ROUNDING)


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
    if np.isnan(later.along_m).all() or abs(later.across_m - earlier.across_m) > SAME_POSITION_M:
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
