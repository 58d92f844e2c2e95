"""What people read about a possible mistake: what was found, what should be there, and what to do."""

from __future__ import annotations

from typing import Iterable, Sequence

from ..core import Scheme
from .lost_by_clock import Break
from .lost_by_neighbours import Slip
from .order import OrderMistake
from .posterior import ProbableLines

STEADY = "readings at a steady rate"
AS_RECORDED = "a line that fits best where it was recorded"


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


def with_those_before(numbers: Iterable[int]) -> list[int]:
    """Return the numbers of lines and of those before them, ascending."""
    return sorted({n - before for n in numbers for before in (0, 1)})


def lost_by_times(item: Break, line: int, step_m: float) -> tuple[str, str, str]:
    """Return (found, expected, advice) of readings lost in a log with times; ``step_m`` between readings."""
    count = round(item.lost)
    found = (
        f"The log stands still for {item.gap_s:.1f} s after station {item.station:g}, and the line ends short: about "
        f"{count} readings ({count * step_m:.1f} m) were lost there. The rest of the line lies off by as much."
    )
    return found, STEADY, f"Walk line {line} again."


def lost_by_fit(item: Slip, line: int, step_m: float) -> tuple[str, str, str]:
    """Return (found, expected, advice) of readings lost in a log without times."""
    found = (
        f"The line ends short, and from about {item.v_m:.1f} m along the traverse on its readings fit the neighbouring "
        f"lines with a correlation of {item.recorded:.2f} as recorded, and of {item.proposed:.2f} when they are moved "
        f"on by {item.lost} readings ({item.lost * step_m:.1f} m): about as many were lost there. The log has no times "
        "that would show it."
    )
    return found, STEADY, f"Walk line {line} again."


def fits_as_recorded(mistake: OrderMistake) -> str:
    """Return the beginning of what was found of a line that fits better elsewhere."""
    return f"It fits the lines around it with a correlation of {mistake.recorded:.2f} as recorded"


def walked_again(mistake: OrderMistake, line: int, other: int) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line on the ground of another one."""
    found = f"{fits_as_recorded(mistake)}, and of {mistake.proposed:.2f} on the ground of line {other}."
    advice = (
        f"If line {other} was walked twice, note line {line} as redo with its position_m. Walk the ground of line "
        f"{line} again."
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
        f"Measure with a tape where lines {series(measured, 'and')} lie. If one of them was walked on the ground of "
        "another, note it as redo with its position_m, and walk its own ground again."
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
            f"It shows the same ground as line {before}, and all later lines fit when they lie one spacing nearer "
            f"(correlation of {mistake.recorded:.2f} as recorded, {mistake.proposed:.2f} so). The log has a line too "
            f"many; with a probability of {probable.certainty:.0%} this is the one."
        )
        advice = (
            f"If line {before} was walked twice, note line {line} as redo, and the position_m of it and of all later "
            f"lines. {beyond}"
        )
        return found, AS_RECORDED, advice
    found = (
        f"The log has a line too many; with a probability of {probable.certainty:.0%} it is one of lines "
        f"{series(among, 'or')}, most probably {line} ({probable.certainty_line:.0%}): that one shows the same "
        "ground as the line before it, and all later lines fit when they lie one spacing nearer."
    )
    advice = (
        f"Measure with a tape where lines {series(with_those_before(among), 'and')} lie. If one of them was walked "
        f"twice, note the second walk as redo, and the position_m of it and of all later lines. {beyond}"
    )
    return found, AS_RECORDED, advice


def left_out(skip: ProbableLines, among: Sequence[int], line: int, scheme: Scheme, tied: bool) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line left out.

    ``among`` are the numbers from one of which on lines lie a spacing farther, ``line`` the most probable one; ``tied``
    whether tie lines are part of the evidence.
    """
    end, missing = (int(n) for n in scheme.lines[-2:])
    right, farther = (float(u) for u in scheme.position_m(scheme.lines[-2:]))
    where = f"line {line}" if len(among) == 1 else f"one of lines {series(among, 'or')}, most probably {line},"
    measured = [n for n in with_those_before(among) if n >= scheme.lines[0]]
    found = (
        f"The log has one line less than the grid. The features that cross the lines{' and the tie lines' * tied} fit "
        f"best when all lines from {where} on lie one spacing farther: with a probability of {skip.certainty:.0%} a "
        f"line was left out there, of {skip.elsewhere:.0%} elsewhere on the way, and of "
        f"{1 - skip.certainty - skip.elsewhere:.0%} none but the last, line {missing}."
    )
    advice = (
        f"Measure with a tape where line {end} lies. At {right:.2f} m along the baseline it lies right: walk line "
        f"{missing}. At {farther:.2f} m a line was left out: measure lines {series(measured, 'and')} as "
        f"well, note the position_m of all lines behind the gap, and walk the bare ground there instead."
    )
    return found, "lines one spacing apart, from one edge to the other", advice
