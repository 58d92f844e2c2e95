"""The frame of a grid, the lattice of a raster, rasters in blocks."""

from .block_raster import BLOCK, BlockRaster, block_window
from .corners import (
    CORNERS,
    EXCHANGE,
    EXPECTED_AXES,
    Corner,
    coordinate_columns,
    corner_position,
    corners_unreadable,
    far_grids,
    in_degrees,
    parse_corners,
    usable_corners,
)
from .frame import WARN_M, Frame, fit_frame, frame_of_readings, local_corner, local_frame
from .lattice import EDGE_M, Lattice
from .memory import check_memory

__all__ = [
    "BLOCK",
    "BlockRaster",
    "CORNERS",
    "Corner",
    "EDGE_M",
    "EXCHANGE",
    "EXPECTED_AXES",
    "Frame",
    "Lattice",
    "WARN_M",
    "block_window",
    "coordinate_columns",
    "check_memory",
    "corner_position",
    "corners_unreadable",
    "fit_frame",
    "frame_of_readings",
    "far_grids",
    "in_degrees",
    "local_corner",
    "local_frame",
    "parse_corners",
    "usable_corners",
]
