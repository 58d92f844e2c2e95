"""The level of each grid, from the edges it has in common with others."""

from .seams import balance_grids, level_grids

__all__ = ["balance_grids", "level_grids"]
