"""What concerns a grid as a whole is said before single lines are accused: grids held against each other."""

from __future__ import annotations

from dataclasses import replace
from typing import Sequence

from ..core import Code, Finding, Progress
from ..mosaic import Questioned, Turn, grids_by_edges
from .late_switch import with_late_switches
from .read_survey import GridResult

SURE = 0.99
"""Probability from which on a grid that is not as recorded is an error. Common practice, no source: the 1 % level of
tests."""
EXPECTED = "readings that go on across the edges"
OF_WHOLE_GRIDS = (Code.GRID_TURNED.word, Code.LOGS_EXCHANGED.word)
ACCUSED_BY_READINGS = (
    Code.LINE_REVERSED,
    Code.LINE_SHIFTED,
    Code.LINES_SWAPPED,
    Code.LINE_DOUBLED,
    Code.LINE_AGAIN,
    Code.LINE_STRANGE,
    Code.LINE_SKIPPED,
)
ACCUSED_BY_NOTES = (
    Code.NOTE_DISAGREES,
    Code.NOTE_WITHOUT_LINE,
    Code.SETTING_CORRECTED,
    Code.DIRECTION,
    Code.START_STATION,
    Code.STEP_SIGN,
    Code.LINE_ORDER,
    Code.LINE_TWICE,
    Code.POSITION,
)
"""Where two grids have each other's log, their notes are held against the wrong one."""


def with_whole_grids(results: Sequence[GridResult], progress: Progress = None) -> list[GridResult]:
    """Return the grids of a survey with what concerns each as a whole, and without what follows from that.

    Single lines of a grid that is turned or has another grid's log are accused of nothing; ground that must be walked
    again stays so.
    """
    to_confirm = _mirrored(results)
    by_edges = grids_by_edges([r.cells for r in results if r.cells is not None], to_confirm, progress)
    found = {one.grid: _turned(one) if not one.other else _exchanged(one) for one in by_edges.questioned}
    exchanged = {name for one in by_edges.questioned if one.other for name in (one.grid, one.other)}
    settled = {*by_edges.confirmed, *found, *exchanged}
    mirrored = {grid: finding for grid, finding in to_confirm.items() if grid not in settled}
    done = []
    for result in results:
        whole = [f for f in (found.get(result.grid), mirrored.get(result.grid)) if f is not None]
        accused = _accused(result.grid in found or result.grid in exchanged, result.grid in exchanged)
        own = [f for f in result.findings if not _of_whole(f)]
        kept = (f for f in own if f.walk_again or f.line is None or f.code not in accused)
        proposals = () if accused else result.proposals
        done.append(replace(result, findings=(*whole, *kept), proposals=proposals))
    return with_late_switches(done)


def as_questioned_before(result: GridResult, before: GridResult) -> GridResult:
    """Return a grid that was read again alone, with what was found of it as a whole when it lay beside the others."""
    whole = [f for f in before.findings if _of_whole(f)]
    return replace(result, findings=(*whole, *(f for f in result.findings if not _of_whole(f))))


def _of_whole(finding: Finding) -> bool:
    return finding.code in OF_WHOLE_GRIDS or (finding.code == Code.MIRRORED.word and finding.severity == "warning")


def _accused(questioned: bool, exchanged: bool) -> set[str]:
    """Return the codes of findings about single lines that say nothing of their own."""
    codes = [*ACCUSED_BY_READINGS * questioned, *ACCUSED_BY_NOTES * exchanged]
    return {code.word for code in codes}


def _exchanged(one: Questioned) -> Finding:
    found = (
        f"{_along(one.neighbours)} the readings of grids {one.grid} and {one.other} go on when the two exchange logs "
        f"(correlation {one.proposed:.2f}, as recorded {one.recorded:.2f}).{_rivals(one)}"
    )
    advice = (
        f"Ask whether the logs of grids {one.grid} and {one.other} are exchanged. If so, exchange them in the column "
        "log of the register."
    )
    return Code.LOGS_EXCHANGED.finding(
        found, EXPECTED, advice, severity="error" if one.certainty >= SURE else "warning", grid=one.grid
    )


def _turned(one: Questioned) -> Finding:
    begins, leads = (_place(one.turn, name) for name in ("start", "head"))
    found = (
        f"{_along(one.neighbours)} the readings go on when the first line begins at the corner recorded as {begins} "
        f"and leads to the {leads} (correlation {one.proposed:.2f}, as recorded {one.recorded:.2f}).{_rivals(one)}"
    )
    advice = f"Measure where the first line of grid {one.grid} begins. If it is so, {_renamed(one.turn)}."
    return Code.GRID_TURNED.finding(
        found, EXPECTED, advice, severity="error" if one.certainty >= SURE else "warning", grid=one.grid
    )


def _rivals(one: Questioned) -> str:
    names = " or ".join(one.rivals)
    return f" If that is not so, it may be grid {names} that lies otherwise than recorded." if names else ""


def _along(neighbours: Sequence[str]) -> str:
    names = ", ".join(neighbours[:-1]) + " and " * (len(neighbours) > 1) + neighbours[-1]
    return f"Along the edges with grid{'s' * (len(neighbours) > 1)} {names}"


def _place(turn: Turn, corner: str) -> str:
    """Return the recorded name of the corner at which a corner of the log lies."""
    return next(name for name in ("start", "baseline", "opposite", "head") if turn.corner(name) == corner)


def _renamed(turn: Turn) -> str:
    """Return how the corners must be renamed, in words."""
    true = {name: turn.corner(name) for name in ("start", "baseline", "head", "opposite")}
    moved = {name: other for name, other in true.items() if name != other}
    if all(moved.get(other) == name for name, other in moved.items()):
        pairs = [f"{a} with {b}" for k, (a, b) in enumerate(moved.items()) if b not in list(moved)[:k]]
        return f"exchange {' and '.join(pairs)} in the corners"
    return f"name the corners anew: {', '.join(f'{b} for {a}' for a, b in moved.items())}"


def _mirrored(results: Sequence[GridResult]) -> dict[str, Finding]:
    """Return a finding about each grid that is mirrored where others are not.

    Two corners do not show whether a grid is mirrored.
    """
    frames = {r.grid: r.frame for r in results if r.frame is not None and len(r.source.corners) > 2}
    mirrored = [grid for grid, frame in frames.items() if frame.mirrored]
    if len(mirrored) == len(frames):
        return {}
    found = "The traverses lead off to the right of the baseline, those of other grids to the left."
    return {
        grid: Code.MIRRORED.finding(found, "all grids alike",
                f"Measure where the first line of grid {grid} begins. If it is at the other end of the baseline, "
                "exchange start with baseline and head with opposite in the corners.", severity="warning", grid=grid)
        for grid in mirrored
    }  # fmt: skip
