"""Progress and cancelling: one callback that is given the fraction done; what it raises ends the work."""

from __future__ import annotations

from typing import Callable, Iterator, Optional, overload

Progress = Optional[Callable[[float], None]]
"""Called with the fraction done, 0 to 1."""


@overload
def part_of(progress: None, low: float, high: float) -> None: ...
@overload
def part_of(progress: Callable[[float], None], low: float, high: float) -> Callable[[float], None]: ...
def part_of(progress: Progress, low: float, high: float) -> Progress:
    """Return a callback whose 0 to 1 is ``low`` to ``high`` of the given one; None for None."""
    return progress and (lambda fraction: progress(low + (high - low) * fraction))


def halves_of(progress: Progress) -> Iterator[Progress]:
    """Yield callbacks for rounds of which nobody knows how many there will be: each takes half of what is left."""
    begin = 0.0
    while True:
        yield part_of(progress, begin, (1.0 + begin) / 2)
        begin = (1.0 + begin) / 2
