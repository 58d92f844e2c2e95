"""What is read from rasters."""

from .regional_residual import BYTES_A_CELL, split_response

__all__ = [
    "BYTES_A_CELL",
    "split_response",
]
