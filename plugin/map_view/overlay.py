"""What the workbench shows on the map: the line and the reading that are looked at, and a grid processed again."""

from __future__ import annotations

import math
import shutil
import tempfile
from pathlib import Path
from typing import Optional, Sequence

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsWkbTypes,
)
from qgis.gui import QgsMapCanvas, QgsRubberBand, QgsVertexMarker
from qgis.PyQt.QtGui import QColor

from ...processing_provider.bridge.raster import write_raster
from ...processing_provider.bridge.style import style_raster
from ...processing_provider.engine.geometry import BlockRaster
from ..texts import tr

LINE_COLOUR, POINT_COLOUR = QColor("#ff7a1a"), QColor("#e5178f")
PREVIEW = "turnrow/preview"
HOVER_COLOUR = QColor(255, 122, 26, 110)
GRAB_PX = 12


def insert_over_maps(layer: QgsRasterLayer) -> None:
    """Put a layer right over the topmost raster of the project, so that lines and points stay above it."""
    root = QgsProject.instance().layerTreeRoot()
    nodes = (root.findLayer(other) for other in root.layerOrder() if isinstance(other, QgsRasterLayer))
    below = next(nodes, None)
    parent = below.parent() if below is not None else root
    parent.insertLayer(parent.children().index(below) if below is not None else 0, layer)


class MapLink:
    """Draws on the map canvas in the survey's CRS, and takes everything away again."""

    def __init__(self, canvas: QgsMapCanvas) -> None:
        self.canvas = canvas
        self.crs = QgsCoordinateReferenceSystem()
        self._bands: list[QgsRubberBand] = []
        self._hover: Optional[QgsRubberBand] = None
        self._marker: Optional[QgsVertexMarker] = None
        self._layers: dict[str, str] = {}
        self._folder: Optional[Path] = None
        self._files = 0

    def to_map(self, reverse: bool = False) -> QgsCoordinateTransform:
        """Return the way from the survey's CRS to the map's, or back."""
        ends = self.crs, self.canvas.mapSettings().destinationCrs()
        return QgsCoordinateTransform(*(reversed(ends) if reverse else ends), QgsProject.instance())

    def to_survey(self, point: QgsPointXY) -> Optional[tuple[float, float]]:
        """Return where a place on the map is in the survey's CRS; None where it has no place in it."""
        try:
            moved = self.to_map(reverse=True).transform(point)
        except QgsCsException:
            return None
        return moved.x(), moved.y()

    def reach_m(self) -> float:
        """Return how far from a click a line may be, in the survey's metres."""
        centre = self.canvas.center()
        beside = QgsPointXY(centre.x() + GRAB_PX * self.canvas.mapUnitsPerPixel(), centre.y())
        here, there = self.to_survey(centre), self.to_survey(beside)
        return math.dist(here, there) if here is not None and there is not None else 0.0

    def show_lines(self, lines: Sequence[np.ndarray]) -> None:
        """Mark traverses, each an (n, 2) array of places in walking order; the first one is drawn strongest."""
        self._drop_bands()
        for number, places in enumerate(lines):
            band = self._band(places, LINE_COLOUR, 1 if number else 3)
            if band is not None:
                self._bands.append(band)

    def show_hover(self, places: Optional[np.ndarray]) -> None:
        """Mark the traverse under the pointer lightly; None takes the mark away."""
        if self._hover is not None:
            self.canvas.scene().removeItem(self._hover)
        self._hover = None if places is None else self._band(places, HOVER_COLOUR, 4)

    def _band(self, places: np.ndarray, colour: QColor, width: int) -> Optional[QgsRubberBand]:
        known = places[np.isfinite(places).all(axis=1)]
        if len(known) < 2:
            return None
        geometry = QgsGeometry.fromPolylineXY([QgsPointXY(x, y) for x, y in known.tolist()])
        geometry.transform(self.to_map())
        band = QgsRubberBand(self.canvas, QgsWkbTypes.GeometryType.LineGeometry)
        band.setColor(colour)
        band.setWidth(width)
        band.setToGeometry(geometry, None)
        return band

    def show_point(self, place: Optional[Sequence[float]]) -> None:
        """Mark the place of a reading; None, or a place that is not known, marks nothing."""
        if place is None or not np.isfinite(place).all():
            if self._marker is not None:
                self._marker.hide()
            return
        if self._marker is None:
            self._marker = QgsVertexMarker(self.canvas)
            self._marker.setIconType(QgsVertexMarker.IconType.ICON_CIRCLE)
            self._marker.setIconSize(12)
            self._marker.setPenWidth(3)
            self._marker.setColor(POINT_COLOUR)
        self._marker.setCenter(self.to_map().transform(QgsPointXY(*map(float, place))))
        self._marker.show()

    def show_extent(self, extent: Sequence[float]) -> None:
        """Zoom to x_min, y_min, x_max, y_max of the survey's CRS."""
        box = self.to_map().transformBoundingBox(QgsRectangle(*extent))
        box.scale(1.2)
        self.canvas.setExtent(box)
        self.canvas.refresh()

    def show_raster(
        self, grid: str, raster: BlockRaster, channel: str, unit: str, look: tuple[tuple[float, float], str]
    ) -> None:
        """Show a grid that was processed again as a layer on top; a second time the same layer is filled anew.

        Parameters
        ----------
        grid : str
        raster : BlockRaster
        channel, unit : str
            Of its values.
        look : ((low, high), ramp)
            Of the whole survey, so that colours can be compared.
        """
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="turnrow-"))
        # A new name each time: a file that is shown cannot be written again on every system.
        self._files += 1
        path = self._folder / f"{self._files}.tif"
        write_raster(path, raster, self.crs.toWkt(), unit=unit, name=channel)
        name = tr("{grid} with changes, {channel} (preview)").format(grid=grid, channel=channel)
        layer = QgsProject.instance().mapLayer(self._layers.get(grid, ""))
        if layer is None:
            layer = QgsRasterLayer(str(path), name)
            layer.setCustomProperty(PREVIEW, grid)
            QgsProject.instance().addMapLayer(layer, False)
            insert_over_maps(layer)
            self._layers[grid] = layer.id()
        else:
            layer.setDataSource(str(path), name, "gdal")
        limits, ramp = look
        style_raster(layer, *limits, unit, ramp)
        layer.triggerRepaint()

    def drop_raster(self, grid: str) -> None:
        """Take the layer of a grid away."""
        layer = self._layers.pop(grid, "")
        if QgsProject.instance().mapLayer(layer) is not None:
            QgsProject.instance().removeMapLayer(layer)

    def _drop_bands(self) -> None:
        for band in self._bands:
            self.canvas.scene().removeItem(band)
        self._bands = []

    def clear(self) -> None:
        """Take everything off the map."""
        self._drop_bands()
        self.show_hover(None)
        if self._marker is not None:
            self.canvas.scene().removeItem(self._marker)
            self._marker = None
        for grid in list(self._layers):
            self.drop_raster(grid)
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None
