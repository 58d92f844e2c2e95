"""Checks of a log: which lines there are, in what order, how far they go and from where."""

from __future__ import annotations

from bisect import bisect_left
from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import Code, Finding, Note
from .grid_log import MANY, ROUNDING_M, GridLog, Stretch, blocks, grouped, listed, way
from .line_summaries import FAR_PACE, RunSummary

SHORT_M = 0.5
"""A line may miss an edge by half a metre, about half a pace and half a common line spacing: the map between the lines
is no better than that (common practice, no source)."""
PIECE = 0.5
"""A recording with less than this fraction of a line's readings may be a false start or a dummy (common practice, no
source)."""
MOSTLY = 0.5
"""A line lies beyond the edges for the most part where less than the other half of its ground is covered, and is beyond
the range for the most part where more than half of its readings are. Derived: a majority."""
OVERRUN_M = 3.0
"""More overrun than this beyond that of the other lines means that the logger ran on (common practice, no source)."""


def _missing_lines(log: GridLog) -> Iterator[Finding]:
    have = {r.target for r in log.walked}
    other = {r.line: r.kind for r in log.runs if not r.walked}
    for line in log.missing:
        where = f"{float(log.scheme.position_m(line)):.2f} m along the baseline"
        elsewhere = [r for r in log.walked if r.line == line and r.kind == "survey" and r.target in log.scheme.lines]
        if elsewhere:
            yield _noted_on_another(log, elsewhere[0], where)
            continue
        advice = f"Walk line {line} again, at {where}."
        again = _again_unexplained(log) if other.get(line) == "void" else []
        if again:
            were, which = f"Line {again[0]} was", f"the books whether line {again[0]}"
            if len(again) > 1:
                were, which = f"Lines {listed(again)} were", f"which of lines {listed(again, counted=False)}"
            found = f"The line is void and was not walked again. {were}, and no row is void or redo."
            advice = f"Ask {which} is void, not line {line}. If so, correct the row. "
            advice += f"If not, walk line {line} again, at {where}."
        elif other.get(line) == "void":
            found = "The line is void and was not walked again."
        elif line in other:
            found = f"The line is in the log only as {other[line]}."
        else:
            found = "The line is not in the log."
            advice += " If it was recorded under another number, note that one with this position_m."
            advice += _left_out_before(log, have)
        yield log.finding(Code.LINE_MISSING, line, found, f"a recording at {where}", advice)


def _again_unexplained(log: GridLog) -> list[int]:
    """Return the lines that were recorded again over the same ground, while the notes call no recording of them bad."""
    groups = grouped([r for r in log.runs if r.target is not None], lambda r: r.line)
    return [
        line
        for line, runs in groups.items()
        if len(runs) > 1 and {r.kind for r in runs} == {"survey"} and log.overlap_m(runs[0], runs[1]) > 2 * SHORT_M
    ]


def _noted_on_another(log: GridLog, run: RunSummary, where: str) -> Finding:
    """Return the finding about a line that the notes put on the ground of another one of the grid."""
    found = f"The notes put line {run.line} at {run.position_m:.2f} m along the baseline, where line {run.target} lies."
    advice = (
        f"Ask the books where line {run.line} was walked. If the note is wrong, correct position_m. If it is right, "
        f"note that line as redo, and walk line {run.line} at {where}."
    )
    return log.finding(Code.LINE_MISSING, run, found, f"a recording at {where}", advice)


def _left_out_before(log: GridLog, have: set[Optional[int]]) -> str:
    """Return what else may explain that nothing but the last line is missing; empty in other cases."""
    scheme = log.scheme
    if have != set(scheme.lines[:-1].tolist()) or len(have) < 2:
        return ""
    end, there = int(scheme.lines[-2]), float(scheme.position_m(scheme.lines[-2]))
    return (
        f" First measure where line {end} lies: if not at {there:.2f} m but one spacing farther, another line was left "
        "out on the way, all lines behind it lie one spacing farther than recorded, and the bare ground is there."
    )


def _lines_outside(log: GridLog) -> Iterator[Finding]:
    """Lines that the scheme has not; a lone one beside the grid, first or last in the log, is probably a dummy."""
    scheme, ends = log.scheme, (log.runs[0].line, log.runs[-1].line)
    expected = f"lines {listed(scheme.lines.tolist())}"
    unknown = [r for r in log.walked if r.target is None and (r.note is None or r.note.position_m is None)]
    for line, runs in grouped(unknown, lambda r: r.line).items():
        count = sum(r.count for r in runs)
        beside = float(scheme.order(line)) in (-1, scheme.line_count) or count < PIECE * scheme.readings_per_line
        if line in ends and beside and len(runs) == 1 and runs[0].note is None:
            order = "first" if line == ends[0] else "last"
            found = f"Line {line} was recorded {order} and is none of the grid's. It is probably a dummy."
            advice = (
                f"Ask the books whether line {line} is a dummy. Note it so, or, if it is a tie, base or survey line, "
                "as that with its position_m."
            )
            yield log.finding(Code.DUMMY_LIKELY, runs[0], found, expected, advice)
        else:
            found = f"Line {line} is none of the grid's. It has {count} readings."
            advice = f"Ask the books what line {line} is. Note it as dummy, tie, base or void, or note its position_m."
            redo = only_redo_not_in_log(log) if len(unknown) == 1 else None
            if redo is not None:
                found += f" {redo.where or 'The notes'}: line {redo.line} was walked again, which is not in the log."
                advice = (
                    f"Ask the books whether line {line} is the redo of line {redo.line}. If so, note it under number "
                    f"{line}, with the position_m of line {redo.line}. If not, note what it is."
                )
            also = () if redo is None or redo.line is None else (redo.line,)
            yield log.finding(Code.LINE_OUTSIDE, runs[0], found, expected, advice, also=also)


def only_redo_not_in_log(log: GridLog) -> Optional[Note]:
    """Return the one note of a second recording that the log does not have under its number; None in other cases."""
    have = {(r.line, r.run.run) for r in log.runs}
    absent = [n for n in log.notes if n.kind == "redo" and n.run is not None and (n.line, n.run) not in have]
    return absent[0] if len(absent) == 1 else None


def _lines_twice(log: GridLog) -> Iterator[Finding]:
    """Lines recorded again over the same ground without a word in the notes; a false start may be a dummy."""
    ends = {id(log.runs[0]), id(log.runs[-1])}
    known = [r for r in log.walked if r.target is not None]
    for line, runs in grouped(known, lambda r: r.line).items():
        for i, later in enumerate(runs):
            earlier = [r for r in runs[:i] if r.target == later.target and log.overlap_m(r, later) > 2 * SHORT_M]
            if later.kind == "redo" or all(r.note is not None and r.note is not later.note for r in earlier):
                continue
            taken = "The later recording is taken."
            least = min([*earlier, later], key=lambda r: r.count)
            if id(least) in ends and least.count < PIECE * log.scheme.readings_per_line and least.note is None:
                found = f"A short piece of {least.count} readings has the number of line {line}: probably a dummy."
                advice = (
                    f"Ask the books whether recording {least.run.run} of line {line} is a dummy. Note it as dummy or "
                    f"void. {taken}"
                )
                yield log.finding(Code.DUMMY_LIKELY, least, found, "one recording of the line", advice)
            else:
                found = f"Line {line} was recorded {len(runs)} times, and the notes do not say why."
                advice = (
                    f"Ask the books which recording of line {line} to keep. Note it as redo, or the bad one as void. "
                    f"{taken}"
                )
                yield log.finding(Code.LINE_TWICE, later, found, "one recording of the line", advice)


def _line_order(log: GridLog) -> Iterator[Finding]:
    """Lines out of their turn; the grid as a whole may be walked from the far end."""
    runs = [r for r in log.walked if r.run.run == 1 and r.kind == "survey" and log.scheme.has_line(r.line)]
    order = [float(log.scheme.order(r.line)) for r in runs]
    if _noted_in_turn(log, [r.line for r in runs]):
        return
    in_turn = max(_rising(order), _rising([-n for n in order]), key=len)
    for begin, end in blocks(~np.isin(np.arange(len(runs)), list(in_turn))):
        block = [r.line for r in runs[begin:end]]
        before = f"after line {runs[begin - 1].line}" if begin else f"before line {runs[end].line}"
        found = f"Line {block[0]} was recorded {before}."
        advice = f"Ask the books whether line {block[0]} has the right number. If it has, leave it."
        if len(block) > 1:
            found = f"Lines {', '.join(map(str, block))} were recorded {before}."
            advice = "Ask the books whether these lines have the right numbers. If they have, leave it."
        where, also = (None, block) if len(block) > 1 else (runs[begin], ())
        expected = "lines in the order of their numbers"
        yield log.finding(Code.LINE_ORDER, where, found, expected, advice, also=also)


def _noted_in_turn(log: GridLog, lines: Sequence[int]) -> bool:
    """Whether the notes have rows about all lines in the very turn of the log: they were walked so."""
    noted = dict.fromkeys(n.line for n in log.notes if n.kind == "survey" and n.line in set(lines))
    return list(noted) == list(lines)


def _rising(values: Sequence[float]) -> set[int]:
    """Return the positions in a longest rising series, from the smallest last value by length (patience sorting)."""
    tails: list[float] = []
    indices: list[int] = []
    before: list[int] = []
    for i, value in enumerate(values):
        k = bisect_left(tails, value)
        tails[k : k + 1], indices[k : k + 1] = [value], [i]
        before.append(indices[k - 1] if k else -1)
    series, i = set(), indices[-1] if indices else -1
    while i >= 0:
        series.add(i)
        i = before[i]
    return series


def _short_lines(log: GridLog) -> Iterator[Finding]:
    low, high = log.scheme.edge_stations(1)
    expected = f"readings at stations {low:g} to {high:g}"
    rates = _odd_rates(log)
    for line, runs in grouped(log.kept, lambda r: r.target).items():
        if any(setting_forgotten(log, r) for r in runs):
            continue
        bare = [s for s in log.bare_stretches(line, runs) if log.length_m(s) > SHORT_M + ROUNDING_M]
        if bare and len(runs) == 1 and line in rates:
            yield _other_rate(log, runs[0], rates[line])
            continue
        for stretch in bare:
            where = f"stations {stretch[0]:g} to {stretch[1]:g} ({log.length_m(stretch):.1f} m)"
            found = f"No readings at {where}{', as noted' * any(_notes_explain(r, stretch) for r in runs)}."
            advice = f"Walk line {line} again. If something stood in the way, note it as obstacle with its stations."
            advice += log.misplaced_obstacle(line, stretch)
            yield log.finding(Code.LINE_SHORT, line, found, expected, advice)


def _odd_rates(log: GridLog) -> dict[int, float]:
    """Return the fraction of readings a second of the lines that have fewer of them than the others, by line."""
    timed = [r for r in log.kept if r.duration_s > 0]
    if len(timed) < MANY:
        return {}
    rate = np.array([(r.count - 1) / r.duration_s for r in timed])
    taken = np.array([r.duration_s for r in timed])
    fraction, same_time = rate / np.median(rate), taken / np.median(taken)
    odd = (fraction < 1 / FAR_PACE) & (same_time > 1 / FAR_PACE)
    return {int(timed[i].target or 0): float(fraction[i]) for i in np.flatnonzero(odd)}


def _other_rate(log: GridLog, run: RunSummary, fraction: float) -> Finding:
    """Return the finding about a line that took the time of the others, but was logged with fewer readings."""
    rate = log.scheme.readings_per_m * fraction
    found = f"The line has {run.count} readings in {run.duration_s:.0f} s, {fraction:.0%} of the others' rate."
    advice = (
        f"Ask the books whether line {run.line} has {rate:.2g} readings a metre. If so, all its ground is "
        "covered: note it as void, and put its readings in a log of their own. If not, walk it again."
    )
    expected = f"{log.scheme.readings_per_m:g} readings a metre"
    return log.finding(Code.LINE_SHORT, run, found, expected, advice)


def _notes_explain(run: RunSummary, stretch: Stretch) -> bool:
    """Whether a noted start or stop lies at one border of a stretch without readings."""
    ends = (run.note.start_station, run.note.stop_station) if run.note else ()
    borders = stretch[0] - 1, stretch[1] + 1
    return any(abs(s - b) <= 1 for s in ends if s is not None for b in borders)


def _long_lines(log: GridLog) -> Iterator[Finding]:
    low, high = log.scheme.edge_stations(1)
    runs = [r for r in log.kept if not setting_forgotten(log, r) and not r.mixed]
    if log.scheme.pace == "rate":
        over = [(low - r.low, r.high - high) for r in runs]
    else:
        # The reading rate does not give the distance, so a line is only long beside the others.
        common = max(float(log.scheme.readings_per_line), float(np.median([r.count for r in runs] or [0])))
        over = [(0.0, r.count - FAR_PACE * common) for r in runs]
    over_m = np.array(over).reshape(-1, 2) * log.scheme.interval_m
    common_m = np.maximum(np.median(over_m, axis=0), 0) if runs else 0.0
    for run, more in zip(runs, (over_m - common_m).max(axis=1)):
        noted = run.note is not None and run.note.start_station is not None and run.note.stop_station is not None
        if more <= OVERRUN_M or noted:
            continue
        found = f"The line has {run.count} readings. It runs {more:.1f} m farther past the edge than the others."
        advice = (
            f"Ask the books where line {run.line} started and stopped. If the logger ran on while turning, note "
            "start_station and stop_station. The line is trimmed at the edges."
        )
        expected = f"stations {low:g} to {high:g} and a little overrun"
        yield log.finding(Code.LINE_LONG, run, found, expected, advice, severity="warning")


def _start_stations(log: GridLog) -> Iterator[Finding]:
    starts = common_starts(log)
    for run in log.kept:
        if not setting_forgotten(log, run):
            continue
        common = starts[run.heading]
        ends = f"station {run.first:g} to {run.last:g}"
        if run.note is not None and run.note.start_station is not None:
            ends = f"station {run.from_start(run.first):g} to {run.from_start(run.last):g} by the notes, and {ends}"
            ends += " by the log"
        found = (
            f"The line goes from {ends}. Its {run.count} readings are enough for the whole line, so the start station "
            "was probably not set."
        )
        advice = (
            f"Ask the books where line {run.line} was started. Note it: start_station {common:g}, or near it, if it "
            f"was walked {way(run.heading)}; heading {way(-run.heading)} and start_station {starts[-run.heading]:g} if "
            f"it was walked {way(-run.heading)}. Until then the line lies wrong."
        )
        expected = f"a start near station {common:g} for a line walked {way(run.heading)}"
        yield log.finding(Code.START_STATION, run, found, expected, advice)


def setting_forgotten(log: GridLog, run: RunSummary) -> bool:
    """Whether a recording has readings enough for the line, but by its stations misses an edge and runs past the other.

    A line that starts where the others start and misses the other edge was stopped early, and one that starts late and
    ends where the others end was started late. One that lies beyond the edges for the most part has a wrong
    start whatever the notes say.
    """
    scheme = log.scheme
    low, high = scheme.edge_stations(1)
    if run.mixed or np.isnan(run.first) or run.count * scheme.interval_m < scheme.length_m - SHORT_M:
        return False
    if not any(log.length_m(s) > SHORT_M + ROUNDING_M for s in log.bare_stretches(run.target, [run])):
        return False
    if log.length_m((max(run.low, low), min(run.high, high))) < (1 - MOSTLY) * scheme.length_m:
        return True
    start = run.low if run.heading > 0 else run.high
    inside = (start - scheme.edge_stations(run.heading)[0]) * run.heading * scheme.interval_m
    below, above = ((low - run.low) * scheme.interval_m, (run.high - high) * scheme.interval_m)
    common_below, common_above = log.common_overrun_m
    past, early = above - common_above, below - common_below
    if run.heading < 0:
        past, early = early, past
    return past > SHORT_M if inside > SHORT_M else early > SHORT_M


def common_starts(log: GridLog) -> dict[int, float]:
    """Return, by heading, the station from which most lines start; the edge where no line is walked so."""
    starts: dict[int, list[float]] = {1: [], -1: []}
    for run in log.kept:
        if not setting_forgotten(log, run):
            starts[run.heading].append(run.low if run.heading > 0 else run.high)
    return {
        heading: float(round(np.median(found))) if found else log.scheme.edge_stations(heading)[0]
        for heading, found in starts.items()
    }


LINE_CHECKS = (
    _missing_lines,
    _lines_outside,
    _lines_twice,
    _line_order,
    _short_lines,
    _long_lines,
    _start_stations,
)
