"""What is said of a doubt: what was found, what should be there, and what to do."""

from __future__ import annotations

from ._doubt_breaks import Break
from ._doubt_order import OrderDoubt
from ._doubt_places import Spot
from ._doubt_slips import Slip
from .scheme import Scheme

STEADY = "readings at a steady rate"


def told_by_times(item: Break, line: int, step_m: float) -> tuple[str, str, str]:
    """Return (found, expected, advice) of readings lost in a log with times; ``step_m`` between readings."""
    count = round(item.lost)
    found = (
        f"The log stands still for {item.gap_s:.1f} s after station {item.station:g}, and the line ends short: about "
        f"{count} readings ({count * step_m:.1f} m) were lost there. The rest of the line lies off by as much."
    )
    return found, STEADY, f"Walk line {line} again."


def told_by_neighbours(item: Slip, line: int, step_m: float) -> tuple[str, str, str]:
    """Return (found, expected, advice) of readings lost in a log without times."""
    found = (
        f"The line ends short, and from about {item.v_m:.1f} m along the traverse on its readings fit the neighbouring "
        f"lines with a correlation of {item.recorded:.2f} as recorded, and of {item.proposed:.2f} when they are moved "
        f"on by {item.lost} readings ({item.lost * step_m:.1f} m): about as many were lost there. The log has no times "
        "that would show it."
    )
    return found, STEADY, f"Walk line {line} again."


def told_of_double(doubt: OrderDoubt, lines: tuple[int, int, int, int]) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line walked twice.

    ``lines`` are the line before the most probable one, and the first, the most probable and the last of the numbers
    one of which is that of the second walk.
    """
    before, first, line, last = lines
    beyond = "If the last line was walked beyond the edge, note its position_m."
    expected = "a line that fits best where it was recorded"
    if first == last:
        found = (
            f"It shows the same ground as line {before}, and all later lines fit when they lie one spacing nearer "
            f"(correlation of {doubt.recorded:.2f} as recorded, {doubt.proposed:.2f} so). The log has a line too many; "
            f"with a probability of {doubt.spot.certainty:.0%} this is the one."
        )
        advice = (
            f"If line {before} was walked twice, note line {line} as redo, and the position_m of it and of all later "
            f"lines. {beyond}"
        )
        return found, expected, advice
    found = (
        f"The log has a line too many; with a probability of {doubt.spot.certainty:.0%} it is one of lines {first} to "
        f"{last}, most probably {line} ({doubt.spot.certainty_line:.0%}): that one shows the same ground as the line "
        "before it, and all later lines fit when they lie one spacing nearer."
    )
    advice = (
        f"Measure with a tape where lines {first - 1} to {last} lie. If one of them was walked twice, note the second "
        f"walk as redo, and the position_m of it and of all later lines. {beyond}"
    )
    return found, expected, advice


def told_of_skip(skip: Spot, lines: tuple[int, int, int], scheme: Scheme, tied: bool) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line left out.

    ``lines`` are the first, the most probable and the last of the numbers from which on lines lie a spacing farther;
    ``tied`` whether tie lines had their say.
    """
    first, line, last = lines
    end, missing = (int(n) for n in scheme.lines[-2:])
    right, farther = (float(u) for u in scheme.position_m(scheme.lines[-2:]))
    where = f"line {line}" if first == last else f"one of lines {first} to {last}, most probably {line},"
    found = (
        f"The log has one line less than the grid. The features that cross the lines{' and the tie lines' * tied} fit "
        f"best when all lines from {where} on lie one spacing farther: with a probability of {skip.certainty:.0%} a "
        f"line was left out there, of {skip.elsewhere:.0%} elsewhere on the way, and of "
        f"{1 - skip.certainty - skip.elsewhere:.0%} none but the last, line {missing}."
    )
    advice = (
        f"Measure with a tape where line {end} lies. At {right:.2f} m along the baseline it lies right: walk line "
        f"{missing}. At {farther:.2f} m a line was left out: measure lines {max(first - 1, int(scheme.lines[0]))} to "
        f"{last} as well, note the position_m of all lines behind the gap, and walk the bare ground there instead."
    )
    return found, "lines one spacing apart, from one edge to the other", advice
