"""The level of each traverse and the drift, from neighbouring lines, tie lines and base readings."""

from .balance import balance_traverses, controlled_levels
from .line_levels import FREEDOM, LineLevels
from .record import BalanceRecord, LineOffset
from .tie_crossovers import Controls, tie_shapes

__all__ = [
    "BalanceRecord",
    "Controls",
    "FREEDOM",
    "LineLevels",
    "LineOffset",
    "balance_traverses",
    "controlled_levels",
    "tie_shapes",
]
