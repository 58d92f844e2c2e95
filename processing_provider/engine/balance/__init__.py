"""The level of each traverse and the drift, from neighbouring lines, tie lines and base readings."""

from .balance import balance_lines, balance_traverses, levels_of
from .line_levels import FREEDOM, Levels
from .tie_crossings import Marks, tie_shapes

__all__ = [
    "FREEDOM",
    "Levels",
    "Marks",
    "balance_lines",
    "balance_traverses",
    "levels_of",
    "tie_shapes",
]
