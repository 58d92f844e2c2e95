"""Rasters between arrays and GeoTIFF."""

from __future__ import annotations

from pathlib import Path
from typing import Mapping, Optional

import numpy as np
from osgeo import gdal

from ...engine.core import EngineError, Progress, whole_file
from ...engine.geometry import BlockRaster, Lattice

NODATA = -9999.0
SUFFIXES = (".tif", ".tiff")
# Levels above the first take twice the time for files 2 % smaller.
CREATION = ("TILED=YES", "BLOCKXSIZE=256", "BLOCKYSIZE=256", "COMPRESS=DEFLATE", "PREDICTOR=3", "ZLEVEL=1")


def write_raster(
    path: Path,
    values: BlockRaster,
    crs_wkt: str,
    *,
    unit: str = "",
    name: str = "",
    metadata: Optional[Mapping[str, str]] = None,
    progress: Progress = None,
) -> None:
    """Write a raster as GeoTIFF: Float32, north-up, tiled, compressed, nodata -9999, unit and name in the band.

    Parameters
    ----------
    path : Path
    values : BlockRaster
        What lies outside its blocks becomes nodata without ever being in memory.
    crs_wkt : str
    unit, name : str
        Of the band.
    metadata : mapping, optional
        Free keys of the file.
    progress : callable, optional
        Called with the fraction done; what it raises ends the writing.

    Raises
    ------
    EngineError
        When the file cannot be written or is to be no GeoTIFF; nothing half-written is left.
    """
    lattice = values.lattice
    if path.suffix.lower() not in SUFFIXES:
        raise EngineError(f"{path.name} cannot be written: rasters are GeoTIFFs. Give it a name that ends in .tif.")
    with whole_file(path, "raster") as part:
        gdal.ErrorReset()
        driver = gdal.GetDriverByName("GTiff")
        data = driver.Create(str(part), lattice.cols, lattice.rows, 1, gdal.GDT_Float32, list(CREATION))
        if data is None:
            raise OSError(gdal.GetLastErrorMsg() or "no reason given")
        band = data.GetRasterBand(1)
        try:
            data.SetGeoTransform(lattice.geotransform)
            data.SetProjection(crs_wkt)
            data.SetMetadata({**(metadata or {}), "AREA_OR_POINT": "Area"})
            band.SetNoDataValue(NODATA)
            band.SetUnitType(unit)
            band.SetDescription(name)
            for number, ((row, col), block) in enumerate(values.blocks.items()):
                if progress is not None:
                    progress(number / len(values.blocks))
                filled = np.where(np.isfinite(block), block, NODATA).astype(np.float32)
                band.WriteRaster(col, row, block.shape[1], block.shape[0], filled.tobytes())
            data.FlushCache()
        finally:
            # An error keeps what its frame holds: a file left open cannot be taken away everywhere. GDAL from 3.8 on
            # can close it, and what it cannot write then is an error here and not one that nobody catches.
            del band
            if hasattr(data, "Close"):
                data.Close()
            del data
        # A full disk shows only here: what the driver could not write is no error of the calls before.
        if gdal.GetLastErrorType() >= gdal.CE_Failure:
            raise OSError(gdal.GetLastErrorMsg())


def read_map(path: Path) -> tuple[np.ndarray, Lattice, str, str]:
    """Return (values with NaN for nodata, lattice, unit, band name) of a raster's first band.

    Raises
    ------
    EngineError
        When the file cannot be opened as a raster, or is not north-up with square cells.
    """
    values, (x_min, cell_m, row_turn, y_max, column_turn, height), _, unit, name = read_raster(path)
    if row_turn or column_turn or abs(cell_m + height) > 1e-6 * abs(cell_m):
        raise EngineError(
            f"The raster {path.name} is turned or has cells of {abs(cell_m):g} by {abs(height):g} m. It must be "
            "north-up with square cells, as 'Interpolate readings to a raster' writes it."
        )
    return values, Lattice(x_min, y_max, cell_m, *values.shape), unit, name


def band_of(path: Path) -> tuple[str, str]:
    """Return name and unit of a raster's first band; empty where it has none.

    Raises
    ------
    EngineError
        When the file cannot be opened as a raster.
    """
    # A band does not outlive its dataset.
    data = _opened(path)
    band = data.GetRasterBand(1)
    return band.GetDescription() or "", band.GetUnitType() or ""


def _opened(path: Path) -> gdal.Dataset:
    try:
        data = gdal.Open(str(path))
    except RuntimeError:  # raised in place of None where a program has switched GDAL's exceptions on
        data = None
    if data is None:
        raise EngineError(f"The raster {path} cannot be opened. Check that it is there and is a raster.")
    return data


def read_raster(path: Path) -> tuple[np.ndarray, tuple, str, str, str]:
    """Return (values with NaN for nodata, geotransform, CRS as WKT, unit, band name) of a raster's first band.

    Raises
    ------
    EngineError
        When the file cannot be opened as a raster.
    """
    data = _opened(path)
    band = data.GetRasterBand(1)
    raw = band.ReadRaster(buf_type=gdal.GDT_Float64)
    values = np.frombuffer(raw, dtype=np.float64).reshape(data.RasterYSize, data.RasterXSize).copy()
    if band.GetNoDataValue() is not None:
        values[values == band.GetNoDataValue()] = np.nan
    return values, data.GetGeoTransform(), data.GetProjection(), band.GetUnitType() or "", band.GetDescription() or ""
