"""What people read about a possible mistake: what was found, what should be there, and what to do."""

from __future__ import annotations

from typing import Iterable, Sequence

from ..core import Scheme
from .lost_by_clock import Break
from .lost_by_neighbours import Slip
from .order import OrderMistake
from .posterior import ProbableLines
from .stationary import Still

STEADY = "readings at a steady rate"
AS_RECORDED = "a line that fits best where it was recorded"
LISTED_WORDS = 5
"""Most words of a list of lines in a first sentence. Derived: a first sentence has 12 words, and 7 stand around it."""


def series(numbers: Sequence[int], word: str) -> str:
    """Return ascending numbers in words, such as "3 to 5, 8 or 12", ``word`` before the last."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    words = [t for p in parts for t in ([f"{p[0]} to {p[-1]}"] if len(p) > 2 else [str(n) for n in p])]
    return f" {word} ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def measure(numbers: Sequence[int]) -> str:
    """Return what to do first where several lines are to be measured; more of them than fit in stand behind it."""
    lines = series(numbers, "and")
    if len(lines.split()) > LISTED_WORDS:
        return f"Measure with a tape where several lines lie. They are {lines}."
    return f"Measure with a tape where lines {lines} lie."


def with_those_before(numbers: Iterable[int]) -> list[int]:
    """Return the numbers of lines and of those before them, ascending."""
    return sorted({n - before for n in numbers for before in (0, 1)})


def lost_by_times(item: Break, line: int, step_m: float) -> tuple[str, str, str]:
    """Return (found, expected, advice) of readings lost in a log with times; ``step_m`` between readings."""
    count = round(item.lost)
    found = (
        f"About {count} readings ({count * step_m:.1f} m) were lost after station {item.station:g}: the log stands "
        f"still for {item.gap_s:.1f} s there, and the line ends short. The rest of the line lies off by as much."
    )
    return found, STEADY, f"Walk line {line} again."


def lost_by_fit(item: Slip, line: int, step_m: float) -> tuple[str, str, str]:
    """Return (found, expected, advice) of readings lost in a log without times."""
    found = (
        f"About {item.lost} readings ({item.lost * step_m:.1f} m) were lost, probably {item.v_m:.1f} m along the "
        "traverse: the line ends short, and from there on it fits the neighbouring lines when its readings are moved "
        f"on by as many ({_correlations(item.proposed, item.recorded)}). The log has no times that would show it."
    )
    return found, STEADY, f"Walk line {line} again."


def turned_round(proposed: float, recorded: float) -> str:
    """Return what was found of a line that fits its neighbours turned round."""
    return f"The line fits its neighbours when it is turned round ({_correlations(proposed, recorded)})."


def moved(move_m: float, proposed: float, recorded: float) -> str:
    """Return what was found of a line that fits its neighbours moved along the traverse."""
    how = f"moved by {move_m:+.1f} m along the traverse"
    return f"The line fits its neighbours when it is {how} ({_correlations(proposed, recorded)})."


def stationary(item: Still, unit: str) -> str:
    """Return what was found of a line that was read on one spot; ``unit`` is that of its readings, or empty."""
    own = f"{item.own:.2g} {unit}".rstrip()
    return (
        f"The readings hardly change along the line (by {own}), where those of the lines around it change by "
        f"{item.beside:.2g} at least."
    )


def standing_still(value: str, ends_m: Sequence[float]) -> str:
    """Return what was found of a line that repeats a value between two distances along the traverse."""
    return (
        f"The readings stand still at {value} over {ends_m[1] - ends_m[0]:.1f} m, from {ends_m[0]:.1f} to "
        f"{ends_m[1]:.1f} m along the traverse."
    )


def exchanged(mistake: OrderMistake, line: int, other: int) -> tuple[str, str, str]:
    """Return (found, expected, advice) of two lines that changed places."""
    fits = _correlations(mistake.proposed, mistake.recorded)
    found = f"The line fits the lines around it when it changes places with line {other} ({fits})."
    advice = f"Ask the books whether lines {line} and {other} were exchanged. If so, note the true position_m of both."
    return found, AS_RECORDED, advice


def foreign(mistake: OrderMistake) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line that fits nowhere."""
    found = f"The line fits nowhere in the grid (correlation with the lines around it {mistake.recorded:.2f})."
    advice = "Ask the books whether it is a dummy or of another grid. If so, note it as dummy, and walk the line again."
    return found, AS_RECORDED, advice


def walked_again(mistake: OrderMistake, line: int, other: int) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line on the ground of another one."""
    fits = _correlations(mistake.proposed, mistake.recorded)
    found = f"The line was probably walked on the ground of line {other}: it fits there ({fits})."
    advice = (
        f"Measure with a tape where line {line} lies. If it was walked on the ground of line {other}, note it as redo "
        "with its position_m, and walk its own ground again."
    )
    return found, AS_RECORDED, advice


def walked_beside(
    mistake: OrderMistake, probable: ProbableLines, among: Sequence[int], line: int, other: int
) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line on the ground of the one beside it.

    ``among`` are the numbers one of which is that of the line, ``line`` the most probable one and ``other`` the one on
    whose ground it lies.
    """
    found, expected, advice = walked_again(mistake, line, other)
    if len(among) == 1:
        return found, expected, advice
    found += (
        f" With a probability of {probable.certainty:.0%} one of lines {series(among, 'or')} was walked on the "
        f"ground of the line beside it, most probably this one ({probable.certainty_line:.0%})."
    )
    measured = sorted({*with_those_before(among), *(n + 1 for n in among)})
    advice = (
        f"{measure(measured)} If one of them was walked on the ground of another, note it as redo with its "
        "position_m, and walk its own ground again."
    )
    return found, expected, advice


def walked_twice(
    mistake: OrderMistake, probable: ProbableLines, among: Sequence[int], line: int, before: int
) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line walked twice.

    ``among`` are the numbers one of which is that of the second walk, ``line`` the most probable one and ``before``
    the line before that.
    """
    beyond = "If the last line was walked beyond the edge, note its position_m."
    if len(among) == 1:
        found = (
            f"The log has a line too many; with a probability of {probable.certainty:.0%} this is the one. It shows "
            f"the same ground as line {before}, and all later lines fit when they lie one spacing nearer "
            f"({_correlations(mistake.proposed, mistake.recorded)})."
        )
        advice = (
            f"Ask the books whether line {before} was walked twice. If so, note line {line} as redo, and the "
            f"position_m of it and of all later lines. {beyond}"
        )
        return found, AS_RECORDED, advice
    found = (
        f"The log has a line too many; with a probability of {probable.certainty:.0%} it is one of lines "
        f"{series(among, 'or')}, most probably {line} ({probable.certainty_line:.0%}): that one shows the same "
        "ground as the line before it, and all later lines fit when they lie one spacing nearer."
    )
    advice = (
        f"{measure(with_those_before(among))} If one of them was walked twice, note the second walk as redo, and the "
        f"position_m of it and of all later lines. {beyond}"
    )
    return found, AS_RECORDED, advice


def left_out(skip: ProbableLines, among: Sequence[int], line: int, scheme: Scheme, tied: bool) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line left out.

    ``among`` are the numbers from one of which on lines lie a spacing farther, ``line`` the most probable one; ``tied``
    whether tie lines are part of the evidence.
    """
    end, missing = (int(n) for n in scheme.lines[-2:])
    right, farther = (float(u) for u in scheme.position_m(scheme.lines[-2:]))
    where = f"line {line}" if len(among) == 1 else f"one of lines {series(among, 'or')}, most probably {line}"
    measured = [n for n in with_those_before(among) if n >= scheme.lines[0]]
    found = (
        f"The log has one line less than the grid: with a probability of {skip.certainty:.0%} a line was left out "
        f"before {where}, of {skip.elsewhere:.0%} elsewhere on the way, and of "
        f"{1 - skip.certainty - skip.elsewhere:.0%} none but the last, line {missing}. The features that cross the "
        f"lines{' and the tie lines' * tied} fit best when all lines from there on lie one spacing farther."
    )
    advice = (
        f"Measure with a tape where line {end} lies. At {right:.2f} m along the baseline it lies right: walk line "
        f"{missing}. At {farther:.2f} m a line was left out: measure lines {series(measured, 'and')} as "
        f"well, note the position_m of all lines behind the gap, and walk the bare ground there instead."
    )
    return found, "lines one spacing apart, from one edge to the other", advice


def _correlations(proposed: float, recorded: float) -> str:
    return f"correlation {proposed:.2f}, as recorded {recorded:.2f}"
