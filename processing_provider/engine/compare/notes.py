"""Checks of a log against what the notes say of its lines, and of the positions noted."""

from __future__ import annotations

from itertools import combinations
from typing import Iterator, Optional

import numpy as np

from ..core import Code, Finding, Note
from ..place import SAME_STATION, ends_exchanged, noted_start
from .grid_log import ROUNDING_M, GridLog, way
from .line_summaries import POSITION_M, RunSummary
from .lines import SHORT_M


def _notes_without_line(log: GridLog) -> Iterator[Finding]:
    have = {r.line for r in log.runs}
    recordings = {(r.line, r.run.run) for r in log.runs}
    unnoted = sorted({r.line for r in log.runs} - {n.line for n in log.notes if n.of_recording})
    for note in log.notes:
        if note.line is None or (note.kind == "obstacle" and log.scheme.has_line(note.line)):
            continue
        if note.line not in have:
            what = f"line {note.line}"
        elif note.run is not None and (note.line, note.run) not in recordings:
            what = f"recording {note.run} of line {note.line}"
        else:
            continue
        found = f"{note.where or 'The notes'}: {what} is noted as {note.kind}, but is not in the log."
        if len(unnoted) == 1 and note.line not in have:
            found += f" Line {unnoted[0]} is in the log, but has no row."
        advice = f"Ask the books about {what}. Check grid, line and run in the notes, and that the log is complete."
        yield log.finding(Code.NOTE_WITHOUT_LINE, note.line, found, "a line of the log", advice)


def _lines_skipped(log: GridLog) -> Iterator[Finding]:
    """Find a traverse that was left out: the numbers of the log lag behind the notes, which list the lines walked."""
    scheme = log.scheme
    logged = {r.line for r in log.walked if scheme.has_line(r.line)}
    noted = {n.line for n in log.notes if n.line is not None and n.of_recording and scheme.has_line(n.line)}
    left_out, ahead = logged - noted, noted - logged
    if len(left_out) != 1 or len(ahead) != 1:
        return
    (line,), (last,) = left_out, ahead
    if scheme.order(last) != max(scheme.order(list(logged))) + 1 or scheme.order(line) < min(scheme.order(list(noted))):
        return
    found = (
        f"The notes go on to line {last} but leave out line {line}; the log has line {line} and ends one line earlier."
    )
    advice = (
        f"Walk line {line} again. It was probably left out, so that what the log calls line {line} and later lies one "
        f"spacing farther on: note the position_m of those lines. Line {last} need not be walked again."
    )
    yield log.finding(Code.LINE_SKIPPED, line, found, "the lines of the notes", advice)


def _rows_differ(log: GridLog) -> Iterator[Finding]:
    """Find rows about the same recording that do not agree, and redos and voids of recordings that are not there."""
    recordings: dict[int, set[int]] = {}
    for run in log.runs:
        recordings.setdefault(run.line, set()).add(run.run.run)
    rows: dict[tuple[int, Optional[int]], list[Note]] = {}
    for note in log.notes:
        if note.line in recordings and note.of_recording:
            rows.setdefault((note.line, note.run), []).append(note)
    for (line, named), group in rows.items():
        free = len(recordings[line] - {run for n, run in rows if n == line and run is not None})
        if len(group) < 2 or (named is None and len(group) <= free):
            continue
        fields = {name for a, b in combinations(group, 2) for name in _contradictions(a, b)}
        if fields:
            where = " and ".join(note.where or "a row of the notes" for note in group)
            found = f"These rows differ in {', '.join(sorted(fields))}: {where}."
            advice = f"Ask the books which row about line {line} is right. Delete the other; the first one counts."
            yield log.finding(Code.NOTES_DIFFER, line, found, "one row a recording", advice)


def _resets_elsewhere(log: GridLog) -> Iterator[Finding]:
    """Find resets noted at a station that no recording of their line has."""
    for note in log.notes:
        runs = [r for r in log.runs if r.line == note.line and note.run in (None, r.run.run) and not np.isnan(r.low)]
        station = note.start_station
        if note.kind != "reset" or station is None or not runs or any(r.low <= station <= r.high for r in runs):
            continue
        found = f"The reset at station {station:g} of line {note.line} ({note.where or 'the notes'}) is outside."
        advice = f"Ask the books where on line {note.line} the instrument was reset. Correct start_station of that row."
        expected = f"stations {min(r.low for r in runs):g} to {max(r.high for r in runs):g}"
        yield log.finding(Code.POSITION, note.line, found, expected, advice, severity="warning")


def _contradictions(one: Note, two: Note) -> list[str]:
    """Return the columns in which two rows say different things; an empty cell says nothing."""
    names = [] if one.kind == two.kind else ["kind"]
    names += ["heading"] if one.direction * two.direction < 0 else []
    for name in ("start_station", "stop_station", "position_m"):
        a, b = getattr(one, name), getattr(two, name)
        names += [name] if a is not None and b is not None and a != b else []
    return names


def _obstacles_outside(log: GridLog) -> Iterator[Finding]:
    """Find obstacles beyond the edges, where no line has stations."""
    low, high = log.scheme.edge_stations(1)
    for note in log.notes:
        ends = [s for s in (note.start_station, note.stop_station) if s is not None]
        if note.kind != "obstacle" or not ends or (min(ends) <= high and max(ends) >= low):
            continue
        line = "all lines" if note.line is None else f"line {note.line}"
        found = f"The obstacle at stations {min(ends):g} to {max(ends):g} ({note.where or 'the notes'}) is outside."
        advice = f"Ask the books where the obstacle on {line} was. Correct its stations in the notes."
        expected = f"stations {low:g} to {high:g}"
        yield log.finding(Code.POSITION, note.line, found, expected, advice, severity="warning")


def _notes_disagree(log: GridLog) -> Iterator[Finding]:
    """Hold the notes against the log's own start, stop and heading; the notes count."""
    for run in log.runs:
        if run.note is None or run.kind == "base" or np.isnan(run.first):
            continue
        differences = [*_start_differences(log, run, run.note), *_stop_differences(log, run, run.note)]
        if not differences or (
            noted_start(run.note, run.first, run.last, log.scheme) is None and _by_obstacles(log, run)
        ):
            continue
        logged, noted, sure = zip(*differences)
        advice = f"Look at line {run.line} on the map. It is placed as noted."
        pattern = int(log.scheme.heading(run.line))
        if run.note.direction == -run.seen_heading == -pattern and log.scheme.has_line(run.line):
            sure = (False,)
            advice = f"Ask the books which way line {run.line} was walked. It is placed as noted, against log and "
            advice += "pattern."
        elif ends_exchanged(run.note, run.first, run.last, log.scheme):
            advice = f"Ask the books whether start and stop of line {run.line} are exchanged. It is placed as logged."
        elif not all(sure):
            advice = f"Ask the books for the stations of line {run.line}. If they are right as noted, readings were "
            advice += "lost or doubled, and the line must be walked again."
        found = f"By the log the line was {' and '.join(logged)}."
        expected = f"{' and '.join(noted)} ({run.note.where or 'the notes'})"
        yield log.finding(
            Code.NOTE_DISAGREES, run, found, expected, advice, severity="note" if all(sure) else "warning"
        )


def _by_obstacles(log: GridLog, run: RunSummary) -> bool:
    """Whether noted obstacles explain where a line has no readings."""
    noted = any(n.kind == "obstacle" and n.line in (None, run.line) for n in log.notes)
    return noted and all(log.length_m(s) <= SHORT_M + ROUNDING_M for s in log.bare_stretches(run.target, [run]))


def _start_differences(log: GridLog, run: RunSummary, note: Note) -> Iterator[tuple[str, str, bool]]:
    """Yield (as logged, as noted, whether the notes alone mend it) for heading and start."""
    noted, seen, start = note.direction, run.seen_heading, note.start_station
    if noted and seen and noted != seen:
        yield f"walked {way(seen)}", f"walked {way(noted)}", True
    if start is not None and abs(start - run.first) > SAME_STATION:
        used = noted_start(note, run.first, run.last, log.scheme) is not None
        yield f"started at station {run.first:g}", f"started at station {start:g}", used


def _stop_differences(log: GridLog, run: RunSummary, note: Note) -> Iterator[tuple[str, str, bool]]:
    """Yield (as logged, as noted, False) where the readings do not reach from the noted start to the noted stop."""
    stop = note.stop_station
    if stop is None or log.scheme.pace != "rate":
        return
    last = run.from_start(run.last)
    if abs(last - stop) * log.scheme.interval_m > SHORT_M + ROUNDING_M:
        # A line placed by its noted start has other stations than the log shows.
        counted = " by its count of readings" if run.turn != (0.0, 1.0) else ""
        yield f"stopped at station {last:g}{counted}", f"stopped at station {stop:g}", False


def _positions(log: GridLog) -> Iterator[Finding]:
    """Find positions outside the grid, and those that are not what the number of the line says.

    Where the notes put just one recording on each line of the grid, its number need not be that of the line.
    """
    scheme = log.scheme
    one_each = sorted(r.target for r in log.kept if r.target is not None) == sorted(scheme.lines.tolist())
    for run in log.walked:
        if run.note is None or run.note.position_m is None:
            continue
        noted, right = run.note.position_m, float(scheme.position_m(run.line))
        in_order = one_each and run.target != run.line and _walked_as(log, run, run.target)
        found = f"The line is noted at {noted:.2f} m along the baseline."
        if not -POSITION_M <= noted <= scheme.width_m + POSITION_M:
            advice = f"Ask the books for position_m of line {run.line}. Correct it in the notes."
            yield log.finding(Code.POSITION, run, found, f"0 to {scheme.width_m:g} m", advice)
        elif abs(noted - right) > POSITION_M and scheme.has_line(run.line) and not (in_order or _redoes_other(run)):
            expected = f"{right:.2f} m by its number and the spacing"
            advice = f"Ask the books for position_m of line {run.line}. Correct it if it is wrong. The line is placed "
            advice += "as noted."
            yield log.finding(Code.POSITION, run, found, expected, advice, severity="warning")


def _walked_as(log: GridLog, run: RunSummary, line: Optional[int]) -> bool:
    """Whether a recording may have been walked as a line of the grid is by the pattern."""
    return line is not None and run.seen_heading in (0, int(log.scheme.heading(line)))


def _redoes_other(run: RunSummary) -> bool:
    return run.kind == "redo" and run.target not in (None, run.line)


def _tie_positions(log: GridLog) -> Iterator[Finding]:
    length = log.scheme.length_m
    for run in log.runs:
        if run.kind != "tie" or -POSITION_M <= run.position_m <= length + POSITION_M:
            continue
        found = f"The tie line is noted at {run.position_m:.2f} m, outside the grid."
        if np.isnan(run.position_m):
            found = "The notes do not say where the tie line crosses."
        advice = f"Ask the books where tie line {run.line} crosses. Note its distance from the baseline in position_m."
        yield log.finding(Code.POSITION, run, found, f"0 to {length:g} m from the baseline", advice)


def _same_positions(log: GridLog) -> Iterator[Finding]:
    """Lines of different numbers on the same ground, where neither is a redo of the other."""
    runs = sorted((r for r in log.walked if r.kind == "survey"), key=lambda r: (r.position_m, r.line))
    for one, two in zip(runs, runs[1:]):
        if one.line == two.line or two.position_m - one.position_m > POSITION_M:
            continue
        moved, other = (one, two) if one.note and one.note.position_m is not None else (two, one)
        found = f"Lines {other.line} and {moved.line} both lie at {moved.position_m:.2f} m along the baseline."
        advice = f"Ask the books where lines {other.line} and {moved.line} lie. Correct position_m in the notes, or "
        advice += "note the line walked again as redo."
        yield log.finding(Code.POSITION, moved, found, "one line at a position", advice)


NOTE_CHECKS = (
    _notes_without_line,
    _lines_skipped,
    _rows_differ,
    _obstacles_outside,
    _resets_elsewhere,
    _notes_disagree,
    _positions,
    _tie_positions,
    _same_positions,
)
