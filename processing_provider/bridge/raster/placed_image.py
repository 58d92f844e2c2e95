"""An image with a place on the map, turned north-up."""

from __future__ import annotations

from pathlib import Path

from osgeo import gdal

CREATION = ("TILED=YES", "COMPRESS=DEFLATE", "PREDICTOR=2")


class UnreadableImage(Exception):
    """An image that GDAL cannot open."""


def write_north_up(image: Path, target: Path, geotransform: tuple[float, ...], pixel_m: float, crs_wkt: str) -> None:
    """Write a north-up GeoTIFF of a placed image, transparent around it.

    Parameters
    ----------
    image, target : Path
    geotransform : tuple of 6 float
        As GDAL counts: x and y of the upper left corner, and metres by column and by row.
    pixel_m : float
        Side of a pixel of the result.
    crs_wkt : str

    Raises
    ------
    UnreadableImage
        When the image cannot be opened.
    OSError
        When the file cannot be written.
    """
    source = _opened(image)
    # A palette cannot be mixed, so its colours are.
    expand = {"rgbExpand": "rgb"} if source.GetRasterBand(1).GetColorTable() is not None else {}
    placed = _good(gdal.Translate("", source, format="VRT", outputSRS=crs_wkt, **expand))
    placed.SetGeoTransform(geotransform)
    written = gdal.Warp(
        str(target), placed, format="GTiff", dstSRS=crs_wkt, xRes=pixel_m, yRes=pixel_m, resampleAlg="bilinear",
        dstAlpha=True, creationOptions=list(CREATION),
    )  # fmt: skip
    _good(written).FlushCache()


def _opened(image: Path) -> gdal.Dataset:
    gdal.ErrorReset()
    try:
        data = gdal.Open(str(image))
    except RuntimeError:  # raised in place of None where a program has switched GDAL's exceptions on
        data = None
    if data is None:
        raise UnreadableImage(image.name)
    return data


def _good(data: object) -> gdal.Dataset:
    if data is None:
        raise OSError(gdal.GetLastErrorMsg() or "no reason given")
    return data
