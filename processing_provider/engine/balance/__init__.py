"""The level of each traverse and the drift, from neighbouring lines, tie lines and base readings."""

from .balance import balance_lines, balance_traverses, levels_of
from .line_levels import FREEDOM, Levels
from .tie_crossings import LAG_M, REST_M, Marks, tie_shapes

__all__ = [
    "FREEDOM",
    "LAG_M",
    "Levels",
    "Marks",
    "REST_M",
    "balance_lines",
    "balance_traverses",
    "levels_of",
    "tie_shapes",
]
