"""Hold a log against the field notes and the scheme: what is missing, doubled, or not as it should be.

Every check looks at the log through short summaries of its recordings. Overrun past both edges is normal, and so is a
line walked back that counts down past its first station and below zero: none of it makes a finding.
"""

from __future__ import annotations

from typing import Callable, Optional, Sequence

import numpy as np

from ..core import UNREADABLE, Code, Finding, Note, Readings, Scheme, notes_for
from .grid_log import MANY, MOST, Cause, GridLog, listed, summarise
from .lines import LINE_CHECKS
from .notes import NOTE_CHECKS
from .questioned_layout import questioned_layout, questioned_lines
from .walk import WALK_CHECKS
from .whole import WHOLE_CHECKS, other_rate

CHECKS = (*LINE_CHECKS, *WALK_CHECKS, *NOTE_CHECKS)
"""Each takes a GridLog and yields findings about its lines; ``WHOLE_CHECKS`` come before them."""
MENDED_TOGETHER = {
    Code.START_STATION.word: (Code.NOTE_DISAGREES, Code.DIRECTION, Code.STEP_SIGN, Code.LINE_LONG, Code.LINE_SHORT),
    Code.LINE_SHORT.word: (Code.PACE, Code.NOTE_DISAGREES),
    Code.LINE_TWICE.word: (Code.NOTE_DISAGREES,),
    Code.LINE_MISSING.word: (Code.NOTE_WITHOUT_LINE, Code.POSITION),
    Code.NOTES_DIFFER.word: (Code.NOTE_DISAGREES, Code.DIRECTION, Code.LINE_MISSING),
}
"""Findings about a line that are consequences of another one about the same line."""
OF_UNREADABLE = (Code.LINE_OUTSIDE, Code.DUMMY_LIKELY, Code.LINE_TWICE)
"""Findings that a row of the notes may explain as soon as it can be read."""
OF_OTHERS = (Code.LINE_OUTSIDE.word,)
"""Findings of which notes about recordings that are not there are consequences, on the other lines that they name."""
WHOLE_GRID = (Code.LINE_SHORT, Code.LINE_LONG, Code.DIRECTION, Code.LINE_OUTSIDE, Code.STEP_SIGN, Code.WRONG_LOG,
              Code.LAYOUT_QUESTIONED, Code.READING_RATE)  # fmt: skip
"""Codes that, without a line, say that positions or headings of the whole grid are not as registered."""
WRONG_SIZE = (0.5, 2.0)
"""Lines of another grid have fewer or more than these fractions of the readings expected (common practice, no
source)."""
COMMON_CAUSE = {
    Code.LINE_SHORT: "Ask the books whether length_m and readings_per_m are right. If the grid is smaller than the "
    "register says, correct them. If not, note what stood in the way as obstacle, or walk the lines again.",
    Code.LINE_LONG: "Ask the books whether length_m and readings_per_m are right. If this overrun was meant, leave it.",
    Code.START_STATION: "Ask the books whether first_station is right. If so, note the true start_station of each "
    "line.",
    Code.STEP_SIGN: "Ask the books for heading and step in the log's layout.",
    Code.LINE_OUTSIDE: "Ask the books whether width_m, spacing_m, first_line and line_step are right. Check, too, that "
    "the log is this grid's.",
    Code.PACE: "Ask the books for the format of the times. Correct it in the layout of the log.",
}
"""Advice where most lines share a fault."""


def compare_notes(
    readings: Readings,
    scheme: Scheme,
    notes: Sequence[Note] = (),
    *,
    confirmed: bool = False,
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
    confirmed : bool
        Whether a person says that the log was read as it was written, however questionable it looks.
    progress : callable, optional
        Called with the fraction done; what it raises ends the comparison.

    Returns
    -------
    list of Finding
        The most urgent first (``Finding.urgency``). Empty for a log without fault.

    Notes
    -----
    Where most lines have the same fault, one finding without a line replaces them: the register, not the walk, is then
    the likely cause. A log in which nothing fits gives ``wrong-log`` alone, and one that looks misread
    ``layout-questioned`` alone. See docs/methods/compare.md.
    """
    if not len(readings):
        found, advice = "The log has no readings of this grid.", "Ask the books which log belongs to this grid."
        return [Code.WRONG_LOG.finding(found, "", advice, grid=scheme.grid)]
    log = summarise(readings, scheme, notes)
    misread = None if confirmed else questioned_lines(log)
    alone = misread or _wrong_log(log) or (None if confirmed else questioned_layout(log))
    if alone is not None:
        return [alone]
    causes = _causes(log)
    findings: list[Finding] = []
    for number, check in enumerate(CHECKS):
        if progress is not None:
            progress(number / len(CHECKS))
        findings.extend(_joined([f for f in check(log) if not any(c.explains(f) for c in causes)], log))
    if progress is not None:
        progress(1.0)
    unreadable = {n.line for n in notes_for(notes, scheme.grid) if n.kind == UNREADABLE}
    findings = [*(c.finding for c in causes), *_one_a_cause(findings, unreadable)]
    return sorted(findings, key=lambda finding: finding.urgency)


def grid_questioned(findings: Sequence[Finding]) -> bool:
    """Whether the grid as a whole is not as registered, so that lines cannot be held against their neighbours."""
    codes = [code.word for code in WHOLE_GRID]
    return any(f.line is None and f.severity == "error" and f.code in codes for f in findings)


def lines_in_error(findings: Sequence[Finding]) -> set[int]:
    """Return the lines that an error speaks of, or that may be exchanged: other lines cannot be held against them."""
    wrong = [f for f in findings if f.severity == "error" or (f.code == Code.LINE_ORDER.word and f.also)]
    return {line for f in wrong if f.line is not None for line in (f.line, *f.also)}


def _causes(log: GridLog) -> list[Cause]:
    """Return what concerns the grid as a whole, each cause once."""
    causes: list[Cause] = []
    for check in WHOLE_CHECKS:
        causes += [new for new in check(log) if not any(c.explains(new.finding) for c in causes)]
    return causes


def _one_a_cause(findings: Sequence[Finding], unreadable: set[Optional[int]]) -> list[Finding]:
    """Leave out the consequences of what another finding, or one about unreadable rows, says of the same line."""
    said = {(code.word, f.line) for f in findings for code in MENDED_TOGETHER.get(f.code, ())}
    said |= {(code.word, line) for code in OF_UNREADABLE for line in unreadable}
    said |= {(Code.NOTE_WITHOUT_LINE.word, line) for f in findings if f.code in OF_OTHERS for line in f.also}
    return [f for f in findings if f.line is None or (f.code, f.line) not in said]


def _wrong_log(log: GridLog) -> Optional[Finding]:
    """Return the one finding about a log that cannot be this grid's, else None."""
    scheme, runs = log.scheme, [r for r in log.runs if r.walked]
    if not runs or any(r.note is not None for r in runs):
        return None
    if all(r.target is None for r in runs):
        found = f"No line of the log is one of this grid's. It has lines {listed(sorted({r.line for r in runs}))}."
        expected = f"lines {listed(scheme.lines.tolist())}"
    else:
        sizes = np.array([r.count / scheme.readings_per_line for r in runs])
        if len(runs) < MANY or not (np.all(sizes < WRONG_SIZE[0]) or np.all(sizes > WRONG_SIZE[1])):
            return None
        if other_rate(log):
            return None
        found = f"The lines of the log have about {np.median([r.count for r in runs]):.0f} readings each."
        expected = f"about {scheme.readings_per_line} readings a line"
    advice = (
        "Ask the books which log belongs to this grid. If it is this one, check line numbers, length_m and "
        "readings_per_m in the register."
    )
    return log.finding(Code.WRONG_LOG, None, found, expected, advice)


def _joined(findings: list[Finding], log: GridLog) -> list[Finding]:
    """Put one finding in the place of many of the same kind when most lines have it."""
    for code, advice in COMMON_CAUSE.items():
        same = [f for f in findings if f.code == code.word and f.severity != "note"]
        lines = sorted({f.line for f in same if f.line is not None})
        if len(lines) < MANY or len(lines) <= MOST * len({r.line for r in log.walked}):
            continue
        first = same[0]
        found = f"{len(lines)} lines have the same fault: {listed(lines)}. Line {first.line}: {first.found}"
        whole = log.finding(code, None, found, first.expected, advice, severity=first.severity)
        findings = [whole, *(f for f in findings if f.code != code.word or f.severity == "note")]
    return findings
