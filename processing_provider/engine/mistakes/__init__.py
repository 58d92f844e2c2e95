"""Recording mistakes: what the readings themselves say against the log."""

from .detect import PossibleMistake, possible_mistakes

__all__ = [
    "PossibleMistake",
    "possible_mistakes",
]
