"""Checks of a log that look for one cause of many faults: what the register says of the grid as a whole."""

from __future__ import annotations

from typing import Iterator, Optional

import numpy as np

from ..core import Code
from .grid_log import MANY, MOST, Cause, GridLog, for_most, listed
from .line_summaries import FAR_PACE
from .lines import OVERRUN_M, SHORT_M
from .walk import SHORTEST_S
from .whole_notes import AGAIN_CHECKS, NOTED_CHECKS
from .whole_numbers import NUMBER_CHECKS, SAME_START, other_numbers

OTHER_SIZE_FRACTION = 0.25
"""From this fraction of the lines on, a block missing at an end of the grid is probably not forgotten, but another
size. Common practice, no source: nobody forgets a quarter of a grid."""
SPACING_STEP_M = 0.25
"""Lines are laid out at whole multiples of this. Common practice, no source: 0.25, 0.5, 0.75 or 1 m."""
SAME_NUMBER = 1e-6
"""Multiples of a step this near to a whole number are it. Derived: far above the rounding of a quotient of doubles."""
RATE_STEP = 1.2
"""Rates that a logger offers differ by more than this factor. Common practice, no source: 5, 8, 10, 16 a second."""


def _missing_block(log: GridLog) -> Iterator[Cause]:
    """Find lines missing as a block at an end of the grid that the notes do not name: half a grid, or its size."""
    scheme, lines = log.scheme, log.scheme.lines.tolist()
    missing = set(log.missing)
    for ordered, at in ((lines[::-1], "ends after"), (lines, "begins with")):
        count = next((i for i, line in enumerate(ordered) if line not in missing), len(ordered))
        spacing = scheme.width_m / (len(lines) - count) if at == "ends after" and count < len(lines) else np.nan
        other_spacing = abs(spacing / SPACING_STEP_M - np.round(spacing / SPACING_STEP_M)) < SAME_NUMBER
        if count < MANY or count == len(lines) or (count < OTHER_SIZE_FRACTION * len(lines) and not other_spacing):
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
        if count < OTHER_SIZE_FRACTION * len(lines):
            advice = (
                f"Ask the books whether spacing_m is {spacing:g}. If so, correct the register. If the grid {at} line "
                f"{last}, set {remedy}. If neither, walk lines {block[0]} to {block[-1]}."
            )
        expected = f"lines {listed(lines)}, as width_m {scheme.width_m:g} and spacing_m {scheme.spacing_m:g} give them"
        finding = log.finding(Code.LINE_MISSING, None, found, expected, advice, also=block)
        yield Cause(finding, (Code.LINE_MISSING, Code.NOTE_WITHOUT_LINE))


def _lines_beyond(log: GridLog) -> Iterator[Cause]:
    """Find many lines beyond the end of the grid: a closer spacing or a wider grid than registered."""
    scheme = log.scheme
    others = {r.line for r in log.walked if r.target is None and r.note_position is None}
    outside = sorted(others, key=lambda line: float(scheme.order(line)))
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
    longer, shorter = for_most(over_m > OVERRUN_M), for_most(short_m > SHORT_M)
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
    otherwise = "If this overrun was meant, leave it."
    if not longer:
        otherwise = "If the register is right, note what stood in the way as obstacle, or walk the lines again."
    advice = f"Ask the books whether {ask}. Correct the register. {otherwise}"
    if code is Code.LINE_LONG:
        finding = log.finding(Code.LINE_LONG, None, found, expected, advice, severity="error")
    else:
        finding = log.finding(code, None, found, expected, advice)
    yield Cause(finding, OF_SIZE)


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

    None where too few lines show it, or most have other stations altogether. Stations as logged: notes that keep what
    was planned put lines elsewhere. Without stations the readings are counted from the edge.
    """
    scheme, kept = log.scheme, [r for r in log.kept if not r.mixed]
    if len(kept) < MANY or scheme.pace != "rate":
        return None
    low, high = scheme.edge_stations(1)
    ends = [(low, low + r.count - 1) if np.isnan(r.first) else (r.smallest, r.largest) for r in kept]
    smallest, largest = np.array(ends).T
    if np.mean((smallest > high) | (largest < low)) > MOST:
        return None
    over = (largest - high - (low - smallest)) * scheme.interval_m
    return float(np.median(smallest)), float(np.median(largest)), over, (high - largest) * scheme.interval_m


OF_SIZE = (Code.LINE_SHORT, Code.LINE_LONG, Code.START_STATION, Code.PACE, Code.NOTE_DISAGREES)
"""What is found of lines that are longer or shorter than registered."""
WHOLE_CHECKS = (*AGAIN_CHECKS, other_numbers, _missing_block, _lines_beyond, _size, _first_station, *NUMBER_CHECKS,
                *NOTED_CHECKS)  # fmt: skip
"""Each takes a GridLog and yields causes; a later one is left out where an earlier one explains it."""
