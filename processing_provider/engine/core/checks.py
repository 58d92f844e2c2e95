"""Checks on options and tables. Each message has three parts: what is invalid, what was given, what is allowed."""

from __future__ import annotations

import math
from typing import Mapping, Sequence

from .errors import EngineError

LIMITS: Mapping[str, tuple[float, float]] = {
    **dict.fromkeys(("length_m", "width_m"), (0.1, 1e4)),
    "spacing_m": (0.01, 1e3),
    "readings_per_m": (0.01, 1e3),
    **dict.fromkeys(("first_offset_m", "position_m"), (-1e4, 1e4)),
    **dict.fromkeys(("sensor_ahead_m", "sensor_right_m"), (-1e2, 1e2)),
    **dict.fromkeys(("line", "first_line", "line_step"), (-1e9, 1e9)),
    "run": (1, 1e5),
    **dict.fromkeys(("first_station", "start_station", "stop_station"), (-1e9, 1e9)),
    **dict.fromkeys(("x", "y"), (-1e8, 1e8)),
    "cell_size_m": (1e-3, 1e3),
    "max_gap_m": (1e-3, 1e6),
    "shift_m": (-1e2, 1e2),
    **dict.fromkeys(("first_seq", "last_seq"), (-1e9, 1e9)),
    "heading": (-1, 1),
    "threshold": (1e-3, 1e6),
    **dict.fromkeys(("factor", "offset"), (-1e12, 1e12)),
    "column": (1, 500),
    "widths": (1, 1e4),
    "skip_rows": (0, 1e6),
}
"""Least and largest value of each number of register, corners, notes, layout and recipe, in the unit of its name. A
grid is staked by tape within a day's walk, lines lie a coil to some hundred metres from each other, a reading stands
for a millimetre to a hundred metres, numbers have at most nine digits, and eastings with the number of a zone before
them reach 60 million. Units differ by powers of ten up to the twelfth (pico to one); ten coil pairs with all that a
logger may add have fewer than 100 columns. Common practice, no source; beyond them a number is a slip of the pen, and
may take all memory.
"""
LEAST_FACTOR = 1e-12
"""Size of a factor of a layout. Derived: the inverse of the largest."""
MOST_LINES = 10_000
"""Of a grid. Derived: the widest grid at a metre between the lines."""
MOST_READINGS = 100_000
"""Of a line. Derived: the longest line at ten readings a metre."""
LONGEST_SHOWN = 60
"""Letters of a value in a sentence. Common practice, no source: a line of text."""


def shown(value: object) -> str:
    """Return a value as it stands in a sentence: in quotes where it is a text, the middle of a long one left out."""
    text = ascii(value) if isinstance(value, str) and not value.isprintable() else repr(value)
    half = LONGEST_SHOWN // 2
    return text if len(text) <= LONGEST_SHOWN else f"{text[:half]}...{text[-half:]}"


def check_limits(name: str, value: float, where: str) -> float:
    """Return the number of a column if it lies within its ``LIMITS``, else raise EngineError.

    Parameters
    ----------
    name : str
        A key of ``LIMITS``.
    value : float
    where : str
        Table and row, or the grid, with its preposition, for the message.
    """
    least, most = LIMITS[name]
    if not least <= value <= most:
        raise EngineError(f"Invalid {name} {where}: {value:g} was given. It must be {least:,.10g} to {most:,.10g}.")
    return value


def is_whole_within(name: str, value: object) -> bool:
    """Return whether a value is a whole number within the ``LIMITS`` of a name."""
    return isinstance(value, int) and not isinstance(value, bool) and LIMITS[name][0] <= value <= LIMITS[name][1]


def limits_in_words(name: str) -> str:
    """Return the ``LIMITS`` of a whole number for a sentence: ``from 1 to 500``."""
    return "from {:,.0f} to {:,.0f}".format(*LIMITS[name])


def check_choice(name: str, value: str, allowed: Sequence[str]) -> str:
    """Return ``value`` if it is one of ``allowed``, else raise EngineError."""
    if value not in allowed:
        raise EngineError(f"Invalid {name}: {shown(value)} was given. It must be one of: {', '.join(allowed)}.")
    return value


def check_positive(name: str, value: float) -> float:
    """Return ``value`` as a float if it is finite and above zero, else raise EngineError."""
    value = check_finite(name, value)
    if value <= 0:
        raise EngineError(f"Invalid {name}: {value:g} was given. It must be above zero.")
    return value


def check_finite(name: str, value: float) -> float:
    """Return ``value`` as a float if it is a finite number, else raise EngineError."""
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number):
        raise EngineError(f"Invalid {name}: {shown(value)} was given. It must be a number.")
    return number


def check_channels(channels: Sequence[str] | None, available: Sequence[str]) -> tuple[str, ...]:
    """Return the channels to work on: all available ones when None or empty is given."""
    if not channels:
        return tuple(available)
    for channel in channels:
        if channel not in available:
            raise EngineError(
                f"Invalid channel: {channel!r} was given. The readings carry: {', '.join(available) or 'none'}."
            )
    return tuple(channels)
