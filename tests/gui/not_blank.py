"""Checks that pictures show something. Usage: not_blank.py PICTURE..."""

import sys

import numpy as np
from osgeo import gdal

LEAST_COLOURS = 20
LEAST_SPREAD = 5.0
"""Standard deviation of the lightness (0 to 255); a blank window has none."""


gdal.UseExceptions()


def fault(path: str) -> str:
    """Return what is wrong with a picture; empty when nothing is."""
    try:
        picture = gdal.Open(path)
    except RuntimeError:
        return "cannot be opened"
    bands = picture.ReadAsArray()[:3].reshape(3, -1).astype(np.int64)
    colours = len(np.unique(bands[0] << 16 | bands[1] << 8 | bands[2]))
    spread = float(bands.mean(axis=0).std())
    if colours < LEAST_COLOURS or spread < LEAST_SPREAD:
        return f"is blank: {colours} colours, lightness spreads by {spread:.1f}"
    return ""


faults = [f"{path} {found}" for path in sys.argv[1:] if (found := fault(path))]
sys.exit("\n".join(faults) or 0)
