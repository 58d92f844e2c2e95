"""Causes of many faults at once: numbers and counts of lines that are not as they should be."""

from __future__ import annotations

from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import Code
from .grid_log import MANY, Cause, GridLog, listed
from .line_summaries import RunSummary
from .lines import SHORT_M
from .walk import TWICE

SAME_START = 0.8
"""Where more than this fraction of the lines walked one way start at the same station, that was set on purpose. Common
practice, no source."""
PART = 0.8
"""Two recordings in turn are two lines where the second has at least this fraction of the readings of the first. Common
practice, no source: it leaves room for overrun."""
OF_NUMBERS = (Code.LINE_MISSING, Code.LINE_OUTSIDE, Code.DUMMY_LIKELY, Code.LINE_TWICE, Code.LINE_ORDER,
              Code.LINE_SKIPPED, Code.NOTE_WITHOUT_LINE, Code.NOTE_DISAGREES)  # fmt: skip
"""What is found of lines under wrong numbers."""
OF_COUNTS = (Code.LINE_SHORT, Code.LINE_LONG, Code.STEP_SIGN, Code.STATION_JUMP, Code.START_STATION, Code.PACE,
             Code.DIRECTION)  # fmt: skip
"""What is found of a recording that is two."""


def other_numbers(log: GridLog) -> Iterator[Cause]:
    """Find as many lines as the grid has under evenly counted numbers of another kind: another first line or step."""
    scheme = log.scheme
    numbers = sorted({r.line for r in log.walked}, reverse=scheme.line_step < 0)
    if len(numbers) != scheme.line_count or len(numbers) < MANY or any(r.note_position is not None for r in log.walked):
        return
    first, steps = numbers[0], set(np.diff(numbers).tolist())
    # A few numbers farther is what a logger does that skips some.
    if len(steps) > 1 or (steps == {scheme.line_step} and abs(first - int(scheme.lines[0])) < MANY):
        return
    (step,) = steps
    remedy = [f"first_line is {first}"] * (first != scheme.first_line) + [f"line_step is {step}"] * (
        step != scheme.line_step
    )
    found = f"The log has as many lines as the grid, but with numbers {listed(numbers)}."
    advice = f"Ask the books whether {' and '.join(remedy)}. If so, correct the register. If not, the log is another's."
    expected = f"lines {listed(scheme.lines.tolist())}"
    finding = log.finding(Code.LINE_OUTSIDE, None, found, expected, advice, also=numbers)
    yield Cause(finding, (), (*OF_NUMBERS, Code.DIRECTION, Code.STEP_SIGN))


def _number_skipped(log: GridLog) -> Iterator[Cause]:
    """Find numbers that the logger jumped over: they are missing, and as many are too many behind the last line.

    The lines behind a gap were walked the way of the line before theirs, where the pattern alternates.
    """
    scheme, missing = log.scheme, log.missing
    count = len(missing)
    beyond = {
        float(scheme.order(r.line)) - scheme.line_count
        for r in log.walked
        if r.target is None and r.note_position is None
    }
    if not 0 < count < MANY or not beyond >= set(range(count)):
        return
    order = np.sort(scheme.order(missing))
    behind = [(r, int(np.searchsorted(order, float(scheme.order(r.line))))) for r in log.walked]
    behind = [(r, gaps) for r, gaps in behind if gaps]
    ways = [r.seen_heading == int(scheme.heading(r.line - k * scheme.line_step)) for r, k in behind if r.seen_heading]
    # Notes that have the missing numbers were written beside the log: then the ways of the lines must show it.
    noted = bool(log.noted_lines & set(missing))
    if (ways and np.mean(ways) <= SAME_START) or (noted and (scheme.pattern != "alternate" or len(ways) < MANY)):
        return
    last = scheme.lines[-1] + count * scheme.line_step
    also = [*missing, *(r.line for r, _ in behind)]
    blocks = np.split(np.array(missing), np.flatnonzero(np.diff(scheme.order(missing)) != 1) + 1)
    for k, block in enumerate(blocks):
        gap, after = listed(block.tolist()), block[-1] + scheme.line_step
        until = blocks[k + 1][0] - scheme.line_step if k + 1 < len(blocks) else last
        nearer = sum(map(len, blocks[: k + 1])) * scheme.spacing_m
        lines, numbers, again = f"Line {gap} is", f"number {gap} was", f"line {gap}"
        if len(block) > 1:
            lines, numbers, again = f"Lines {gap} are", f"numbers {gap} were", f"lines {gap}"
        found = f"{lines} not in the log, and line {last} is beyond the last one of the grid."
        advice = (
            f"Ask the books whether {numbers} skipped. If so, lines {after} to {until} lie {nearer:g} m nearer "
            f"to the start than their numbers say: note their position_m. If {again} came last, under "
            f"another number, note the position_m of that. If neither, walk {again} again."
        )
        expected = f"lines {listed(scheme.lines.tolist())}"
        finding = log.finding(Code.LINE_MISSING, int(block[0]), found, expected, advice, action="ask", also=also)
        yield Cause(finding, (*OF_NUMBERS, Code.DIRECTION, Code.STEP_SIGN))


def _number_repeated(log: GridLog) -> Iterator[Cause]:
    """Find a number given to two lines in turn, so that the last line of the grid is missing.

    The lines behind it were walked the way of the next one. The logger may join two recordings with one number.
    """
    scheme, missing = log.scheme, log.missing
    if scheme.pattern != "alternate" or missing != [int(scheme.lines[-1])]:
        return
    runs = [r for r in log.walked if r.target is not None]
    for k, run in enumerate(runs):
        twice = run.count > TWICE * scheme.readings_per_line
        twice |= k + 1 < len(runs) and runs[k + 1].line == run.line and runs[k + 1].count > PART * run.count
        behind = [r for r in runs[k + 1 :] if r.line != run.line]
        ways = [r.seen_heading == -int(scheme.heading(r.line)) for r in behind if r.seen_heading]
        if not twice or len(ways) < MANY or np.mean(ways) <= SAME_START:
            continue
        last, end = missing[0], behind[-1].line
        found = (
            f"Line {last} is not in the log. Line {run.line} has the readings of two lines, and lines "
            f"{behind[0].line} to {end} were walked the way of the line after theirs."
        )
        advice = (
            f"Ask the books whether number {run.line} was given to two lines. If so, correct them: the second of "
            f"the two and lines {behind[0].line} to {end} lie {scheme.spacing_m:g} m farther. If not, walk "
            f"line {last} again."
        )
        also = [last, *(r.line for r in behind)]
        finding = log.finding(Code.LINE_MISSING, run.line, found, "a number a line", advice, action="ask", also=also)
        yield Cause(finding, (*OF_NUMBERS, *OF_COUNTS))
        return


def _counted_anew(log: GridLog) -> Iterator[Cause]:
    """Find lines in two recordings that together have a line's readings, of which the second counts from the start too.

    The walk went on after a pause, and the logger counted anew.
    """
    whole, slack = log.scheme.readings_per_line, SHORT_M * log.scheme.readings_per_m
    typical = float(np.median([r.count for r in log.kept])) if log.kept else 0.0
    for one, two in zip(log.runs, log.runs[1:]):
        anew = one.walked and two.walked and one.line == two.line and one.target is not None
        if not anew or np.isnan(one.first) or abs(one.first - two.first) > slack or one.counted != two.counted:
            continue
        alone = max(one.count, two.count) > whole - slack
        if alone or one.count + two.count < whole - slack or one.count + two.count > typical + slack:
            continue
        start = one.from_start(one.last) + one.heading
        found = (
            f"Recordings {one.run.run} and {two.run.run} of line {one.line} both count from about station "
            f"{two.first:g}, and have {one.count} and {two.count} readings, together those of one line."
        )
        advice = (
            f"Ask the books whether line {one.line} went on after a pause. If so, note recording {two.run.run} with "
            f"start_station {start:g}. If not, walk the line again."
        )
        finding = log.finding(Code.START_STATION, two, found, "stations that count on", advice)
        yield Cause(finding, (*OF_COUNTS, Code.LINE_TWICE, Code.NOTE_DISAGREES, Code.DUMMY_LIKELY))


def _exchanged(log: GridLog) -> Iterator[Cause]:
    """Find two lines whose exchange would bring all lines into their turn."""
    runs = [r for r in log.walked if r.run.run == 1 and r.kind == "survey" and log.scheme.has_line(r.line)]
    order = np.array([float(log.scheme.order(r.line)) for r in runs])
    wrong = min((np.flatnonzero(order != turn) for turn in (np.sort(order), np.sort(order)[::-1])), key=len)
    if len(wrong) != 2 or len(order) < MANY:
        return
    one, two = sorted((runs[int(i)] for i in wrong), key=lambda r: r.line)
    found = f"In the log lines {one.line} and {two.line} stand in each other's turn."
    for run in (one, two):
        if run.seen_heading and run.seen_heading != int(log.scheme.heading(run.line)):
            found += f" Line {run.line} was walked the way of the other one."
            break
    advice = (
        f"Ask the books whether lines {one.line} and {two.line} were exchanged. If so, note the position_m of each, "
        f"{float(log.scheme.position_m(two.line)):.2f} and {float(log.scheme.position_m(one.line)):.2f}. If they were "
        "walked in this order, leave it."
    )
    finding = log.finding(
        Code.LINE_ORDER, one.line, found, "lines in the order of their numbers", advice, also=(two.line,)
    )
    yield Cause(finding, (Code.NOTE_DISAGREES, Code.DIRECTION, Code.STEP_SIGN), everywhere=(Code.LINE_ORDER,))


def _breaks_off(log: GridLog) -> Iterator[Cause]:
    """Find a log that ends within a line, while the notes go on: it was not saved or copied whole."""
    logged, run = {r.line for r in log.runs}, log.runs[-1]
    noted = [n.line for n in log.notes if n.line is not None and n.of_recording]
    if not run.walked or run.target is None or run.superseded or run.line not in noted or run.mixed:
        return
    behind = noted[len(noted) - noted[::-1].index(run.line) :]
    absent = [line for line in noted if line not in logged]
    low, high = log.scheme.edge_stations(1)
    bare = (high - run.high if run.heading > 0 else run.low - low) * log.scheme.interval_m
    if not absent or absent != behind or bare <= SHORT_M:
        return
    found = f"The log breaks off here. It ends {bare:.1f} m before the edge, and the notes go on to line {behind[-1]}."
    advice = f"Walk line {run.line} again. First look for the rest of the log: it may not have been copied whole."
    codes = [Code.LINE_SHORT, Code.NOTE_DISAGREES, Code.PACE]
    missing = [line for line in log.missing if line in absent]
    if len(missing) >= MANY:
        advice = "Ask for the rest of the log. It may not have been copied whole. If there is none, walk lines "
        advice += f"{listed([run.line, *missing], counted=False)}."
        codes.append(Code.LINE_MISSING)
    expected, also = "a log that ends with the last line noted", absent if len(missing) >= MANY else ()
    finding = log.finding(Code.LINE_SHORT, run, found, expected, advice, also=also)
    yield Cause(finding, tuple(codes), everywhere=(Code.NOTE_WITHOUT_LINE,))


def _other_number(log: GridLog) -> Iterator[Cause]:
    """Find the recording of a missing line under another number: it stands in the log where the line should."""
    runs = _walked_or_unnoted(log)
    for line in log.missing:
        found = _stray_recording(log, runs, line)
        if found is None:
            continue
        run, what, remedy = found
        advice = f"Ask the books whether {what}. If so, {remedy}. If not, walk line {line}."
        k = runs.index(run)
        near = [r.line for r in (*runs[max(0, k - 1) : k], *runs[k + 1 : k + 2]) if r.line != run.line]
        where = f"Line {line} is not in the log. Recording {run.run.run} of line {run.line} has {run.count} readings"
        where += f" and stands beside line{'s' * (len(near) > 1)} {' and '.join(map(str, near))}." if near else "."
        also = (run.line,) if run.line != line else ()
        finding = log.finding(
            Code.LINE_MISSING, line, where, "a recording of each line", advice, action="ask", also=also
        )
        yield Cause(finding, (*OF_NUMBERS, *OF_COUNTS))


def _walked_or_unnoted(log: GridLog) -> list[RunSummary]:
    """Return the recordings of survey lines, and those that have the number of a dummy without a word in the notes."""
    again = {id(r) for r in log.runs if r.kind == "dummy" and r.run.run > 1 and r.note and r.note.run is None}
    return [r for r in log.runs if r.walked or id(r) in again]


def _stray_recording(log: GridLog, runs: Sequence[RunSummary], line: int) -> Optional[tuple[RunSummary, str, str]]:
    """Return the recording that may be a missing line's, the question about it and the remedy; None without one."""
    scheme = log.scheme
    wanted, whole = float(scheme.order(line)), scheme.readings_per_line
    right = int(scheme.heading(line))
    for k, run in enumerate(runs):
        before = _order_of(log, runs[k - 1].line) if k else None
        after = _order_of(log, runs[k + 1].line) if k + 1 < len(runs) else None
        own = _order_of(log, run.line)
        ends = [x for x in (before, after) if x is not None]
        if own is not None and run.count > TWICE * whole:
            beside = any(min(own, x) < wanted < max(own, x) for x in ends)
            if beside or (after is None and wanted == own + 1):
                return run, f"line {run.line} holds line {line} too", "note its stations, and those of the next line"
        again = run.kind == "dummy" or (run.kind == "survey" and sum(r.line == run.line for r in runs) > 1)
        stray = run.target is None or again
        named = run.note is not None and (run.note.run is not None or run.note_position is not None)
        turned = bool(run.seen_heading) and run.seen_heading != right
        between = len(ends) == 2 and min(ends) < wanted < max(ends)
        beside = run.kind == "dummy" and len(ends) == 1 and abs(ends[0] - wanted) == 1
        if stray and not named and not turned and (between or beside):
            if run.count > whole - SHORT_M * scheme.readings_per_m:
                position = f"{float(scheme.position_m(line)):.2f}"
                remedy = f"note its position_m, {position}, or correct the number"
                return run, f"line {line} was recorded as {run.line}", remedy
    return None


def _order_of(log: GridLog, line: int) -> Optional[float]:
    return float(log.scheme.order(line)) if log.scheme.has_line(line) else None


NUMBER_CHECKS = (_number_skipped, _number_repeated, _counted_anew, _exchanged, _breaks_off, _other_number)
"""Causes that are looked for when the register is not to blame."""
