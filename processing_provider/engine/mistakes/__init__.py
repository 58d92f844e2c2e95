"""Recording mistakes: what the readings themselves say against the log."""

from .context import aligned_by_corrections
from .detect import PossibleMistake, possible_mistakes

__all__ = [
    "PossibleMistake",
    "aligned_by_corrections",
    "possible_mistakes",
]
