"""A scanned plan placed on the map: fitted to points, turned north-up, and written beside the image."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Sequence

import numpy as np
from qgis.analysis import QgsGcpTransformerInterface
from qgis.core import QgsPointXY

from ...processing_provider.bridge.raster import UnreadableImage, write_north_up
from ...processing_provider.engine.core import EngineError, whole_file
from ..texts import tr

TURN, SKEW = "turn and scale", "turn, scale and skew"
NEEDED = {TURN: 2, SKEW: 3}
FLAT = 1e-3
"""Points that lie off their common line by less than this share of its length do not hold a skew."""


@dataclass(frozen=True)
class Pair:
    """A point of the image, in pixels from its upper left corner, and the same point on the map, in metres."""

    column: float
    row: float
    x: float
    y: float


@dataclass(frozen=True)
class Placement:
    """How an image lies on the map.

    Attributes
    ----------
    geotransform : tuple of 6 float
        As GDAL counts: x and y of the upper left corner, and metres by column and by row.
    residuals_m : tuple of float
        Distance of each pair's fitted from its given place.
    """

    geotransform: tuple[float, ...]
    residuals_m: tuple[float, ...]

    @property
    def pixel_m(self) -> float:
        """Side in metres of a square as large as a pixel on the map."""
        _, a, b, _, c, d = self.geotransform
        return float(np.sqrt(abs(a * d - b * c)))


def fit_plan(pairs: Sequence[Pair], method: str = TURN) -> Placement:
    """Fit an image to points by QGIS's own least squares.

    Parameters
    ----------
    pairs : sequence of Pair
    method : {'turn and scale', 'turn, scale and skew'}
        A Helmert transformation from two points on; a polynomial of the first order from three on.

    Raises
    ------
    EngineError
        When there are too few points, points coincide or lie on one line, or the image would come out mirrored.
    """
    image = np.array([(p.column, -p.row) for p in pairs], float).reshape(-1, 2)
    on_map = np.array([(p.x, p.y) for p in pairs], float).reshape(-1, 2)
    _check(image, on_map, NEEDED[method])
    # Differences from the middle keep the digits of coordinates of 5e6 m.
    middle, centre = image.mean(axis=0), on_map.mean(axis=0)
    methods = QgsGcpTransformerInterface.TransformMethod
    fitted = QgsGcpTransformerInterface.createFromParameters(
        methods.Helmert if method == TURN else methods.PolynomialOrder1,
        [QgsPointXY(*p) for p in (image - middle).tolist()],
        [QgsPointXY(*p) for p in (on_map - centre).tolist()],
    )
    if fitted is None:
        raise EngineError(tr("These points do not hold the image. Choose points farther apart."))

    def place(column: float, row: float) -> np.ndarray:
        return np.array(fitted.transform(column - middle[0], -row - middle[1])[1:])

    start = place(0.0, 0.0)
    by_column, by_row = place(1.0, 0.0) - start, place(0.0, 1.0) - start
    if by_column[0] * by_row[1] - by_column[1] * by_row[0] >= 0:
        raise EngineError(
            tr("By these points the image would lie mirrored on the map. Two of them are exchanged: check the pairs.")
        )
    corner = centre + start
    residuals = [np.hypot(*(place(p.column, p.row) - (p.x, p.y) + centre)) for p in pairs]
    geotransform = (corner[0], by_column[0], by_row[0], corner[1], by_column[1], by_row[1])
    return Placement(tuple(map(float, geotransform)), tuple(map(float, residuals)))


def _check(image: np.ndarray, on_map: np.ndarray, needed: int) -> None:
    if len(image) < needed:
        raise EngineError(
            tr("{count} points are given; this needs {needed} or more. Click one more point on image and map.").format(
                count=len(image), needed=needed
            )
        )
    for points, where in ((image, tr("image")), (on_map, tr("map"))):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[0] <= 0 or (needed > 2 and spread[1] < FLAT * spread[0]):
            raise EngineError(
                tr("The points lie at one place or on one line of the {where}. Choose points spread over the plan.")
                .format(where=where)
            )  # fmt: skip


def free_path(image: Path) -> Path:
    """Return a name beside an image that no file has yet."""
    names = (f"{image.stem}_placed{number}.tif" for number in ("", *range(2, 1000)))
    paths = (image.with_name(name) for name in names)
    return next(path for path in paths if not path.exists())


def place_plan(image: Path, placement: Placement, crs_wkt: str) -> Path:
    """Write a north-up GeoTIFF of a placed image beside it, transparent around the image; return its path.

    Raises
    ------
    EngineError
        When the image cannot be read or the file cannot be written; nothing half-written is left.
    """
    path = free_path(image)
    with whole_file(path, tr("plan image")) as part:
        try:
            write_north_up(image, part, placement.geotransform, placement.pixel_m, crs_wkt)
        except UnreadableImage:
            sentence = tr("The image {name} cannot be read. Give a PNG, JPEG or TIFF file.")
            raise EngineError(sentence.format(name=image.name)) from None
    return path
