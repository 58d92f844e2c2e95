"""Whether a survey can lie where its corners put it: axes, area and scale of the CRS, other layers of the project."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Iterable, Optional

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsCsException,
    QgsDistanceArea,
    QgsPointXY,
    QgsProject,
    QgsRectangle,
)
from qgis.PyQt.QtCore import QCoreApplication, QThread

from ...engine.core import Code, EngineError, Finding, text_of
from ...engine.geometry import EXCHANGE, EXPECTED_AXES, coordinate_columns, corner_position
from .crs import LONGITUDE_LATITUDE, Corners, transformed, utm_zone

EDGE_DEG = 0.05
"""So far outside the area of a CRS that the other grids lie within, a grid is named. Derived: 5 km, as ``FAR_M`` of
corners; a site across the edge of an area is one site."""
BEYOND_DEG = 3.0
"""A site so far outside the area of its CRS is not one just past the edge of a zone. Derived: half the width of a UTM
zone, the widest of the common zones, so that the site would belong past the middle of the next zone."""
SCALE_ERROR = 1e-3
"""Error of the scale of a projection that is reported: 0.1 m in 100 m, what pegs set by tape agree to. Common practice,
no source; UTM keeps within it in its zone but for its outer edge near the equator."""
BASE_M = 100.0
"""Length by which the scale is measured, about that of a grid. Derived: rounding of 1e-9 m in 5e6 m is 1e-11 of it, and
over so short a line the scale of a projection is constant to (100 m / 6.4e6 m)^2."""
LAYERS_M = 5e3
"""Distance to all other layers that is reported: what is drawn for a site lies within a walk of it. Common practice,
no source."""
BROAD_M = 100e3
"""Layers larger than this say nothing about where a site is, such as a base map. Common practice, no source."""


@dataclass(frozen=True)
class LayerExtent:
    """Name and extent of a layer; the extent in degrees of longitude and latitude."""

    name: str
    extent: QgsRectangle


def extents_in_project(project: Optional[QgsProject], without: Iterable[str] = ()) -> tuple[LayerExtent, ...]:
    """Return the extents of a project's layers; none outside the main thread, to which layers belong.

    Parameters
    ----------
    project : QgsProject or None
    without : iterable of str
        Sources of layers to pass over, such as the corners themselves.
    """
    if project is None or QThread.currentThread() != QCoreApplication.instance().thread():
        return ()
    passed, world = set(without), QgsCoordinateReferenceSystem(LONGITUDE_LATITUDE)
    extents = []
    for layer in project.mapLayers().values():
        if not layer.isValid() or not layer.crs().isValid() or layer.source() in passed or layer.extent().isNull():
            continue
        try:
            way = QgsCoordinateTransform(layer.crs(), world, project.transformContext())
            extent = way.transformBoundingBox(layer.extent())
        except QgsCsException:
            continue
        low, high = (QgsPointXY(*corner) for corner in _corners_of(extent))
        if extent.isFinite() and _geodesic(world, project.transformContext()).measureLine(low, high) <= BROAD_M:
            extents.append(LayerExtent(layer.name(), extent))
    return tuple(extents)


def site_findings(
    corners: Corners,
    target: QgsCoordinateReferenceSystem,
    transform_context: QgsCoordinateTransformContext,
    layers: Iterable[LayerExtent] = (),
) -> list[Finding]:
    """Return what is wrong with where the corners lie.

    Parameters
    ----------
    corners : (rows, CRS or None, path)
        As a table parameter gives them; a table without a CRS counts as in ``target``.
    target : QgsCoordinateReferenceSystem
        Of the survey.
    transform_context : QgsCoordinateTransformContext
    layers : iterable of LayerExtent
        Of the project, for comparison.

    Returns
    -------
    list of Finding
        ``axes-exchanged`` (error; without a grid when it holds for all), ``crs-area``, ``crs-scale``, ``site-far``
        (warnings; the first of them that explains the others; ``crs-area`` with a grid when only it lies outside). Rows
        that cannot be read are passed over.
    """
    rows, given, _ = corners
    crs = given if given is not None and given.isValid() else target
    site = _Site(crs, target, transform_context, tuple(layers))
    places = _centres(rows)
    turned = {grid for grid, place in places.items() if site.exchanged(place)}
    findings = _of_exchanged(turned, len(places), coordinate_columns(rows[0]) if rows else None)
    others = {grid: place for grid, place in places.items() if grid not in turned}
    outside = {grid for grid, place in others.items() if site.outside_deg(place) > EDGE_DEG}
    if not others:
        return findings
    if len(outside) < len(others):
        findings += [site.outside(others.pop(grid), grid) for grid in sorted(outside)]
    right = np.array(list(others.values()))
    # One of the grids, and not between grids that lie far from each other.
    middle = right[np.argmin(np.hypot(*(right - np.median(right, axis=0)).T))]
    return [*findings, *site.findings(middle)]


def _centres(rows: list[dict]) -> dict[str, np.ndarray]:
    """Return the mean of the corners of each grid."""
    by_grid = defaultdict(list)
    for row in rows:
        try:
            position = corner_position(row, "")
        except EngineError:  # reported where corners are read
            continue
        by_grid[text_of(row, "grid")].append(position)
    return {grid: np.mean(places, axis=0) for grid, places in by_grid.items()}


def _of_exchanged(turned: set[str], grids: int, columns: Optional[tuple[str, str]]) -> list[Finding]:
    read = f" Read: easting from {columns[0]}, northing from {columns[1]}." if columns else ""
    names = ([""] if len(turned) == grids else sorted(turned)) if turned else []
    return [
        Code.AXES_EXCHANGED.finding(
            f"As given they lie outside the area of the CRS or far from other layers, and exchanged within.{read}",
            EXPECTED_AXES, f"Ask the books for easting and northing of {'grid ' + name if name else 'the corners'}. "
            f"{EXCHANGE}",
            grid=name)
        for name in names
    ]  # fmt: skip


@dataclass(frozen=True)
class _Site:
    """Where positions of corners in ``crs`` lie on the Earth, in a survey that is mapped in ``target``."""

    crs: QgsCoordinateReferenceSystem
    target: QgsCoordinateReferenceSystem
    context: QgsCoordinateTransformContext
    layers: tuple[LayerExtent, ...]

    @property
    def name(self) -> str:
        """Name of the survey's CRS."""
        return self.target.authid() or "the CRS of the survey"

    def on_earth(self, place: np.ndarray) -> Optional[tuple[float, float]]:
        """Return longitude and latitude in degrees; None where the CRS has none."""
        return transformed(place, self.crs, QgsCoordinateReferenceSystem(LONGITUDE_LATITUDE), self.context)

    def outside_deg(self, place: np.ndarray) -> float:
        """Return by how many degrees a position lies outside the area of the CRSs; infinite where nowhere."""
        lon_lat = self.on_earth(place)
        return math.inf if lon_lat is None else max(_outside_deg(crs, *lon_lat) for crs in (self.crs, self.target))

    def exchanged(self, place: np.ndarray) -> bool:
        """Return whether a position is surely one with easting and northing exchanged."""
        outside, outside_turned = self.outside_deg(place), self.outside_deg(place[::-1])
        if outside_turned > 0:
            return False
        if outside > BEYOND_DEG:
            return True
        here, turned = self.nearest_layer(place), self.nearest_layer(place[::-1])
        return bool(here and turned and here[0] > LAYERS_M >= turned[0])

    def nearest_layer(self, place: np.ndarray) -> Optional[tuple[float, str]]:
        """Return distance in metres and name of the nearest layer; None without layers."""
        lon_lat = self.on_earth(place)
        if lon_lat is None or not self.layers:
            return None
        measure = _geodesic(QgsCoordinateReferenceSystem(LONGITUDE_LATITUDE), self.context)
        here, distances = QgsPointXY(*lon_lat), []
        for layer in self.layers:
            (west, south), (east, north) = _corners_of(layer.extent)
            near = QgsPointXY(min(max(here.x(), west), east), min(max(here.y(), south), north))
            distances.append((measure.measureLine(here, near), layer.name))
        return min((each for each in distances if math.isfinite(each[0])), default=None)

    def findings(self, place: np.ndarray) -> list[Finding]:
        """Return what is wrong with a site at a position; what follows from the first is not said again."""
        lon_lat, name = self.on_earth(place), self.name
        if lon_lat is None or _outside_deg(self.target, *lon_lat) > 0:
            return [self.outside(place)]
        zone = utm_zone([place.tolist()], self.crs)
        far, scales = self.nearest_layer(place), self.scales(place)
        findings = []
        if scales is not None and max(abs(scale - 1) for scale in scales) > SCALE_ERROR:
            findings.append(Code.CRS_SCALE.finding(
                f"At {_degrees(*lon_lat)} a metre on the ground is {scales[0]:.4f} m (east) and {scales[1]:.4f} m "
                f"(north) in {name}.", f"1 m, within {SCALE_ERROR * 1000:.0f} mm",
                f"Ask the books for the CRS of the survey. Place it in {zone}."))  # fmt: skip
        if far is not None and far[0] > LAYERS_M:
            findings.append(Code.SITE_FAR.finding(
                f"The site lies {far[0] / 1000:,.0f} km from the nearest other layer of the project ({far[1]}).",
                f"at most {LAYERS_M / 1000:.0f} km",
                "Ask the books for the coordinates and the CRS of the corners."))  # fmt: skip
        return findings

    def outside(self, place: np.ndarray, grid: str = "") -> Finding:
        """Return the finding about a position outside the area of the CRS; of the site where no grid is named."""
        lon_lat, (low, high) = self.on_earth(place), _corners_of(self.target.bounds())
        where = _degrees(*lon_lat) if lon_lat else "nowhere on the Earth"
        return Code.CRS_AREA.finding(
            f"{'It' if grid else 'The site'} lies at {where}, outside the area of {self.name}.",
            f"{_degrees(*low)} to {_degrees(*high)}",
            "Ask the books for the CRS of the coordinates. If they are right, use "
            f"{utm_zone([place.tolist()], self.crs)}.", grid=grid)  # fmt: skip

    def scales(self, place: np.ndarray) -> Optional[tuple[float, float]]:
        """Return metres in ``target`` by metre on the ellipsoid, along its x and its y; None where unknown."""
        middle = transformed(place, self.crs, self.target, self.context)
        if middle is None:
            return None
        measure, half = _geodesic(self.target, self.context), BASE_M / 2
        ends = [(QgsPointXY(middle[0] - dx, middle[1] - dy), QgsPointXY(middle[0] + dx, middle[1] + dy))
                for dx, dy in ((half, 0.0), (0.0, half))]  # fmt: skip
        try:
            east, north = (BASE_M / measure.measureLine(*pair) for pair in ends)
        except (QgsCsException, ZeroDivisionError):
            return None
        return (east, north) if np.isfinite([east, north]).all() else None


def _geodesic(crs: QgsCoordinateReferenceSystem, context: QgsCoordinateTransformContext) -> QgsDistanceArea:
    measure = QgsDistanceArea()
    measure.setSourceCrs(crs, context)
    measure.setEllipsoid(crs.ellipsoidAcronym())
    return measure


def _outside_deg(crs: QgsCoordinateReferenceSystem, longitude: float, latitude: float) -> float:
    """Return by how many degrees a position lies outside the area of use of a CRS; 0 inside or where it has none."""
    bounds = crs.bounds()
    if bounds.isNull():
        return 0.0
    (west, south), (east, north) = _corners_of(bounds)
    # An area across the 180th meridian has its west side at the larger longitude.
    past = max(west - longitude, longitude - east) if west <= east else min(west - longitude, longitude - east)
    return max(0.0, past, south - latitude, latitude - north)


def _corners_of(extent: QgsRectangle) -> tuple[tuple[float, float], tuple[float, float]]:
    return (extent.xMinimum(), extent.yMinimum()), (extent.xMaximum(), extent.yMaximum())


def _degrees(longitude: float, latitude: float) -> str:
    east, north = "W" if longitude < 0 else "E", "S" if latitude < 0 else "N"
    return f"{abs(longitude):.2f}° {east} {abs(latitude):.2f}° {north}"
