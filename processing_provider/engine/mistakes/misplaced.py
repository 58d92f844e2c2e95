"""Lines that fit their neighbours when they are turned round or moved, as possible mistakes."""

from __future__ import annotations

from typing import Iterator, Sequence

from ..core import Code, certainty_of
from .context import GridContext, PossibleMistake
from .line_position import Misplacement
from .messages import AS_RECORDED, moved, turned_round
from .neighbour_fit import moves_of

UNSURE_M = 0.5
"""A line turned round is moved only by more than this. Common practice, no source: so far off may any line be walked,
with its lag (0.3 m) and along-line position error (0.19 m)."""


def misplaced_lines(grid: GridContext) -> Iterator[PossibleMistake]:
    """Yield lines that fit when they are turned round or moved, the worst first."""
    found = 0
    while found < len(grid.lines) // 2:
        misplaced = grid.misplaced()
        above = misplaced.above.max(axis=0)
        worst = int(above.argmax())
        if above[worst] <= 0:
            break
        # A line is held against its neighbours: of two side by side the one that stands without the other.
        for rival in (worst - 1, worst + 1):
            if 0 <= rival < len(above) and above[rival] > 0 and _alone(grid, rival, worst) > _alone(grid, worst, rival):
                worst = rival
        if worst != above.argmax():
            trusted = grid.trusted.copy()
            trusted[int(above.argmax())] = False
            misplaced = grid.misplaced(trusted)
        mistake = _reversed_or_shifted(grid, worst, misplaced)
        # Its neighbours were held against it; they get another hearing without it.
        grid.trusted[worst] = False
        found += 1
        yield mistake


def misplaced_in_error(grid: GridContext, wrong: Sequence[int]) -> Iterator[PossibleMistake]:
    """Yield those of some lines that fit the trusted lines when they are turned round or moved, each by itself."""
    for i in wrong:
        trusted = grid.trusted.copy()
        trusted[i] = True
        misplaced = grid.misplaced(trusted)
        if misplaced.above[:, i].max() > 0:
            yield _reversed_or_shifted(grid, i, misplaced)


def _alone(grid: GridContext, i: int, other: int) -> float:
    """Return what a line gains beyond chance when another one is taken out."""
    trusted = grid.trusted.copy()
    trusted[other] = False
    return float(grid.misplaced(trusted).above[:, i].max())


def _reversed_or_shifted(grid: GridContext, i: int, misplaced: Misplacement) -> PossibleMistake:
    fit, way = misplaced.fit, int(misplaced.above[:, i].argmax())
    at = int(misplaced.best[way, i])
    recorded, proposed = fit.correlation[0, i, fit.near].max(), fit.correlation[way, i, at]
    heading, move = int(grid.lines.heading[i]), float(fit.move_m[at])
    certainty = certainty_of(float(misplaced.gain[way, i]), moves_of(fit))
    start = grid.start_m(i)
    if way:
        found = turned_round(proposed, recorded)
        code, advice = Code.LINE_REVERSED, "note its true heading and start_station."
        heading = -heading
        start = grid.lines.v[0] + grid.lines.v[-1] - start + (move if abs(move) > UNSURE_M else 0.0)
    else:
        found = moved(move, proposed, recorded)
        code, advice = Code.LINE_SHIFTED, "note its true start_station."
        start += move
    ask = f"Ask the books how line {int(grid.lines.line[i])} was walked."
    finding = grid.finding(code, i, found, AS_RECORDED, f"{ask} If they agree, {advice}")
    if not heading:
        return PossibleMistake(finding)
    station = grid.station(start, heading)
    return PossibleMistake(finding, (grid.proposal(i, certainty, heading=heading, start_station=station),))
