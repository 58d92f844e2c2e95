"""GeoTIFF rasters."""

from .geotiff import band_of, read_map, read_raster, write_raster
from .placed_image import UnreadableImage, write_north_up

__all__ = [
    "UnreadableImage",
    "band_of",
    "read_map",
    "read_raster",
    "write_north_up",
    "write_raster",
]
