"""Points that lie anywhere onto a north-up raster."""

from .scattered import GAP_SPACINGS, METHODS, interpolate_scattered

__all__ = [
    "GAP_SPACINGS",
    "METHODS",
    "interpolate_scattered",
]
