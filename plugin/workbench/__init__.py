"""The workbench: grids, lines, findings, changes by hand."""

from .dock import Workbench

__all__ = [
    "Workbench",
]
