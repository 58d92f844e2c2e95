"""Recording mistakes: what the readings themselves say against the log."""

from .detect import Doubt, doubts_of

__all__ = [
    "Doubt",
    "doubts_of",
]
