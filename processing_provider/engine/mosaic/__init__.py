"""What grids have in common along their edges: the level of each, and whether it lies as recorded."""

from .line_cells import LineCells, line_cells
from .record import MosaicRecord
from .seams import balance_grids
from .whole_grids import GridsByEdges, Questioned, Turn, grids_by_edges

__all__ = [
    "GridsByEdges",
    "LineCells",
    "MosaicRecord",
    "Questioned",
    "Turn",
    "balance_grids",
    "grids_by_edges",
    "line_cells",
]
