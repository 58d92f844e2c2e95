"""Causes of many faults at once: books and log that are not of the same lines."""

from __future__ import annotations

from typing import Iterator, Sequence

import numpy as np

from ..core import Code
from .grid_log import MANY, Cause, GridLog, listed
from .line_summaries import RunSummary
from .whole_numbers import OF_COUNTS, OF_NUMBERS, SAME_START


def _numbers_again(log: GridLog) -> Iterator[Cause]:
    """Find a second part of the log whose numbers begin with the first line again, while as many lines are missing.

    The walk was broken off and went on another day, and the logger counted lines anew.
    """
    scheme = log.scheme
    runs = [r for r in log.walked if r.target is not None and r.note_position is None]
    order = [int(scheme.order(r.line)) for r in runs]
    begins = [i for i, k in enumerate(order) if i and k == 0 and order[i - 1] > 0]
    if not begins:
        return
    at = begins[-1]
    done, again = len(set(order[:at])), len(set(order[at:]))
    behind = [int(n) for n in scheme.lines[done:]]
    in_turn = set(order[:at]) == set(range(done)) and order[at:] == list(range(again))
    if not in_turn or again < MANY or again > len(behind) or log.missing != behind:
        return
    second = runs[at:]
    ways = [r.seen_heading == int(scheme.heading(behind[i])) for i, r in enumerate(second) if r.seen_heading]
    if any(r.kind == "redo" for r in second) or (ways and np.mean(ways) <= SAME_START):
        return
    lines, true = listed([r.line for r in second]), behind[:again]
    found = f"Numbers begin again in the log: after line {runs[at - 1].line} come lines {lines} once more."
    advice = (
        f"Ask whether the second {second[0].line} to {second[-1].line} are lines {true[0]} to {true[-1]}. "
        f"If so, note the position_m of each second recording, from {float(scheme.position_m(true[0])):.2f} on. If "
        f"not, walk lines {listed(behind, counted=False)}."
    )
    also = [*behind, *(r.line for r in second)]
    finding = log.finding(Code.LINE_OUTSIDE, None, found, f"lines {listed(scheme.lines.tolist())}", advice, also=also)
    yield Cause(finding, (*OF_NUMBERS, *OF_COUNTS), (Code.DIRECTION,))


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
    for line in log.scheme.lines.tolist():
        kinds = [n.kind for n in log.notes if n.line == line and n.run is None and n.of_recording]
        if sorted(kinds) != ["dummy", "survey"] or not strays or sum(r.line == line for r in log.runs) != 1:
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


NOTED_CHECKS = (_dummy_of_another_number, _noted_not_logged)
"""Causes that are looked for when numbers and counts are not to blame."""
AGAIN_CHECKS = (_numbers_again,)
"""Causes that are looked for before the register is held to blame."""
