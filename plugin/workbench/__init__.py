"""The workbench: grids, lines, findings, changes by hand."""

from .background_tasks import Works
from .dock import Workbench

__all__ = [
    "Workbench",
    "Works",
]
