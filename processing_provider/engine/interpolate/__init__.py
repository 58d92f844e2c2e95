"""Readings on traverses onto a north-up raster."""

from .interpolate import RasterResult, interpolate_readings
from .record import MapRecord
from .tiles import interpolate_grids, window_of

__all__ = [
    "MapRecord",
    "RasterResult",
    "interpolate_grids",
    "interpolate_readings",
    "window_of",
]
