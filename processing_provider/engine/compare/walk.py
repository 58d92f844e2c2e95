"""Checks of a log: direction and count of the lines, pace, marks, and readings lost."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Iterator, Sequence

import numpy as np

from ..core import HEADINGS, MAD_TO_SD, PATTERNS, Code, Finding, Scheme
from .grid_log import MANY, ROUNDING_M, STEP, GridLog, Stretch, blocks, way
from .line_summaries import FAR_PACE, RunSummary
from .lines import MOSTLY, SHORT_M, common_starts

HOLE_M = SHORT_M
"""Readings lost over more than half a metre hide a pit or a post, and must be walked again, as at the ends of a line
(common practice, no source)."""
TWICE = 1.8
"""A recording with more than so many times the readings of a line is two. Common practice, no source: it leaves room
for a fifth of a line that was not walked, where overrun alone never makes up four fifths of one."""
WALKING_MS = (0.3, 2.5)
"""Slowest and fastest walk with an instrument in hand, in m/s (common practice, no source)."""
SHORTEST_S = 4.0
"""Times give no pace over less than this. Derived: the difference of two times in whole seconds is off by up to 1 s,
which is a quarter of it; ``FAR_PACE`` allows for twice as much."""
SPREAD = 4 * MAD_TO_SD
"""Median absolute deviations beyond which a pace stands out: four standard deviations of a normal distribution, of
which the median absolute deviation is 1 / 1.4826. Derived: of 500 lines 0.03 lie beyond by chance."""
PATTERN_FRACTION = 0.4
"""From this fraction of lines walked the other way on, the pattern is wrong, not the lines. Derived: a wrong first
heading turns all lines and a wrong pattern every other one, of which the fewest are 4 of 9 (0.44)."""
PATTERN_FITS = 0.9
"""A pattern is proposed when it fits more than this fraction of the lines (common practice, no source)."""


def _directions(log: GridLog) -> Iterator[Finding]:
    """Lines walked the other way than the pattern says: a forgotten setting, or a pattern not kept to."""
    known = [r for r in log.kept if r.line == r.target and _way(r)]
    wrong = [r for r in known if _way(r) != int(log.scheme.heading(r.line))]
    if len(wrong) >= MANY and len(wrong) > PATTERN_FRACTION * len(known):
        yield _wrong_pattern(log, known, wrong)
        return
    as_noted = [r for r in wrong if _noted(r) and r.seen_heading in (0, _way(r))]
    if len(as_noted) >= MANY:
        lines = sorted({r.line for r in as_noted})
        found = f"By the notes these lines were walked against the pattern: {', '.join(map(str, lines))}."
        advice, expected = "Leave it if they were walked as noted. They are placed so.", f"pattern {log.scheme.pattern}"
        yield log.finding(Code.DIRECTION, None, found, expected, advice, severity="warning", also=lines)
        as_noted = []
    for run in as_noted:
        found = f"The line was walked {way(_way(run))} by the notes, against the pattern."
        advice = f"Leave it if line {run.line} was walked {way(_way(run))}. It is placed so."
        expected = f"walked {way(-_way(run))}"
        yield log.finding(Code.DIRECTION, run, found, expected, advice, severity="warning")
    wrong = [r for r in wrong if not _noted(r)]
    starts = common_starts(log) if wrong else {}
    for run in wrong:
        right = int(log.scheme.heading(run.line))
        start = starts[right]
        found = f"The log has the line walked {way(-right)}, from station {run.first:g} to {run.last:g}."
        if np.isnan(run.first):
            found = f"The log has the line walked {way(-right)}."
        advice = (
            f"Ask the books which way line {run.line} was walked. If {way(right)}, the setting was forgotten: note "
            f"heading {way(right)} and start_station {start:g}, or near it. If {way(-right)}, note heading "
            f"{way(-right)}."
        )
        expected = f"walked {way(right)} from near station {start:g}"
        yield log.finding(Code.DIRECTION, run, found, expected, advice)


def _way(run: RunSummary) -> int:
    """Return the heading that the notes give, else the log; 0 where neither does."""
    return (run.note.direction if run.note else 0) or run.seen_heading


def _noted(run: RunSummary) -> bool:
    return run.note is not None and run.note.direction != 0


def _wrong_pattern(log: GridLog, known: Sequence[RunSummary], wrong: Sequence[RunSummary]) -> Finding:
    """Return one finding for a register whose pattern or first heading is not the log's, with what would fit."""
    fits = pattern_fits(log.scheme, [(r.line, _way(r)) for r in known])
    best = max(fits, key=lambda choice: fits[choice])
    advice = "Ask the books which way the lines were walked. Note the heading of each line that does not follow the "
    advice += "pattern."
    if [r.line for r in wrong] == [r.line for r in known[-len(wrong) :]] and not any(_noted(r) for r in wrong):
        advice = f"Ask the books which way lines {wrong[0].line} to {wrong[-1].line} were walked. They are placed as "
        advice += "the log counts them: if that is right, leave it. If not, note their headings."
    if fits[best] > PATTERN_FITS:
        advice = f"Ask the books whether pattern {best[0]}, first_heading {best[1]} is right. If so, set both in the "
        advice += "register. If not, note the heading of each line."
    found = f"{len(wrong)} of {len(known)} lines were not walked the way the register says, the first of them line "
    expected = f"pattern {log.scheme.pattern}, first_heading {log.scheme.first_heading}"
    found, noted = f"{found}{wrong[0].line}.", all(_noted(r) for r in wrong)
    return log.finding(
        Code.DIRECTION,
        None,
        found,
        expected,
        advice,
        severity="warning" if noted else "error",
        also=[r.line for r in wrong],
    )


def pattern_fits(scheme: Scheme, walked: Sequence[tuple[int, int]]) -> dict[tuple[str, str], float]:
    """Return the fraction of (line, heading) that each pattern and first heading gives."""
    lines, headings = zip(*walked)
    return {
        (pattern, first): float(
            np.mean(replace(scheme, pattern=pattern, first_heading=first).heading(lines) == headings)
        )
        for pattern in PATTERNS
        for first in HEADINGS
    }


def _step_signs(log: GridLog) -> Iterator[Finding]:
    starts = common_starts(log)
    for run in log.kept:
        if run.mixed:
            if run.count > TWICE * log.scheme.readings_per_line and not log.bare_stretches(run.target, [run]):
                yield _walked_there_and_back(log, run)
                continue
            found = f"The stations grow {run.ups} times and fall {run.downs} times within the line."
            advice = f"Walk line {run.line} again, and note it as void. The logger probably ran on while turning."
            yield log.finding(Code.STEP_SIGN, run, found, "a count that goes one way", advice)
        elif run.counted and run.counted == -run.logged_heading and not _noted(run):
            start = starts[run.logged_heading]
            found = (
                f"The log has the line walked {way(run.logged_heading)}, but counts from station {run.first:g} to "
                f"{run.last:g}."
            )
            expected = f"a count {'up' if run.logged_heading > 0 else 'down'} from near station {start:g}"
            advice = f"Ask the books which way line {run.line} was walked. Note heading {way(run.logged_heading)} and "
            advice += f"start_station {start:g}, or near it."
            yield log.finding(Code.STEP_SIGN, run, found, expected, advice, severity="warning")


def _walked_there_and_back(log: GridLog, run: RunSummary) -> Finding:
    """Return the finding about a recording long enough for two walks of its line, which together cover all of it."""
    found = f"The recording of line {run.line} has {run.count} readings; the stations grow {run.ups} times and fall "
    advice = f"Ask the books whether line {run.line} was walked there and back. All its ground is covered: note which "
    advice += "stations count, or that the next line is in it."
    expected = f"about {log.scheme.readings_per_line} readings that count one way"
    return log.finding(Code.STEP_SIGN, run, f"{found}{run.downs} times.", expected, advice)


def _station_jumps(log: GridLog) -> Iterator[Finding]:
    if log.other_step:
        advice = "Ask the books for the unit of the stations. Give the station column a factor in the layout of the "
        advice += "log, so that stations count readings."
        yield log.finding(Code.STATION_JUMP, None, log.other_step, STEP, advice)
        return
    for run in log.kept:
        if run.mixed or not run.jumps:
            continue
        bare = log.bare_beside(run)
        against = [j for j in run.jumps if np.sign(j[1] - j[0]) != run.counted]
        if against:
            more = f" It does not go on by 1 at {len(against)} places." if len(against) > 1 else ""
            found = f"The station goes from {against[0][0]:g} to {against[0][1]:g} within the line.{more}"
            # Who stops and goes on from some way back covers all ground, some of it twice.
            resumed = run.pauses > 0 and not log.bare_stretches(run.target, [run])
            advice = f"Ask the books what happened on line {run.line}. Readings from there on may lie wrong."
            if resumed:
                advice = f"Leave it. After a pause line {run.line} went on from farther back."
            yield log.finding(
                Code.STATION_JUMP,
                run,
                found,
                "a count that goes on by 1",
                advice,
                severity="note" if resumed else "warning",
            )
        for before, after in run.jumps:
            if np.sign(after - before) == run.counted:
                yield from _lost_readings(log, run, before, after, bare)


def _lost_readings(
    log: GridLog, run: RunSummary, before: float, after: float, bare: list[Stretch]
) -> Iterator[Finding]:
    """Yield the finding about one jump ahead; none where nothing was lost that is needed."""
    a, b = sorted(run.from_start(s) for s in (before, after))
    lost = sum(max(0.0, min(b - 1, high) - max(a + 1, low) + 1) for low, high in bare) * log.scheme.interval_m
    if lost <= 0:
        return
    found = f"The station jumps from {before:g} to {after:g}. Readings over {lost:.1f} m are lost."
    expected = "a count that goes on by 1"
    if lost > HOLE_M + ROUNDING_M:
        advice = f"Walk line {run.line} again. A gap of more than {HOLE_M:g} m can hide a pit. "
        advice += "If something stood in the way, note it as obstacle."
        advice += log.misplaced_obstacle(run.target, (a + 1, b - 1))
        yield log.finding(Code.LINE_SHORT, run, found, expected, advice)
    else:
        advice = f"Leave it. A gap of up to {HOLE_M:g} m is filled from its neighbours."
        yield log.finding(Code.STATION_JUMP, run, found, expected, advice, severity="note")


def _paces(log: GridLog) -> Iterator[Finding]:
    """Lines walked far faster or slower than the others, and times that nobody can have walked."""
    timed = [r for r in log.kept if not r.clock_back and r.duration_s >= SHORTEST_S]
    if not timed:
        return
    speed = np.array([_walked_m(log.scheme, r) / r.duration_s for r in timed])
    common = float(np.median(speed))
    if not WALKING_MS[0] <= common <= WALKING_MS[1]:
        found = (
            f"By its times and {log.scheme.readings_per_m:g} readings a metre, the grid was walked at {common:.2f} m/s."
        )
        advice = "Ask the books whether readings_per_m is right. Check, too, the format of the times in the layout of "
        advice += "the log."
        yield log.finding(Code.PACE, None, found, f"{WALKING_MS[0]:g} to {WALKING_MS[1]:g} m/s", advice)
    off = np.abs(np.log(speed / common))
    limit = max(np.log(FAR_PACE), SPREAD * float(np.median(off)))
    for run, its, far in zip(timed, speed.tolist(), off > limit):
        if far:
            found = f"The line was walked at {its:.2f} m/s: {run.count} readings in {run.duration_s:.0f} s."
            advice = "Look at the line on the map. It should be walked again if features are shifted against its "
            advice += "neighbours."
            yield log.finding(Code.PACE, run, found, f"about {common:.2f} m/s, as the other lines", advice)


def _walked_m(scheme: Scheme, run: RunSummary) -> float:
    if scheme.pace != "rate":
        return scheme.length_m
    return max(run.count - 1, run.high - run.low) * scheme.interval_m


def _clocks(log: GridLog) -> Iterator[Finding]:
    for run in log.kept:
        if run.clock_back:
            found = "The times run backwards within the line."
            advice = "Ask the books for the logger's clock. Check, too, the format of the times in the layout of the "
            advice += "log."
            yield log.finding(Code.PACE, run, found, "times that grow", advice)


def _marks(log: GridLog) -> Iterator[Finding]:
    if log.scheme.pace != "marks" or not log.kept:
        return
    common = Counter(r.marks for r in log.kept).most_common(1)[0][0]
    if common < 2:
        found, expected = f"Most lines have {common} marks.", "a mark at both edges at least"
        advice = "Ask the books how the lines were marked. Correct the layout, or set pace to rate in the register."
        yield log.finding(Code.MARKS, None, found, expected, advice)
        return
    for run in log.kept:
        if run.marks != common:
            advice = f"Ask the books for the marks of line {run.line}. It is placed by the reading rate."
            found, expected = f"The line has {run.marks} marks.", f"{common} marks, as most lines have"
            yield log.finding(Code.MARKS, run, found, expected, advice, severity="warning")


def _missing_values(log: GridLog) -> Iterator[Finding]:
    """Count readings without value by channel, and find long stretches of them by line."""
    names: dict[bytes, list[str]] = {}
    masks: dict[bytes, np.ndarray] = {}
    for channel, values in log.readings.channels.items():
        missing = ~np.isfinite(values)
        key = missing.tobytes()
        masks[key] = missing
        names.setdefault(key, []).append(channel)
    total = len(log.readings)
    for key, missing in masks.items():
        count, channels = int(np.count_nonzero(missing)), ", ".join(names[key])
        if not count:
            continue
        empty = count == total
        found = f"Readings without a value of {channels}: {count} of {total}."
        advice = (
            "Ask the books for the column in the layout." if empty else "Nothing to do. They are left out of the map."
        )
        words = found, "none", advice
        yield log.finding(Code.VALUES_MISSING, None, *words, severity="error" if empty else "note")
        if not empty:
            yield from _value_holes(log, channels, missing)


def _value_holes(log: GridLog, channels: str, missing: np.ndarray) -> Iterator[Finding]:
    over = log.readings.has_flag("overrange")
    for run in log.kept:
        beyond = over[run.run.rows]
        # What is beyond the range would be so again, but for a line that mostly is: that is the instrument.
        bad = missing[run.run.rows] & ~(beyond & (np.mean(beyond) <= MOSTLY))
        if np.isnan(run.first) or np.count_nonzero(bad) * log.scheme.interval_m <= HOLE_M:
            continue
        station = run.turn[0] + run.turn[1] * log.readings.station[run.run.rows]
        needed = np.zeros(len(bad), bool)
        for low, high in log.bare_beside(run):
            needed |= (station >= low) & (station <= high)
        for a, b in blocks(bad & needed):
            if (b - a) * log.scheme.interval_m > HOLE_M + ROUNDING_M:
                low, high = sorted((station[a], station[b - 1]))
                found = f"No values of {channels} at stations {low:g} to {high:g}."
                advice = f"Walk line {run.line} again. A gap of more than {HOLE_M:g} m can hide a pit."
                yield log.finding(
                    Code.VALUES_MISSING,
                    run,
                    found,
                    "a value in each reading",
                    advice,
                    severity="error",
                )


WALK_CHECKS = (
    _directions,
    _step_signs,
    _station_jumps,
    _paces,
    _clocks,
    _marks,
    _missing_values,
)
