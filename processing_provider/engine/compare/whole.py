"""Checks of a log that look for one cause of many faults: what the register says of the grid as a whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import Code, Finding
from .grid_log import MANY, MOST, GridLog, listed
from .line_summaries import FAR_PACE, RunSummary
from .lines import OVERRUN_M, SHORT_M
from .walk import SHORTEST_S, TWICE

HALF = 0.25
"""From this fraction of the lines on, a block missing at an end of the grid is probably not forgotten, but another
size. Common practice, no source: nobody forgets a quarter of a grid."""
SAME_START = 0.8
"""Where more than this fraction of the lines walked one way start at the same station, that was set on purpose. Common
practice, no source."""

RATE_STEP = 1.2
"""Rates that a logger offers differ by more than this factor. Common practice, no source: 5, 8, 10, 16 a second."""


@dataclass(frozen=True)
class Cause:
    """A finding, and the codes of those that it makes needless: on its own lines (None: on all lines), and on any."""

    finding: Finding
    codes: tuple[Code, ...]
    everywhere: tuple[Code, ...] = ()

    def explains(self, other: Finding) -> bool:
        """Whether the other finding has this cause."""
        if other.code in [code.word for code in self.everywhere]:
            return True
        if other.code not in [code.word for code in self.codes]:
            return False
        lines = {self.finding.line, *self.finding.also}
        return lines == {None} or (bool(other.also) and set(other.also) <= lines) or other.line in lines - {None}


def _missing_block(log: GridLog) -> Iterator[Cause]:
    """Find lines missing as a block at an end of the grid that the notes do not name: half a grid, or its size."""
    scheme, lines = log.scheme, log.scheme.lines.tolist()
    missing = set(log.missing)
    for ordered, at in ((lines[::-1], "ends after"), (lines, "begins with")):
        count = next((i for i, line in enumerate(ordered) if line not in missing), len(ordered))
        if count < MANY or count < HALF * len(lines) or count == len(lines):
            continue
        block, last = sorted(ordered[:count]), ordered[count]
        if log.noted_lines & set(block):
            continue
        width = float(round(scheme.width_m - count * scheme.spacing_m, 6))
        remedy = f"width_m to {width:g}" if at == "ends after" else f"first_line, width_m to {width:g}, and the corners"
        found = f"Lines {listed(block)} are not in the log, and the notes do not name them."
        advice = (
            f"Ask the books whether the grid {at} line {last}. If so, set {remedy} in the register. If not, "
            f"walk lines {block[0]} to {block[-1]}."
        )
        expected = f"lines {listed(lines)}, as width_m {scheme.width_m:g} and spacing_m {scheme.spacing_m:g} give them"
        finding = log.finding(Code.LINE_MISSING, None, found, expected, advice, also=block)
        yield Cause(finding, (Code.LINE_MISSING, Code.NOTE_WITHOUT_LINE))


def _lines_beyond(log: GridLog) -> Iterator[Cause]:
    """Find many lines beyond the end of the grid: a closer spacing or a wider grid than registered."""
    scheme = log.scheme
    outside = sorted({r.line for r in log.walked if r.target is None and r.note_position is None})
    order = scheme.order(outside)
    beyond = [n for n, k in zip(outside, order.tolist()) if k == int(k) and k >= scheme.line_count]
    run = [n for i, n in enumerate(beyond) if scheme.order(n) == scheme.line_count + i]
    if len(run) < MANY or log.missing:
        return
    total = scheme.line_count + len(run)
    spacing, width = scheme.width_m / total, scheme.width_m + len(run) * scheme.spacing_m
    found = f"The log has {total} lines, and lines {listed(run)} are none of the grid's."
    advice = (
        f"Ask the books whether spacing_m is {spacing:.4g}, or width_m {width:g}. Correct the register. If neither is "
        "wrong, check first_line and line_step, and that the log is this grid's."
    )
    expected = f"lines {listed(scheme.lines.tolist())}"
    finding = log.finding(Code.LINE_OUTSIDE, None, found, expected, advice, also=run)
    yield Cause(finding, (Code.LINE_OUTSIDE, Code.DUMMY_LIKELY))


def _other_numbers(log: GridLog) -> Iterator[Cause]:
    """Find as many lines as the grid has under evenly counted numbers of another kind: another first line or step."""
    scheme = log.scheme
    numbers = sorted({r.line for r in log.walked})
    if len(numbers) != scheme.line_count or len(numbers) < MANY or any(r.note_position is not None for r in log.walked):
        return
    first, steps = numbers[0], set(np.diff(numbers).tolist())
    # A few numbers farther is what a logger does that skips some.
    if len(steps) > 1 or (steps == {abs(scheme.line_step)} and abs(first - int(scheme.lines.min())) < MANY):
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
    if not 0 < count < MANY or not beyond >= set(range(count)) or log.noted_lines & set(missing):
        return
    order = np.sort(scheme.order(missing))
    behind = [(r, int(np.searchsorted(order, float(scheme.order(r.line))))) for r in log.walked]
    behind = [(r, gaps) for r, gaps in behind if gaps]
    ways = [r.seen_heading == int(scheme.heading(r.line - k * scheme.line_step)) for r, k in behind if r.seen_heading]
    if ways and np.mean(ways) <= SAME_START:
        return
    last = scheme.lines[-1] + count * scheme.line_step
    also = [*missing, *(r.line for r, _ in behind)]
    blocks = np.split(np.array(missing), np.flatnonzero(np.diff(scheme.order(missing)) != 1) + 1)
    for k, block in enumerate(blocks):
        gap, after = listed(block.tolist()), block[-1] + scheme.line_step
        until = blocks[k + 1][0] - scheme.line_step if k + 1 < len(blocks) else last
        nearer = sum(map(len, blocks[: k + 1])) * scheme.spacing_m
        found = f"Line {gap} is not in the log, and line {last} is beyond the last one of the grid."
        advice = (
            f"Ask the books whether number {gap} was skipped. If so, lines {after} to {until} lie {nearer:g} m nearer "
            f"to the start than their numbers say: note their position_m. If not, walk line {gap} again."
        )
        expected = f"lines {listed(scheme.lines.tolist())}"
        finding = log.finding(Code.LINE_MISSING, int(block[0]), found, expected, advice, action="ask", also=also)
        yield Cause(finding, (*OF_NUMBERS, Code.DIRECTION, Code.STEP_SIGN))


def _first_station(log: GridLog) -> Iterator[Cause]:
    """Find lines that all start one station lower than the edges make likely: counted from 0 where 1 is registered."""
    scheme = log.scheme
    low, high = scheme.edge_stations(1)
    starts: dict[int, list[float]] = {1: [], -1: []}
    for run in log.kept:
        if not np.isnan(run.first):
            starts[run.heading].append(run.low if run.heading > 0 else run.high)
    if min(map(len, starts.values())) < MANY:
        return
    out, back = (float(np.median(starts[way])) for way in (1, -1))
    same = [np.mean(np.abs(np.array(starts[way]) - at) < 0.5) for way, at in ((1, out), (-1, back))]
    if min(same) < SAME_START or (low - out) - (back - high) != 2:
        return
    found = f"Lines start at station {out:g} on the way out and at {back:g} on the way back."
    advice = (
        f"Ask the books whether first_station is {low - 1:g}. If so, correct the register: as it is, all lines lie "
        f"{scheme.interval_m:.3g} m too near to the baseline."
    )
    expected = f"starts as far before station {low:g} as behind station {high:g}"
    yield Cause(log.finding(Code.START_STATION, None, found, expected, advice, severity="warning"), ())


def _size(log: GridLog) -> Iterator[Cause]:
    """Find lines that all end somewhere else than length and rate of the register say; their times show which errs."""
    scheme, reach = log.scheme, _reach(log)
    if reach is None:
        return
    first, last, over_m, short_m = reach
    reading_count = round(last - max(0.0, scheme.first_station - first) - scheme.first_station + 1)
    longer, shorter = _for_most(over_m, OVERRUN_M), _for_most(short_m, SHORT_M)
    if reading_count < 2 or not (longer or shorter):
        return
    length = float(f"{reading_count * scheme.interval_m:.3g}")
    rate = float(f"{reading_count / scheme.length_m:.3g}")
    found = f"Lines reach from station {first:g} to {last:g}, most of them alike."
    expected = f"stations {scheme.edge_stations(1)[0]:g} to {scheme.edge_stations(1)[1]:g} and a little overrun"
    code = Code.LINE_LONG if longer else Code.LINE_SHORT
    ask = f"length_m is {length:g}, or readings_per_m {rate:g}"
    per_s, far = _readings_per_s(log), abs(np.log(rate / scheme.readings_per_m)) > np.log(RATE_STEP)
    if per_s is not None and far:
        as_noted, as_counted = per_s / scheme.readings_per_m, per_s / rate
        found += (
            f" By their times they have {per_s:.3g} readings a second: {scheme.readings_per_m:g} readings a metre are "
            f"a walk at {as_noted:.2f} m/s, {rate:g} are one at {as_counted:.2f} m/s."
        )
        if _common_walk(as_counted) and not _common_walk(as_noted):
            code, ask = Code.READING_RATE, f"readings_per_m is {rate:g}. If not, ask whether length_m is {length:g}"
        elif _common_walk(as_noted) and not _common_walk(as_counted):
            ask = f"length_m is {length:g}. If not, ask whether readings_per_m is {rate:g}"
    advice = (
        f"Ask the books whether {ask}. Correct the register. If it is right, note what stood in the way as obstacle, "
        "or walk the lines again."
    )
    yield Cause(log.finding(code, None, found, expected, advice, severity="error"), OF_SIZE)


def other_rate(log: GridLog) -> bool:
    """Return whether the log is that of a grid of this length, but with another number of readings a metre."""
    return any(cause.finding.code == Code.READING_RATE.word for cause in _size(log))


def _readings_per_s(log: GridLog) -> Optional[float]:
    """Return the readings a second of a log by its times, pauses left out; None where too few lines show it."""
    rates = [(r.count - 1) / r.duration_s for r in log.kept if not r.clock_back and r.duration_s >= SHORTEST_S]
    return float(np.median(rates)) if len(rates) >= MANY else None


def _common_walk(speed_m_s: float) -> bool:
    return 1 / FAR_PACE <= speed_m_s <= FAR_PACE


def _reach(log: GridLog) -> Optional[tuple[float, float, np.ndarray, np.ndarray]]:
    """Return where lines begin and end: median of the first and last station, metres too many, metres too few.

    None where too few lines show it. Stations as logged: notes that keep what was planned put lines elsewhere. Without
    stations the readings are counted from the edge.
    """
    scheme, kept = log.scheme, [r for r in log.kept if not r.mixed]
    if len(kept) < MANY or scheme.pace != "rate":
        return None
    low, high = scheme.edge_stations(1)
    ends = [(low, low + r.count - 1) if np.isnan(r.first) else (r.smallest, r.largest) for r in kept]
    smallest, largest = np.array(ends).T
    over = (largest - high - (low - smallest)) * scheme.interval_m
    return float(np.median(smallest)), float(np.median(largest)), over, (high - largest) * scheme.interval_m


def _for_most(values: np.ndarray, limit: float) -> bool:
    return bool(np.median(values) > limit and np.mean(values > limit) > MOST)


def _other_number(log: GridLog) -> Iterator[Cause]:
    """Find the recording of a missing line under another number: it stands in the log where the line should."""
    scheme, runs = log.scheme, _walked_or_unnoted(log)
    for line in log.missing:
        found = _stray_recording(log, runs, line)
        if found is None:
            continue
        run, what = found
        advice = (
            f"Ask the books whether {what}. If so, note its position_m, {float(scheme.position_m(line)):.2f}, or "
            f"correct the number. If not, walk line {line}."
        )
        k = runs.index(run)
        near = [r.line for r in (*runs[max(0, k - 1) : k], *runs[k + 1 : k + 2]) if r.line != run.line]
        where = f"Line {line} is not in the log. Recording {run.run.run} of line {run.line} has {run.count} readings"
        where += f" and stands beside line {' and '.join(map(str, near))}." if near else "."
        also = (run.line,) if run.line != line else ()
        finding = log.finding(
            Code.LINE_MISSING, line, where, "a recording of each line", advice, action="ask", also=also
        )
        yield Cause(finding, (*OF_NUMBERS, *OF_COUNTS))


def _walked_or_unnoted(log: GridLog) -> list[RunSummary]:
    """Return the recordings of survey lines, and those that have the number of a dummy without a word in the notes."""
    again = {id(r) for r in log.runs if r.kind == "dummy" and r.run.run > 1 and r.note and r.note.run is None}
    return [r for r in log.runs if r.walked or id(r) in again]


def _stray_recording(log: GridLog, runs: Sequence[RunSummary], line: int) -> Optional[tuple[RunSummary, str]]:
    """Return the recording that may be a missing line's, and the question about it; None where there is none."""
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
                return run, f"recording {run.line} holds line {line} too"
        again = run.kind == "dummy" or (run.kind == "survey" and sum(r.line == run.line for r in runs) > 1)
        stray = run.target is None or again
        named = run.note is not None and (run.note.run is not None or run.note_position is not None)
        turned = bool(run.seen_heading) and run.seen_heading != right
        between = len(ends) == 2 and min(ends) < wanted < max(ends)
        beside = run.kind == "dummy" and len(ends) == 1 and abs(ends[0] - wanted) == 1
        if stray and not named and not turned and (between or beside):
            if run.count > whole - SHORT_M * scheme.readings_per_m:
                return run, f"line {line} was recorded as {run.line}"
    return None


def _order_of(log: GridLog, line: int) -> Optional[float]:
    return float(log.scheme.order(line)) if log.scheme.has_line(line) else None


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


OF_NUMBERS = (Code.LINE_MISSING, Code.LINE_OUTSIDE, Code.DUMMY_LIKELY, Code.LINE_TWICE, Code.LINE_ORDER,
              Code.LINE_SKIPPED, Code.NOTE_WITHOUT_LINE, Code.NOTE_DISAGREES)  # fmt: skip
"""What is found of lines under wrong numbers."""
OF_SIZE = (Code.LINE_SHORT, Code.LINE_LONG, Code.START_STATION, Code.PACE, Code.NOTE_DISAGREES)
"""What is found of lines that are longer or shorter than registered."""
OF_COUNTS = (Code.LINE_SHORT, Code.LINE_LONG, Code.STEP_SIGN, Code.STATION_JUMP, Code.START_STATION, Code.PACE,
             Code.DIRECTION)  # fmt: skip
"""What is found of a recording that is two."""
WHOLE_CHECKS = (
    _other_numbers,
    _missing_block,
    _lines_beyond,
    _number_skipped,
    _size,
    _first_station,
    _counted_anew,
    _exchanged,
    _other_number,
)
"""Each takes a GridLog and yields causes; a later one is left out where an earlier one explains it."""
