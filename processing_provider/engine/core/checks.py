"""Checks on options. Each message has three parts: what is invalid, what was given, what is allowed."""

from __future__ import annotations

import math
from typing import Sequence

from .errors import EngineError


def check_choice(name: str, value: str, allowed: Sequence[str]) -> str:
    """Return ``value`` if it is one of ``allowed``, else raise EngineError."""
    if value not in allowed:
        raise EngineError(f"Invalid {name}: {value!r} was given. It must be one of: {', '.join(allowed)}.")
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
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise EngineError(f"Invalid {name}: {value!r} was given. It must be a number.")
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
