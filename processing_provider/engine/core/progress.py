"""Progress and cancelling: one callback that is given the fraction done; what it raises ends the work."""

from __future__ import annotations

from typing import Callable, Optional

Progress = Optional[Callable[[float], None]]
"""Called with the fraction done, 0 to 1."""


def part_of(progress: Progress, low: float, high: float) -> Progress:
    """Return a callback whose 0 to 1 is ``low`` to ``high`` of the given one; None for None."""
    return progress and (lambda fraction: progress(low + (high - low) * fraction))
