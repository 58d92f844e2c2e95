"""What is said of a doubt: what was found, what should be there, and what to do."""

from __future__ import annotations

from ._doubt_breaks import Break
from ._doubt_skips import Skip
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


def told_of_skip(skip: Skip, lines: tuple[int, int, int], scheme: Scheme) -> tuple[str, str, str]:
    """Return (found, expected, advice) of a line left out.

    ``lines`` are the first, the most probable and the last of the numbers from which on lines lie a spacing farther.
    """
    first, line, last = lines
    end, missing = (int(n) for n in scheme.lines[-2:])
    right, farther = (float(u) for u in scheme.position_m(scheme.lines[-2:]))
    where = f"line {line}" if first == last else f"one of lines {first} to {last}, most probably {line},"
    found = (
        f"The log has one line less than the grid. The features that cross the lines fit best when all lines from "
        f"{where} on lie one spacing farther: with a probability of {skip.certainty:.0%} a line was left out there, "
        "and none at the end."
    )
    advice = (
        f"Measure with a tape where line {end} lies. At {right:.2f} m along the baseline it lies right: walk line "
        f"{missing}. At {farther:.2f} m a line was left out: measure lines {max(first - 1, int(scheme.lines[0]))} to "
        f"{last} as well, note the position_m of all lines behind the gap, and walk the bare ground there instead."
    )
    return found, "lines one spacing apart, from one edge to the other", advice
