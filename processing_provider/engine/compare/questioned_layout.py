"""What looks misread in the log of a grid as a whole: its lines, stations or times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ..core import Code, Finding
from .grid_log import MANY, MOST, STEP, GridLog, for_most
from .walk import PATTERN_FITS, PATTERN_FRACTION, WALKING_MS, pattern_fits

BEYOND_WALKING = 2.0
"""A speed this many times beyond the range of walks is none of a person. Common practice, no source: nobody carries an
instrument at a run, and who stops at every reading still makes half the slowest walk."""
LOGGER_PER_S = (1.0, 100.0)
"""Slowest and fastest rate of readings that loggers offer, a second. Common practice, no source."""
ENOUGH = 0.5
"""One line that holds more than this fraction of the readings of its whole grid is all of the lines. Derived: a
majority."""
TOO_FEW_READINGS = 2
"""Recordings of so few readings are none. Derived: a recording that is walked has a reading at both ends at least."""


@dataclass(frozen=True)
class Misreading:
    """What of a log looks misread: what to look at, what was found and expected, and the change that would mend it."""

    about: str
    found: str
    expected: str
    remedy: str


def questioned_lines(log: GridLog) -> Optional[Finding]:
    """Return the finding about a log whose lines look misread, so that nothing else can be said of it; else None."""
    return _finding(log, [_one_line(log) or _line_a_reading(log)])


def questioned_layout(log: GridLog) -> Optional[Finding]:
    """Return the finding about a log whose stations or times look misread in most lines; else None."""
    return _finding(
        log,
        [_station_step(log) or _beyond_the_edges(log) or _one_way_count(log), _still_clock(log) or _not_walked(log)],
    )


def _finding(log: GridLog, misread: list[Optional[Misreading]]) -> Optional[Finding]:
    held = [one for one in misread if one is not None]
    if not held:
        return None
    about = " and ".join(one.about for one in held)
    advice = (
        f"Ask for the layout of the log: look at {about}. {' '.join(one.remedy for one in held)} If all is right "
        'as it was read, set "confirmed": true in the layout, and name the layout in the register. Nothing of this '
        "grid is mapped until then."
    )
    found = " ".join(one.found for one in held)
    return log.finding(Code.LAYOUT_QUESTIONED, None, found, held[0].expected, advice)


def _one_line(log: GridLog) -> Optional[Misreading]:
    """Find one number on what must be many lines: the column or row that names the line was not seen."""
    numbers, scheme = {r.line for r in log.walked}, log.scheme
    whole = scheme.line_count * scheme.readings_per_line
    if len(numbers) != 1 or scheme.line_count < MANY or len(log.readings) <= ENOUGH * whole:
        return None
    found = f"All {len(log.readings)} readings are of line {min(numbers)}."
    expected = f"{scheme.line_count} lines of about {scheme.readings_per_line} readings"
    return Misreading("lines", found, expected, "Name the column of the line, or line_start, there.")


def _line_a_reading(log: GridLog) -> Optional[Misreading]:
    """Find a line number that changes with every reading or two: the column counts something else."""
    counts = [r.count for r in log.walked]
    long_enough = log.scheme.readings_per_line > MANY * TOO_FEW_READINGS
    if len(counts) < MANY or np.median(counts) > TOO_FEW_READINGS or not long_enough:
        return None
    often = "every reading" if np.median(counts) == 1 else f"every {np.median(counts):.3g} readings"
    found = f"The line changes with {often}: there are {len(counts)} recordings."
    expected = f"about {log.scheme.readings_per_line} readings a line"
    return Misreading("lines", found, expected, "Give the role line to the column that has it.")


def _station_step(log: GridLog) -> Optional[Misreading]:
    if not log.other_step:
        return None
    remedy = f"Multiply the factor of the station column by {1 / log.common_step:g}."
    return Misreading("stations", log.other_step, STEP, remedy)


def _beyond_the_edges(log: GridLog) -> Optional[Misreading]:
    """Find lines without a station between the edges: a count that goes on from line to line, or begins elsewhere."""
    low, high = log.scheme.edge_stations(1)
    known = [r for r in log.kept if not np.isnan(r.first)]
    beyond = [r for r in known if r.low > high or r.high < low]
    if len(beyond) < MANY or len(beyond) <= MOST * len(known):
        return None
    first = beyond[0]
    found = (
        f"{len(beyond)} of {len(known)} lines have no station from {low:g} to {high:g}, such as line {first.line}: "
        f"{first.smallest:g} to {first.largest:g}."
    )
    remedy = (
        "If it counts on from line to line, it is no station: take the role away. If it begins elsewhere, set "
        "first_station in the register, or an offset of its column."
    )
    return Misreading("stations", found, f"stations {low:g} to {high:g} and a little overrun", remedy)


def _one_way_count(log: GridLog) -> Optional[Misreading]:
    """Find lines that look reversed against an alternate pattern, so many that the count may be no station.

    A count that alternates is one that the logger was set to for each line: there the register is in question.
    """
    known = [r for r in log.kept if r.line == r.target and r.seen_heading]
    wrong = [
        r for r in known if r.seen_heading != int(log.scheme.heading(r.line)) and not (r.note and r.note.direction)
    ]
    if len(wrong) < MANY or len(wrong) <= PATTERN_FRACTION * len(known):
        return None
    fits = pattern_fits(log.scheme, [(r.line, r.seen_heading) for r in known])
    best = max(fits, key=lambda choice: fits[choice])
    fitting = fits[best] > PATTERN_FITS
    if (fitting and best[0] in ("alternate", log.scheme.pattern)) or _count_alternates(log):
        return None
    found = f"{len(wrong)} of {len(known)} lines look reversed, the first of them line {wrong[0].line}."
    expected = f"pattern {log.scheme.pattern}, first_heading {log.scheme.first_heading}"
    remedy = "If it counts the readings of a line, it is no station: take the role away."
    if fitting:
        remedy += f" If the lines were walked so, set pattern {best[0]} and first_heading {best[1]} in the register."
    return Misreading("stations", found, expected, remedy)


def _count_alternates(log: GridLog) -> bool:
    """Whether nearly each recording counts the other way than the one before it, whatever their numbers."""
    ways = np.array([r.seen_heading for r in log.walked if r.seen_heading])
    return len(ways) > 1 and float(np.mean(ways[1:] != ways[:-1])) > PATTERN_FITS


def _still_clock(log: GridLog) -> Optional[Misreading]:
    """Find times that stand still in the whole log, or run backwards in most lines."""
    timed = [r for r in log.kept if np.isfinite(r.duration_s)]
    if len(timed) < MANY:
        return None
    remedy = "Correct the column of the time and its format."
    if np.nanmax(log.readings.time_s) == np.nanmin(log.readings.time_s):
        return Misreading("times", "All readings have the same time.", "times that grow", remedy)
    back = [r.line for r in timed if r.clock_back or r.elapsed_s < 0]
    if len(back) <= MOST * len(timed):
        return None
    found = f"The times run backwards within {len(back)} of {len(timed)} lines, the first of them line {back[0]}."
    return Misreading("times", found, "times that grow", remedy)


def _not_walked(log: GridLog) -> Optional[Misreading]:
    """Find times by which the lines cannot have been walked, whether length or rate of the register is right."""
    scheme, timed = log.scheme, [r for r in log.kept if np.isfinite(r.duration_s) and r.count > TOO_FEW_READINGS]
    steps = np.abs(np.diff(log.readings.time_s))
    if len(timed) < MANY or not np.any(steps > 0):
        return None
    # A clock that is read in whole seconds or minutes is off by up to its step at both ends of a line.
    tick = float(np.min(steps[steps > 0]))
    gaps = np.array([r.count - 1 for r in timed])
    seconds = np.array([r.elapsed_s if r.pauses > gap / 2 else r.duration_s for r, gap in zip(timed, gaps)])
    metres = np.full((2, len(gaps)), scheme.length_m)
    if scheme.pace == "rate":
        metres[1] = gaps * scheme.interval_m
    slow, fast = WALKING_MS[0] / BEYOND_WALKING, WALKING_MS[1] * BEYOND_WALKING
    least, most = seconds + tick, seconds - tick
    too_fast = for_most(metres.min(0) > fast * least) or for_most(gaps > LOGGER_PER_S[1] * least)
    too_slow = for_most((metres.max(0) < slow * most) & (gaps < LOGGER_PER_S[0] * most))
    if not (too_fast or too_slow):
        return None
    count, span = np.median(gaps) + 1, np.median(seconds)
    found = f"By its times a line of {count:.0f} readings took {span:.3g} s."
    expected = f"a walk of {scheme.length_m:g} m at {WALKING_MS[0]:g} to {WALKING_MS[1]:g} m/s"
    return Misreading("times", found, expected, "Correct the format of the time, or the column that has it.")
