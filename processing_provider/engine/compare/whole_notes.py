"""Causes of many faults at once: books and log that are not of the same lines."""

from __future__ import annotations

from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import Code, Note, Scheme
from .grid_log import MANY, Cause, GridLog, listed
from .line_summaries import RunSummary
from .whole_numbers import OF_COUNTS, OF_NUMBERS, SAME_START


def _numbers_again(log: GridLog) -> Iterator[Cause]:
    """Find a second part of the log that repeats numbers of the first one, while as many lines are missing at the end.

    The walk was broken off and went on another day, and the logger counted lines anew, or from another line.
    """
    scheme = log.scheme
    runs = [r for r in log.walked if r.target is not None and r.note_position is None]
    at = _break(scheme, [int(scheme.order(r.line)) for r in runs])
    if at is None or any(r.kind == "redo" for r in runs[at:]):
        return
    second, done = runs[at:], at - sum(a.line == b.line for a, b in zip(runs[:at], runs[1:at]))
    true = [int(n) for n in scheme.lines[done : done + len(second)]]
    have = {r.line for r in runs}
    if len(true) < len(second) or log.missing != [n for n in scheme.lines.tolist() if n not in have]:
        return
    ways = [r.seen_heading == int(scheme.heading(line)) for r, line in zip(second, true) if r.seen_heading]
    if ways and np.mean(ways) <= SAME_START:
        return
    lines = [r.line for r in second]
    found = f"Numbers begin again in the log: after line {runs[at - 1].line} come lines {listed(lines)} once more."
    advice = (
        f"Ask whether the second {lines[0]} to {lines[-1]} are lines {true[0]} to {true[-1]}. If so, note the "
        f"position_m of each of these recordings, from {float(scheme.position_m(true[0])):.2f} on. If not, walk lines "
        f"{listed(log.missing, counted=False)}."
    )
    also = [*log.missing, *lines]
    finding = log.finding(Code.LINE_OUTSIDE, None, found, f"lines {listed(scheme.lines.tolist())}", advice, also=also)
    yield Cause(finding, (*OF_NUMBERS, *OF_COUNTS), (Code.DIRECTION,))


def _break(scheme: Scheme, order: Sequence[int]) -> Optional[int]:
    """Return where among recordings the numbers go back, all being in turn before and behind; None where they do not.

    ``order`` are the positions of the lines in the grid. One number given twice is another cause.
    """
    backs = [i for i in range(1, len(order)) if order[i] < order[i - 1]]
    if len(backs) != 1 or len(order) - backs[0] < MANY:
        return None
    (at,) = backs
    begun = sorted(set(order[:at])) == list(range(order[at - 1] + 1))
    goes_on = list(order[at:]) == list(range(order[at], order[at] + len(order) - at))
    return at if begun and goes_on and order[at] + len(order) - at < scheme.line_count else None


def _rows_shifted(log: GridLog) -> Iterator[Cause]:
    """Find rows of the notes under the number of a line beside theirs: one line has no row, and another one has two."""
    have = {r.line for r in log.runs}
    lines = [n for n in log.scheme.lines.tolist() if n in have]
    rows: dict[int, list[Note]] = {n: [] for n in lines}
    for note in log.notes:
        if note.line in rows and note.run is None and note.kind == "survey":
            rows[note.line].append(note)
    none, two = ([n for n in lines if len(rows[n]) == count] for count in (0, 2))
    if len(none) != 1 or len(two) != 1 or len(lines) < MANY or any(len(rows[n]) > 2 for n in lines):
        return
    if sum(r.line == two[0] for r in log.runs) != 1 or any(n.line == none[0] and n.of_recording for n in log.notes):
        return
    a, b = lines.index(none[0]), lines.index(two[0])
    between = lines[min(a, b) + 1 : max(a, b)]
    turned = [r.seen_heading * rows[r.line][0].direction < 0 for r in log.runs if r.line in between]
    found = f"Line {none[0]} has no row in the notes, and line {two[0]} has two."
    advice = f"Ask whether a row of line {two[0]} is that of line {none[0]}. If so, correct its number."
    also = [none[0]]
    if turned and all(turned):
        noted, true = (lines[a + 1 : b + 1], lines[a:b]) if a < b else (lines[b:a], lines[b + 1 : a + 1])
        found += f" Between them the headings are those of the lines {'before' if a < b else 'behind'}."
        advice = f"Ask whether lines {noted[0]} to {noted[-1]} as noted are {true[0]} to {true[-1]}. If so, "
        advice += "correct their numbers."
        also += between
    finding = log.finding(Code.NOTES_DIFFER, two[0], found, "a row a line", advice, also=also)
    yield Cause(finding, (Code.NOTES_DIFFER, Code.NOTE_DISAGREES, Code.DIRECTION, Code.STEP_SIGN))


def _noted_not_logged(log: GridLog) -> Iterator[Cause]:
    """Find a block of lines at an end of the grid that the notes have and the log has not: a part of it is missing."""
    lines, missing = log.scheme.lines.tolist(), set(log.missing)
    for ordered in (lines[::-1], lines):
        count = next((i for i, line in enumerate(ordered) if line not in missing), len(ordered))
        block = sorted(ordered[:count])
        if not MANY <= count < len(lines) or not set(block) <= log.noted_lines:
            continue
        logged = {r.line for r in log.runs}
        beside = {n.line for n in log.notes if n.kind in ("dummy", "tie", "base") and n.line is not None} - logged
        found = f"Lines {listed(block)} are noted, but not in the log."
        advice = (
            f"Ask for the log of lines {block[0]} to {block[-1]}. If it is another file, name it in the register as "
            "well, behind a semicolon. If there is none, walk these lines."
        )
        expected = "a recording of each line noted"
        finding = log.finding(Code.LINE_MISSING, None, found, expected, advice, also=[*block, *sorted(beside)])
        yield Cause(finding, (Code.LINE_MISSING, Code.NOTE_WITHOUT_LINE))


def _dummy_of_another_number(log: GridLog) -> Iterator[Cause]:
    """Find a dummy noted under the number of a line that was walked once, while a lone recording has no note."""
    strays = [r for r in (log.runs[0], log.runs[-1]) if r.walked and r.target is None and r.note is None]
    for line in log.scheme.lines.tolist() if strays else ():
        kinds = [n.kind for n in log.notes if n.line == line and n.run is None and n.of_recording]
        if sorted(kinds) != ["dummy", "survey"] or sum(r.line == line for r in log.runs) != 1:
            continue
        stray = _nearest(strays, kinds)
        found = f"Line {line} is noted as dummy and as survey, and was walked once. Line {stray.line} has no note."
        advice = f"Ask the books whether the dummy of line {line} is line {stray.line}. If so, correct its number. "
        advice += f"Until then line {line} is left out of the maps."
        finding = log.finding(Code.NOTES_DIFFER, line, found, "one row a recording", advice, also=(stray.line,))
        yield Cause(finding, (*OF_NUMBERS, Code.NOTES_DIFFER))


def _nearest(strays: Sequence[RunSummary], kinds: Sequence[str]) -> RunSummary:
    """Return the first of the log where the dummy is noted before the line, else the last."""
    return strays[0] if kinds[0] == "dummy" else strays[-1]


NOTED_CHECKS = (_dummy_of_another_number, _rows_shifted, _noted_not_logged)
"""Causes that are looked for when numbers and counts are not to blame."""
AGAIN_CHECKS = (_numbers_again,)
"""Causes that are looked for before the register is held to blame."""
