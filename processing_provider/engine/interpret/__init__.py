"""What is read from rasters."""

from .regional_residual import split_response

__all__ = [
    "split_response",
]
