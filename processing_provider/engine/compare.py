"""Hold a log against the field notes and the scheme: what is missing, doubled, or not as it should be.

Every check looks at the log through short summaries of its recordings. Overrun past both edges is normal, and so is a
line walked back that counts down past its first station and below zero: none of it makes a finding.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import replace
from typing import Callable, Iterator, Optional, Sequence

import numpy as np

from ._summaries import (
    FAR_PACE,
    POSITION_M,
    WALKED_KINDS,
    GridLog,
    RunSummary,
    noted_heading,
    overlap_m,
    summarise,
)
from .findings import SEVERITIES, Finding
from .notes import Note
from .place import SAME_STATION
from .readings import Readings
from .scheme import HEADINGS, PATTERNS, Scheme

SHORT_M = 0.5
"""A line may miss an edge by half a metre, about half a pace and half a usual line spacing: the map between the lines
is no better than that (common practice, no source)."""
HOLE_M = 1.0
"""Readings lost over more than a metre hide a pit or a post, and must be walked again (common practice, no source)."""
OVERRUN_M = 3.0
"""More overrun than this beyond that of the other lines means that the logger ran on (common practice, no source)."""
WALKING_MS = (0.3, 2.5)
"""Slowest and fastest walk with an instrument in hand, in m/s (common practice, no source)."""
SHORTEST_S = 4.0
"""Times in whole seconds tell no pace over less than this: the rounding alone would be a quarter of it."""
MANY = 4
"""So many lines with the same fault have one cause when they are most of the lines."""
SPREAD = 4 * 1.4826
"""Median absolute deviations beyond which a pace stands out: four standard deviations of a normal distribution."""


def compare_notes(
    readings: Readings,
    scheme: Scheme,
    notes: Sequence[Note] = (),
    *,
    progress: Optional[Callable[[float], None]] = None,
) -> list[Finding]:
    """Return everything in one grid's log that disagrees with the notes or with the scheme.

    Parameters
    ----------
    readings : Readings
        As read from the log, one grid; ``line``, ``run``, ``station``, ``time_s`` and ``heading`` as logged.
    scheme : Scheme
    notes : sequence of Note
        Notes of other grids are left aside.
    progress : callable, optional
        Called with the fraction done; what it raises ends the comparison.

    Returns
    -------
    list of Finding
        By severity (errors first), then line and recording. Empty for a log without fault.

    Notes
    -----
    Where most lines have the same fault, one finding without a line takes their place: the register, not the walk, is
    then the likely cause. A log in which nothing fits gives ``wrong-log`` alone.
    """
    if not len(readings):
        return [_finding(scheme, "error", "wrong-log", None, "The log has no readings of this grid.", "",
                         "Check which log belongs to this grid.")]  # fmt: skip
    log = summarise(readings, scheme, notes)
    wrong = _wrong_log(log)
    if wrong is not None:
        return [wrong]
    findings: list[Finding] = []
    for number, check in enumerate(CHECKS):
        if progress is not None:
            progress(number / len(CHECKS))
        findings.extend(_joined(list(check(log)), log))
    if progress is not None:
        progress(1.0)
    return sorted(findings, key=_rank)


def _rank(finding: Finding) -> tuple:
    line = -np.inf if finding.line is None else finding.line
    return SEVERITIES.index(finding.severity), finding.grid, line, finding.run or 0


def _finding(scheme: Scheme, severity, code, where, found, expected, advice, walk_again=False) -> Finding:
    """Return a finding about a recording, a line number or (None) the whole grid."""
    line, run = (where.line, where.run.run) if isinstance(where, RunSummary) else (where, None)
    return Finding(severity, code, found, expected, advice, scheme.grid, line, run, walk_again)


def _heading_word(heading: int) -> str:
    return "out" if heading > 0 else "back"


def _wrong_log(log: GridLog) -> Optional[Finding]:
    """Return the one finding about a log that cannot be this grid's, else None."""
    scheme, lines = log.scheme, [r for r in log.runs if r.kind in WALKED_KINDS]
    if not lines:
        return None
    advice = "Check which log belongs to this grid, and the line numbers and size in the register."
    noted = any(r.note is not None for r in lines)
    if not noted and all(r.target is None for r in lines):
        numbers = sorted({r.line for r in lines})
        found = f"No line of the log is one of this grid's: the log has {_listed(numbers)}."
        return _finding(scheme, "error", "wrong-log", None, found, f"lines {_listed(scheme.lines.tolist())}", advice)
    shares = np.array([r.count / scheme.readings_per_line for r in lines])
    if noted or len(lines) < MANY or not (np.all(shares < 0.5) or np.all(shares > 2.0)):
        return None
    found = f"The lines of the log have about {np.median([r.count for r in lines]):.0f} readings each."
    return _finding(
        scheme, "error", "wrong-log", None, found, f"about {scheme.readings_per_line} readings a line", advice
    )


def _listed(numbers: Sequence[int]) -> str:
    """Return line numbers for a sentence: all of a few, else the first and last."""
    if len(numbers) > MANY:
        return f"{numbers[0]} to {numbers[-1]} ({len(numbers)} lines)"
    return ", ".join(str(n) for n in numbers)


COMMON_CAUSE = {
    "line-short": "If the grid is smaller than the register says, correct length_m or readings_per_m there. "
    "If not, note where and why the lines stop, or walk them again.",
    "line-long": "If this overrun was meant, nothing need be done. If not, check length_m and readings_per_m.",
    "start-station": "Correct first_station in the register, or write the true start_station of each line "
    "into the notes.",
    "step-sign": "Check the heading and the step in the layout of the log.",
    "line-outside": "Check width_m, spacing_m, first_line and line_step in the register. Check that the log "
    "is this grid's.",
    "pace": "Check the times in the log and their layout.",
}
"""Advice where most lines share a fault."""


def _joined(findings: list[Finding], log: GridLog) -> list[Finding]:
    """Put one finding in the place of many of the same kind when most lines have it."""
    for code, advice in COMMON_CAUSE.items():
        same = [f for f in findings if f.code == code and f.severity != "note"]
        lines = sorted({f.line for f in same if f.line is not None})
        if len(lines) < MANY or len(lines) <= 0.6 * len({r.line for r in log.walked}):
            continue
        found = (
            f"{len(lines)} lines have the same fault: {_listed(lines)}. The first, line {same[0].line}: {same[0].found}"
        )
        whole = replace(same[0], line=None, run=None, found=found, advice=advice,
                        walk_again=any(f.walk_again for f in same))  # fmt: skip
        findings = [whole, *(f for f in findings if f not in same)]
    return findings


# ------------------------------------------------------------------------------- which lines there are, and in what order


def _missing_lines(log: GridLog) -> Iterator[Finding]:
    have = {r.target for r in log.walked}
    void = {r.line for r in log.runs if r.kind == "void"}
    for line in log.scheme.lines.tolist():
        if line in have or not _bare(log, line, []):
            continue
        position = float(log.scheme.position_m(line))
        found = "The line is void and was not walked again." if line in void else "The line is not in the log."
        advice = f"Walk line {line} again, at {position:.2f} m along the baseline."
        if line not in void:
            advice += " If it was recorded under another number, note it there as redo with this position_m."
        yield _finding(
            log.scheme, "error", "line-missing", line, found, f"one recording at {position:.2f} m", advice, True
        )


def _lines_outside(log: GridLog) -> Iterator[Finding]:
    """Lines that the scheme has not: probably dummies where they come first or last."""
    lines, ends = log.scheme.lines.tolist(), {log.runs[0].line, log.runs[-1].line}
    for run in log.walked:
        if run.target is not None or (run.note and run.note.position_m is not None):
            continue
        expected = f"lines {_listed(lines)}"
        if run.line in ends and run.note is None:
            order = "first" if run.line == log.runs[0].line else "last"
            found = f"The line was recorded {order} and is none of the grid's. It is probably a dummy."
            yield _finding(log.scheme, "warning", "dummy-likely", run, found, expected,
                           "Note it as dummy. If it is a survey line, note its position_m.")  # fmt: skip
            continue
        found = f"Line {run.line} is none of the grid's; it has {run.count} readings."
        yield _finding(log.scheme, "error", "line-outside", run, found, expected,
                       "Note what it is: kind dummy, tie, base, void, or redo with its position_m.")  # fmt: skip


def _lines_twice(log: GridLog) -> Iterator[Finding]:
    """Lines recorded again over the same ground without a word in the notes; a false start may be a dummy."""
    ends = {id(log.runs[0]), id(log.runs[-1])}
    for line, runs in _by_line(log.walked).items():
        for i, later in enumerate(runs):
            earlier = [r for r in runs[:i] if overlap_m(r, later, log.scheme) > 2 * SHORT_M]
            if later.kind == "redo" or not earlier:
                continue
            least = min([later, *earlier], key=lambda r: r.count)
            if id(least) in ends and least.count < 0.5 * log.scheme.readings_per_line and least.note is None:
                yield _finding(log.scheme, "warning", "dummy-likely", least,
                               f"A lone piece of {least.count} readings carries the number of line {line}. "
                               "It is probably a dummy or a false start.", "one recording of the line",
                               f"Note recording {least.run.run} of line {line} as dummy or void. "
                               "The later recording is taken where both cover the ground.")  # fmt: skip
                continue
            yield _finding(log.scheme, "warning", "line-twice", later,
                           f"Line {line} was recorded {len(runs)} times, and the notes do not say why.",
                           "one recording, or a note of kind redo or void",
                           "The later recording is taken. Note the one to keep as redo, or the bad one as void.")  # fmt: skip


def _by_line(runs: Sequence[RunSummary]) -> dict[int, list[RunSummary]]:
    lines: dict[int, list[RunSummary]] = {}
    for run in runs:
        lines.setdefault(run.line, []).append(run)
    return lines


def _line_order(log: GridLog) -> Iterator[Finding]:
    """Lines that would have to be moved for the numbers to run on; the whole grid may be walked from the far end."""
    runs = [r for r in log.walked if r.run.run == 1 and r.kind == "survey" and log.scheme.has_line(r.line)]
    order = [float(log.scheme.order(r.line)) for r in runs]
    kept = max(_rising(order), _rising([-n for n in order]), key=len)
    for i, run in enumerate(runs):
        if i not in kept:
            before = f"after line {runs[i - 1].line}" if i else f"before line {runs[1].line}"
            yield _finding(log.scheme, "warning", "line-order", run, f"Line {run.line} was recorded {before}.",
                           "lines recorded in the order of their numbers",
                           "Check that it carries the right number. If it does, leave it.")  # fmt: skip


def _rising(values: Sequence[float]) -> set[int]:
    """Return the places of a longest rising series (the usual method with the smallest last value by length)."""
    tails: list[float] = []
    places: list[int] = []
    before: list[int] = []
    for i, value in enumerate(values):
        k = bisect_left(tails, value)
        tails[k : k + 1], places[k : k + 1] = [value], [i]
        before.append(places[k - 1] if k else -1)
    series, i = set(), places[-1] if places else -1
    while i >= 0:
        series.add(i)
        i = before[i]
    return series


# ---------------------------------------------------------------------------------------- how far and from where they go


def _bare(log: GridLog, line: int, runs: Sequence[RunSummary]) -> list[tuple[float, float]]:
    """Return the stretches of a line's ground without readings and without obstacle, as first and last station."""
    scheme = log.scheme
    station = scheme.first_station + np.arange(scheme.readings_per_line)
    bare = np.ones(len(station), bool)
    for run in runs:
        bare &= ~((station > run.low - 1) & (station < run.high + 1))
    for note in log.notes:
        if note.kind == "obstacle" and note.line in (None, line):
            ends = [s for s in (note.start_station, note.stop_station) if s is not None]
            bare &= ~((station >= min(ends, default=-np.inf) - SAME_STATION)
                      & (station <= max(ends, default=np.inf) + SAME_STATION))  # fmt: skip
    cuts = np.flatnonzero(np.diff(np.concatenate([[False], bare, [False]]).astype(int)))
    return [(float(station[a]), float(station[b - 1])) for a, b in zip(cuts[::2], cuts[1::2])]


def _setting_forgotten(log: GridLog, run: RunSummary) -> bool:
    """Whether a recording has readings enough for the line, but stations that miss an edge."""
    enough = run.count * log.scheme.interval_m >= log.scheme.length_m - SHORT_M
    counted = np.isfinite(run.first) and not run.mixed
    noted = run.note is not None and run.note.start_station is not None
    return enough and counted and not noted and any(_too_long(log, s) for s in _bare(log, run.target, [run]))


def _too_long(log: GridLog, stretch: tuple[float, float]) -> bool:
    return (stretch[1] - stretch[0] + 1) * log.scheme.interval_m > SHORT_M + 1e-9


def _short_lines(log: GridLog) -> Iterator[Finding]:
    edges = log.scheme.edge_stations(1)
    for line, runs in _by_target(log.kept).items():
        if any(_setting_forgotten(log, r) for r in runs):
            continue
        for stretch in filter(lambda s: _too_long(log, s), _bare(log, line, runs)):
            length = (stretch[1] - stretch[0] + 1) * log.scheme.interval_m
            where = f"stations {stretch[0]:g} to {stretch[1]:g} ({length:.1f} m)"
            expected = f"readings at stations {edges[0]:g} to {edges[1]:g}"
            if any(_notes_explain(r, stretch) for r in runs):
                yield _finding(log.scheme, "note", "line-short", line, f"As noted, {where} have no readings.", expected,
                               "Note an obstacle there if the ground cannot be walked.")  # fmt: skip
                continue
            yield _finding(log.scheme, "error", "line-short", line, f"No readings at {where}.", expected,
                           f"Walk line {line} again. If something stood in the way, note it as obstacle with "
                           "its stations.", True)  # fmt: skip


def _by_target(runs: Sequence[RunSummary]) -> dict[int, list[RunSummary]]:
    lines: dict[int, list[RunSummary]] = {}
    for run in runs:
        lines.setdefault(run.target, []).append(run)
    return lines


def _notes_explain(run: RunSummary, stretch: tuple[float, float]) -> bool:
    """Whether a noted start or stop lies at one border of the stretch."""
    if run.note is None:
        return False
    ends = [s for s in (run.note.start_station, run.note.stop_station) if s is not None]
    return any(abs(s - stretch[0] + 1) <= 1 or abs(s - stretch[1] - 1) <= 1 for s in ends)


def _long_lines(log: GridLog) -> Iterator[Finding]:
    low, high = log.scheme.edge_stations(1)
    runs = [r for r in log.kept if not _setting_forgotten(log, r) and not r.mixed]
    if log.scheme.pace == "rate":
        beyond = [(low - r.low, r.high - high) for r in runs]
    else:
        # The reading rate does not tell the way, so a line is only long beside the others.
        usual = FAR_PACE * np.median([r.count for r in runs] or [0])
        beyond = [(0.0, r.count - max(usual, FAR_PACE * log.scheme.readings_per_line)) for r in runs]
    over_m = np.array(beyond).reshape(-1, 2) * log.scheme.interval_m
    for run, over in zip(runs, np.max(over_m - np.maximum(np.median(over_m, axis=0) if runs else 0, 0), axis=1)):
        if over <= OVERRUN_M:
            continue
        yield _finding(log.scheme, "warning", "line-long", run,
                       f"The line has {run.count} readings; it runs {over:.1f} m farther past the edge than others do.",
                       f"stations {low:g} to {high:g} and a little overrun",
                       "It is trimmed at the edges. If the logger ran on while turning, note the true start_station "
                       "and stop_station.")  # fmt: skip


def _start_stations(log: GridLog) -> Iterator[Finding]:
    for run in log.kept:
        if not _setting_forgotten(log, run):
            continue
        usual = _usual_start(log, run.heading)
        yield _finding(log.scheme, "error", "start-station", run,
                       f"The line starts at station {run.first:g} and ends at {run.last:g}. Its {run.count} readings are "
                       "enough for the whole line, so the start station was probably not set.",
                       f"start near station {usual:g} when walked {_heading_word(run.heading)}",
                       f"Write where it was started into the notes (start_station {usual:g} or near it). "
                       "Until then its readings are in the wrong place.")  # fmt: skip


def _usual_start(log: GridLog, heading: int) -> float:
    """Return the station from which other lines of a heading start, else the edge."""
    starts = [r.low if heading > 0 else r.high for r in log.kept
              if r.heading == heading and not _setting_forgotten(log, r)]  # fmt: skip
    return float(round(np.median(starts))) if starts else log.scheme.edge_stations(heading)[0]


# --------------------------------------------------------------------------------------------------- direction and count


def _directions(log: GridLog) -> Iterator[Finding]:
    """Lines walked the other way than the pattern says: a forgotten setting, or a pattern not kept to."""
    told = [r for r in log.kept if r.line == r.target and not noted_heading(r.note) and _seen_heading(r)]
    wrong = [r for r in told if _seen_heading(r) != int(log.scheme.heading(r.line))]
    if len(wrong) >= MANY and len(wrong) > 0.4 * len(told):
        yield _wrong_pattern(log, told, wrong)
        return
    for run in wrong:
        right = int(log.scheme.heading(run.line))
        counts = f"counts from station {run.first:g} to {run.last:g}" if run.counted else "has no count"
        found = f"The log has the line walked {_heading_word(-right)}; it {counts}."
        start = _usual_start(replace(log, runs=tuple(r for r in log.runs if r not in wrong)), right)
        yield _finding(log.scheme, "error", "direction", run, found, f"walked {_heading_word(right)} from near {start:g}",
                       f"If it was walked {_heading_word(right)}, the setting was forgotten: note heading "
                       f"{_heading_word(right)} and the start_station ({start:g} or near it). If it was walked "
                       f"{_heading_word(-right)}, note heading {_heading_word(-right)}.")  # fmt: skip


def _seen_heading(run: RunSummary) -> int:
    return run.logged_heading or (0 if run.mixed else run.counted)


def _wrong_pattern(log: GridLog, told: Sequence[RunSummary], wrong: Sequence[RunSummary]) -> Finding:
    """Return one finding for a register whose pattern or first heading is not the log's, with what would fit."""
    given = f"pattern {log.scheme.pattern}, first_heading {log.scheme.first_heading}"
    fits = {}
    for pattern in PATTERNS:
        for first in HEADINGS:
            other = replace(log.scheme, pattern=pattern, first_heading=first)
            fits[f"pattern {pattern}, first_heading {first}"] = sum(
                _seen_heading(r) == int(other.heading(r.line)) for r in told
            )
    best = max(fits, key=fits.get)
    advice = "Check how the grid was walked, and note the heading of each line that does not follow the pattern."
    if fits[best] > 0.9 * len(told):
        advice = f"If it was walked so, put {best} into the register. If not, note the heading of each line."
    found = f"{len(wrong)} of {len(told)} lines were walked the other way than the register says: "
    return _finding(
        log.scheme, "error", "direction", None, f"{found}{_listed([r.line for r in wrong])}.", given, advice
    )


def _step_signs(log: GridLog) -> Iterator[Finding]:
    for run in log.kept:
        if run.mixed:
            found = f"The stations grow {run.ups} times and fall {run.downs} times within the line."
            yield _finding(log.scheme, "error", "step-sign", run, found, "a count that goes one way",
                           "The logger probably ran on while turning. Note the line as void and walk it again, "
                           "unless another recording is good.", True)  # fmt: skip
        elif run.counted == -run.logged_heading and not noted_heading(run.note):
            found = (f"The log has the line walked {_heading_word(run.logged_heading)}, but it counts "
                     f"from station {run.first:g} to {run.last:g}.")  # fmt: skip
            start = _usual_start(log, run.logged_heading)
            yield _finding(log.scheme, "warning", "step-sign", run, found,
                           f"a count {'up' if run.logged_heading > 0 else 'down'} from near {start:g}",
                           f"Note the heading and the start_station ({start:g} or near it).")  # fmt: skip


def _station_jumps(log: GridLog) -> Iterator[Finding]:
    if np.isfinite(log.usual_step) and abs(log.usual_step - 1) > 1e-6:
        yield _finding(log.scheme, "error", "station-jump", None,
                       f"The stations change by {log.usual_step:g} from one reading to the next.", "1",
                       "Give the station column a factor in the layout of the log, so that stations count readings.")  # fmt: skip
        return
    for run in log.kept:
        if run.mixed:
            continue
        others = [r for r in log.kept if r.target == run.target and r is not run]
        bare = _bare(log, run.target, others)
        for before, after in run.jumps:
            finding = _jump(log, run, before, after, bare)
            if finding is not None:
                yield finding


def _jump(log: GridLog, run: RunSummary, before: float, after: float, bare) -> Optional[Finding]:
    """Return the finding about one jump of the station; None where nothing was lost that is needed."""
    found = f"The station jumps from {before:g} to {after:g}."
    if np.sign(after - before) != run.counted:
        return _finding(log.scheme, "warning", "station-jump", run, found, "a count that goes on by 1",
                        "Readings from there on may be in the wrong place. Check the map along this line.")  # fmt: skip
    a, b = sorted(run.turn[0] + run.turn[1] * s for s in (before, after))
    lost = sum(max(0.0, min(b - 1, high) - max(a + 1, low) + 1) for low, high in bare) * log.scheme.interval_m
    if lost <= 0:
        return None
    found += f" Readings over {lost:.1f} m are lost."
    if lost > HOLE_M:
        return _finding(log.scheme, "error", "station-jump", run, found, "a count that goes on by 1",
                        f"Walk line {run.line} again: a gap of more than {HOLE_M:g} m can hide a pit. If something "
                        "stood in the way, note it as obstacle.", True)  # fmt: skip
    return _finding(log.scheme, "warning", "station-jump", run, found, "a count that goes on by 1",
                    f"Leave it: a gap of up to {HOLE_M:g} m is filled from its neighbours.")  # fmt: skip


# --------------------------------------------------------------------------------------------------- position and pace


def _positions(log: GridLog) -> Iterator[Finding]:
    scheme = log.scheme
    for run in log.runs:
        if run.kind == "tie":
            yield from _tie_position(log, run)
        if run.kind not in WALKED_KINDS or run.note is None or run.note.position_m is None:
            continue
        noted, right = run.note.position_m, float(scheme.position_m(run.line))
        if not -POSITION_M <= noted <= scheme.width_m + POSITION_M:
            yield _finding(scheme, "error", "position", run, f"The line is noted at {noted:.2f} m, outside the grid.",
                           f"0 to {scheme.width_m:g} m", "Correct position_m in the notes.")  # fmt: skip
        elif abs(noted - right) > POSITION_M and not (run.kind == "redo" and run.target is not None) \
                and scheme.has_line(run.line):  # fmt: skip
            yield _finding(scheme, "warning", "position", run, f"The line is noted at {noted:.2f} m.",
                           f"{right:.2f} m by its number and the spacing",
                           "It is placed as noted. Correct position_m in the notes if it is wrong.")  # fmt: skip
    yield from _same_position(log)


def _tie_position(log: GridLog, run: RunSummary) -> Iterator[Finding]:
    length = log.scheme.length_m
    if np.isnan(run.position_m):
        found = "The notes do not say where the tie line crosses."
    elif not -POSITION_M <= run.position_m <= length + POSITION_M:
        found = f"The tie line is noted at {run.position_m:.2f} m, outside the grid."
    else:
        return
    yield _finding(log.scheme, "error", "position", run, found, f"0 to {length:g} m from the baseline",
                   "Note its distance from the baseline in position_m.")  # fmt: skip


def _same_position(log: GridLog) -> Iterator[Finding]:
    """Lines of different numbers on the same ground, where neither is a redo of the other."""
    runs = sorted((r for r in log.walked if r.kind == "survey" and np.isfinite(r.position_m)),
                  key=lambda r: (r.position_m, r.line))  # fmt: skip
    for one, two in zip(runs, runs[1:]):
        if one.line == two.line or two.position_m - one.position_m > POSITION_M:
            continue
        later, other = (one, two) if one.note and one.note.position_m is not None else (two, one)
        yield _finding(log.scheme, "error", "position", later,
                       f"Lines {other.line} and {later.line} both lie at {later.position_m:.2f} m.",
                       "one line at a position",
                       "Correct position_m in the notes, or note the line walked again as redo.")  # fmt: skip


def _paces(log: GridLog) -> Iterator[Finding]:
    """Lines walked far faster or slower than the others, and times that nobody can have walked."""
    scheme = log.scheme
    for run in log.kept:
        if run.clock_back:
            yield _finding(scheme, "warning", "pace", run, "The times run backwards within the line.",
                           "times that grow", "Check the clock of the logger and the time format in the layout.")  # fmt: skip
    timed = [r for r in log.kept if not r.clock_back and r.duration_s > 0 and r.duration_s >= SHORTEST_S]
    if not timed:
        return
    if scheme.pace == "rate":
        metres = np.array([max(r.count - 1, r.high - r.low) * scheme.interval_m for r in timed])
    else:
        metres = np.full(len(timed), scheme.length_m)
    speed = metres / np.array([r.duration_s for r in timed])
    usual = float(np.median(speed))
    if not WALKING_MS[0] <= usual <= WALKING_MS[1]:
        yield _finding(scheme, "warning", "pace", None,
                       f"By its times the grid was walked at {usual:.2f} m/s ({scheme.readings_per_m:g} readings a metre).",
                       f"{WALKING_MS[0]:g} to {WALKING_MS[1]:g} m/s",
                       "Check readings_per_m in the register, and the time format in the layout.")  # fmt: skip
    off = np.abs(np.log(speed / usual))
    limit = max(np.log(FAR_PACE), SPREAD * float(np.median(off)))
    for run, its, far in zip(timed, speed, off > limit):
        if far:
            yield _finding(scheme, "warning", "pace", run,
                           f"The line was walked at {its:.2f} m/s: {run.count} readings in {run.duration_s:.0f} s.",
                           f"about {usual:.2f} m/s, as the other lines",
                           "Look at it on the map. Walk it again if its features are shifted against its neighbours.")  # fmt: skip


# ---------------------------------------------------------------------------------------------- notes, marks and values


def _notes_without_line(log: GridLog) -> Iterator[Finding]:
    have = {r.line for r in log.runs}
    recordings = {(r.line, r.run.run) for r in log.runs}
    for note in log.notes:
        # A note that names no grid may be about another one.
        if note.line is None or note.grid != log.scheme.grid:
            continue
        if note.kind == "obstacle" and log.scheme.has_line(note.line):
            continue
        here = note.where or "The notes"
        if note.line not in have:
            found = f"{here}: kind {note.kind} for line {note.line}, which is not in the log."
        elif note.run is not None and (note.line, note.run) not in recordings:
            found = f"{here}: kind {note.kind} for recording {note.run} of line {note.line}, which is not in the log."
        else:
            continue
        yield _finding(log.scheme, "warning", "note-without-line", note.line, found, "a line of the log",
                       "Check the line and the recording in the notes, and that the log is whole.")  # fmt: skip


def _notes_disagree(log: GridLog) -> Iterator[Finding]:
    """Notes against the log's own start, stop and heading; the notes count."""
    for run in log.runs:
        if run.note is None or run.kind == "base" or not np.isfinite(run.first):
            continue
        note, said, logged = run.note, [], []
        heading, seen = noted_heading(note), _seen_heading(run)
        if heading and seen and heading != seen:
            said.append(f"walked {_heading_word(heading)}")
            logged.append(f"walked {_heading_word(seen)}")
        if note.start_station is not None and abs(note.start_station - run.first) > SAME_STATION:
            said.append(f"started at station {note.start_station:g}")
            logged.append(f"started at station {run.first:g}")
        stop = _stop_difference(log, run)
        if stop:
            said.append(f"stopped at station {note.stop_station:g}")
            logged.append(f"stopped at station {note.stop_station + stop:g}")
        if not said:
            continue
        here = note.where or "The notes"
        advice = "The line is placed as noted. Look at it on the map."
        if stop:
            advice = "Check the stations in the notes. Readings may be lost, or the line be in the wrong place."
        yield _finding(log.scheme, "warning" if stop else "note", "note-disagrees", run,
                       f"By the log the line was {' and '.join(logged)}.", f"{' and '.join(said)} ({here})", advice)  # fmt: skip


def _stop_difference(log: GridLog, run: RunSummary) -> float:
    """Return by how many stations the log ends elsewhere than noted, once placed as noted; 0 when it does not."""
    if run.note.stop_station is None or log.scheme.pace != "rate":
        return 0.0
    off = run.turn[0] + run.turn[1] * run.last - run.note.stop_station
    return off if abs(off) * log.scheme.interval_m > SHORT_M + 1e-9 else 0.0


def _marks(log: GridLog) -> Iterator[Finding]:
    if log.scheme.pace != "marks" or not log.kept:
        return
    usual = Counter(r.marks for r in log.kept).most_common(1)[0][0]
    if usual < 2:
        yield _finding(log.scheme, "error", "marks", None, f"Most lines have {usual} marks.",
                       "a mark at both edges at least",
                       "Check the marks in the log and in its layout, or set pace to rate in the register.")  # fmt: skip
        return
    for run in log.kept:
        if run.marks != usual:
            yield _finding(log.scheme, "warning", "marks", run, f"The line has {run.marks} marks.",
                           f"{usual}, as most lines",
                           "It is placed by the reading rate. Correct the marks in the log if you know them.")  # fmt: skip


def _missing_values(log: GridLog) -> Iterator[Finding]:
    """Readings without value, counted by channel; long stretches of them by line."""
    total = len(log.readings)
    for channel, values in log.readings.channels.items():
        missing = ~np.isfinite(values)
        count = int(np.count_nonzero(missing))
        if not count:
            continue
        empty = count == total
        found = f"{count} of {total} readings have no value of {channel}."
        advice = (
            "Check the column in the layout of the log." if empty else "They are left out of the map of this channel."
        )
        yield _finding(
            log.scheme, "error" if empty else "note", "values-missing", None, found, "a value a reading", advice
        )
        if not empty:
            yield from _value_holes(log, channel, missing)


def _value_holes(log: GridLog, channel: str, missing: np.ndarray) -> Iterator[Finding]:
    low, high = log.scheme.edge_stations(1)
    for run in log.kept:
        bad = missing[run.run.rows]
        if not np.isfinite(run.first) or np.count_nonzero(bad) * log.scheme.interval_m <= HOLE_M:
            continue
        station = run.turn[0] + run.turn[1] * log.readings.station[run.run.rows]
        cuts = np.flatnonzero(np.diff(np.concatenate([[False], bad & (station >= low) & (station <= high), [False]])))
        for a, b in zip(cuts[::2], cuts[1::2]):
            if (b - a) * log.scheme.interval_m > HOLE_M:
                ends = sorted((station[a], station[b - 1]))
                yield _finding(log.scheme, "error", "values-missing", run,
                               f"No values of {channel} at stations {ends[0]:g} to {ends[1]:g}.", "a value a reading",
                               f"Walk line {run.line} again: a gap of more than {HOLE_M:g} m can hide a pit.", True)  # fmt: skip


CHECKS = (
    _missing_lines,
    _lines_outside,
    _lines_twice,
    _line_order,
    _short_lines,
    _long_lines,
    _start_stations,
    _directions,
    _step_signs,
    _station_jumps,
    _positions,
    _paces,
    _notes_without_line,
    _notes_disagree,
    _marks,
    _missing_values,
)
