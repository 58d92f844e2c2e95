"""Lines of one grid in the log of another: the logger was switched to the next grid late, or too early."""

from __future__ import annotations

from dataclasses import replace
from typing import Sequence

import numpy as np

from ..core import Code, Finding, Scheme
from .read_survey import GridResult

LEAST = 2
"""Fewest lines that are looked at together. Common practice, no source: one line recorded twice in one grid and missing
in another may be two mistakes."""
OF_RECORDINGS = (
    Code.LINE_TWICE,
    Code.NOTE_DISAGREES,
    Code.DIRECTION,
    Code.START_STATION,
    Code.STEP_SIGN,
    Code.PACE,
    Code.LINE_ORDER,
    Code.POSITION,
)
"""What is said of a line that has another one's recording besides its own."""
OF_ABSENCE = (Code.LINE_MISSING, Code.NOTE_WITHOUT_LINE)
"""What is said of a line whose recording is in another log."""


def with_late_switches(results: Sequence[GridResult]) -> list[GridResult]:
    """Return the grids of a survey with one finding where lines of one are in the log of another.

    These lines were recorded twice in one grid, and no others are missing in the other one, at an end of it.
    """
    found = {r.grid: list(r.findings) for r in results}
    twice = {r.grid: _lines(r, Code.LINE_TWICE) for r in results}
    missing = [(r.scheme, _lines(r, Code.LINE_MISSING)) for r in results]
    for grid, lines in twice.items():
        bare = next((s for s, m in missing if s.grid != grid and m == lines and _at_end(lines, s)), None)
        if len(lines) < LEAST or bare is None:
            continue
        own = [f for f in found[grid] if not _about(f, lines, OF_RECORDINGS)]
        found[grid] = [_not_switched(grid, bare.grid, sorted(lines)), *own]
        # A dummy beside these lines is in the other log, too.
        beside = {line + step for line in lines for step in (-bare.line_step, bare.line_step)}
        gone = lines | {line for line in beside if not bare.has_line(line)}
        found[bare.grid] = [f for f in found[bare.grid] if not _about(f, gone, OF_ABSENCE)]
    return [replace(r, findings=tuple(found[r.grid])) for r in results]


def _lines(result: GridResult, code: Code) -> set[int]:
    """Return the lines of a grid that its findings with a code speak of."""
    said = {line for f in result.findings if f.code == code.word for line in (f.line, *f.also) if line is not None}
    return {line for line in said if result.scheme.has_line(line)}


def _at_end(lines: set[int], scheme: Scheme) -> bool:
    """Return whether lines follow each other from an end of the grid on."""
    if not lines:
        return False
    order = np.sort(scheme.order(sorted(lines)))
    return bool(np.ptp(order) == len(order) - 1 and (order[0] == 0 or order[-1] == scheme.line_count - 1))


def _about(finding: Finding, lines: set[int], codes: Sequence[Code]) -> bool:
    """Return whether a finding has one of the codes and speaks of none but some lines."""
    own = {line for line in (finding.line, *finding.also) if line is not None}
    return finding.code in {code.word for code in codes} and bool(own) and own <= lines


def _not_switched(log: str, bare: str, lines: Sequence[int]) -> Finding:
    block = f"{lines[0]} to {lines[-1]}"
    found = f"The log of grid {log} has lines {block} twice, and grid {bare} lacks the lines with these numbers."
    advice = (
        f"Ask the books when the logger was switched to grid {bare}. If the second recordings of lines {block} are of "
        f"grid {bare}, move them to its log. If they were walked again, note them as redo, and walk lines {block} of "
        f"grid {bare}."
    )
    return Code.LINE_TWICE.finding(found, "recordings in the log of their grid", advice, grid=log, also=lines)
