"""Points that lie anywhere onto a north-up raster."""

from .scattered import METHODS, interpolate_scattered

__all__ = [
    "METHODS",
    "interpolate_scattered",
]
