"""The level of each grid, from the edges it has in common with others."""

from .record import MosaicRecord
from .seams import balance_grids

__all__ = ["MosaicRecord", "balance_grids"]
