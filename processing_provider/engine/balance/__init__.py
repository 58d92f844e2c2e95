"""The level of each traverse and the drift, from neighbouring lines, tie lines and base readings."""

from .balance import balance_traverses, levels_of
from .line_levels import FREEDOM, Levels
from .record import BalanceRecord, LineOffset
from .tie_crossings import Marks, tie_shapes

__all__ = [
    "BalanceRecord",
    "FREEDOM",
    "Levels",
    "LineOffset",
    "Marks",
    "balance_traverses",
    "levels_of",
    "tie_shapes",
]
