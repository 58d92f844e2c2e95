"""Colours and symbols of layers."""

from .ramps import QUIET, RAMPS, SEQUENTIAL, about_zero, channel_look, from_zero, shared_range
from .renderers import (
    NEAR_SCALE,
    VECTOR_STYLES,
    Look,
    add_styles_by_value,
    keep_style_in_file,
    looks_of,
    outline_symbol,
    style_corners,
    style_full_scale,
    style_raster,
)

__all__ = [
    "Look",
    "NEAR_SCALE",
    "QUIET",
    "RAMPS",
    "SEQUENTIAL",
    "VECTOR_STYLES",
    "about_zero",
    "add_styles_by_value",
    "channel_look",
    "from_zero",
    "keep_style_in_file",
    "looks_of",
    "outline_symbol",
    "shared_range",
    "style_corners",
    "style_full_scale",
    "style_raster",
]
