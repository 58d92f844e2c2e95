"""Coordinate reference systems: where the corners of a survey are, and what a survey can be placed in."""

from __future__ import annotations

from pathlib import Path
from typing import Mapping, Optional, Sequence, Union

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsCsException,
    QgsProcessingContext,
    QgsUnitTypes,
)

from ...engine.core import FIRST_ROW, EngineError
from ...engine.geometry import coordinate_columns, corner_position

LONGITUDE_LATITUDE = "EPSG:4326"
Corners = tuple[list[dict], Optional[QgsCoordinateReferenceSystem], Optional[Path]]
"""Rows of a table, its CRS where it has one, and its file."""


def survey_corners(
    corners: Corners, wanted: QgsCoordinateReferenceSystem, context: QgsProcessingContext
) -> tuple[list[dict], QgsCoordinateReferenceSystem]:
    """Return corner rows with their coordinates in the survey's CRS, and that CRS.

    Parameters
    ----------
    corners : (rows, CRS or None, path)
        As a table parameter gives them; a table without a CRS counts as in the survey's already.
    wanted : QgsCoordinateReferenceSystem
        Of the survey; invalid = that of the corners.
    context : QgsProcessingContext

    Raises
    ------
    EngineError
        When the survey's CRS is unknown or not in projected metres, or no corner has a place in it. A row that cannot
        be read stays as it is, and one without a place loses its coordinates; both are reported where corners are read.
    """
    rows, crs, _ = corners
    crs = crs if crs is not None and crs.isValid() else None
    target = wanted if wanted.isValid() else crs
    if rows and coordinate_columns(rows[0]) is None:
        corner_position(rows[0], f"corners, row {FIRST_ROW}")
    places = [_position(row) for row in rows]
    target = check_metric_crs(target, "the survey", [place for place in places if place is not None], crs)
    if crs is None or crs == target:
        return [dict(row) for row in rows], target
    points = [place and transformed(place, crs, target, context.transformContext()) for place in places]
    if any(places) and not any(points):
        raise EngineError(
            f"The corners have no place in {target.authid()}, the CRS of the survey. Check their coordinates (easting "
            "and northing may be exchanged) and their CRS."
        )
    nowhere = f"no place in {target.authid()}"
    moved = [place and (point or (nowhere, nowhere)) for place, point in zip(places, points)]
    return [{**row, **(dict(zip("xy", at)) if at else {})} for row, at in zip(rows, moved)], target


def _position(row: Mapping[str, object]) -> Optional[tuple[float, float]]:
    """Return easting and northing of a row; None where it has none, which is reported where corners are read."""
    try:
        return corner_position(row, "")
    except EngineError:
        return None


def check_metric_crs(
    crs: Optional[QgsCoordinateReferenceSystem],
    what: str,
    points: Union[Sequence[Sequence[float]], np.ndarray] = (),
    points_crs: Optional[QgsCoordinateReferenceSystem] = None,
) -> QgsCoordinateReferenceSystem:
    """Return a CRS that counts in projected metres; raise EngineError for any other.

    Parameters
    ----------
    crs : QgsCoordinateReferenceSystem or None
    what : str
        What is in it, for the message.
    points : sequence of (x, y)
        Where the survey is, to offer the UTM zone of the place.
    points_crs : QgsCoordinateReferenceSystem, optional
        Of ``points``; None = ``crs``.
    """
    if crs is None or not crs.isValid():
        raise EngineError(f"The CRS of {what} is not known. Give the projected CRS in metres that the corners are in.")
    if crs.isGeographic() or crs.mapUnits() != QgsUnitTypes.DistanceUnit.DistanceMeters:
        unit = "degrees" if crs.isGeographic() else QgsUnitTypes.toString(crs.mapUnits())
        raise EngineError(
            f"{crs.authid() or 'The CRS'} of {what} counts in {unit}. A survey needs a projected CRS in metres, such "
            f"as {utm_zone(points, points_crs or crs)}."
        )
    return crs


def utm_zone(points: Union[Sequence[Sequence[float]], np.ndarray], crs: QgsCoordinateReferenceSystem) -> str:
    """Return the UTM zone of the middle of some points in words, with its EPSG number where the place is known."""
    middle = np.mean(points, axis=0).tolist() if len(points) else None
    world = QgsCoordinateReferenceSystem(LONGITUDE_LATITUDE)
    place = middle and transformed(middle, crs, world, QgsCoordinateTransformContext())
    if not place or abs(place[0]) > 180 or abs(place[1]) > 84:
        return "the UTM zone of the site"
    zone = min(int((place[0] + 180) // 6) + 1, 60)
    north = place[1] >= 0
    return f"UTM zone {zone} {'north' if north else 'south'} (EPSG:{(32600 if north else 32700) + zone})"


def transformed(
    place: Union[Sequence[float], np.ndarray],
    source: QgsCoordinateReferenceSystem,
    target: QgsCoordinateReferenceSystem,
    transform_context: QgsCoordinateTransformContext,
) -> Optional[tuple[float, float]]:
    """Return a position in another CRS; None where it has none there."""
    try:
        point = QgsCoordinateTransform(source, target, transform_context).transform(*place)
    except QgsCsException:
        return None
    return (point.x(), point.y()) if np.isfinite([point.x(), point.y()]).all() else None
