"""The frame of a grid, the lattice of a raster, rasters in blocks."""

from .block_raster import BLOCK, BlockRaster, block_window
from .frame import (
    CORNERS,
    WARN_M,
    Corner,
    Frame,
    fit_frame,
    frame_of_readings,
    local_corner,
    local_frame,
    parse_corners,
)
from .lattice import EDGE_M, Lattice

__all__ = [
    "BLOCK",
    "BlockRaster",
    "CORNERS",
    "Corner",
    "EDGE_M",
    "Frame",
    "Lattice",
    "WARN_M",
    "block_window",
    "fit_frame",
    "frame_of_readings",
    "local_corner",
    "local_frame",
    "parse_corners",
]
