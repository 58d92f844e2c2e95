"""Points on the map that catch the pointer: pegs and other points of the layers that are shown."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsPointLocator, QgsPointXY, QgsProject, QgsVectorLayer, QgsWkbTypes
from qgis.gui import QgsMapCanvas, QgsMapMouseEvent, QgsMapTool, QgsSnapIndicator
from qgis.PyQt.QtCore import Qt, pyqtSignal

CATCH_PX = 12


class PointTool(QgsMapTool):
    """A map tool that gives points, caught by the points of the layers that are shown.

    Signals
    -------
    clicked(QgsPointXY)
        A left click, in the CRS of the map.
    """

    clicked = pyqtSignal(QgsPointXY)

    def __init__(self, canvas: QgsMapCanvas) -> None:
        super().__init__(canvas)
        self.setCursor(Qt.CursorShape.CrossCursor)
        self._locators: dict[str, QgsPointLocator] = {}
        self._indicator = QgsSnapIndicator(canvas)
        canvas.destinationCrsChanged.connect(self._locators.clear)

    def snapped(self, event: QgsMapMouseEvent) -> QgsPointXY:
        """Return where a mouse event is, or the point that catches it, and mark that point."""
        match = self._match(event.mapPoint())
        self._indicator.setMatch(match or QgsPointLocator.Match())
        return match.point() if match else event.mapPoint()

    def _match(self, point: QgsPointXY) -> Optional[QgsPointLocator.Match]:
        reach = CATCH_PX * self.canvas().mapUnitsPerPixel()
        found = [self._locator(layer).nearestVertex(point, reach) for layer in self._layers()]
        return min((m for m in found if m.isValid()), key=lambda m: m.distance(), default=None)

    def _layers(self) -> list[QgsVectorLayer]:
        point = QgsWkbTypes.GeometryType.PointGeometry
        layers = self.canvas().layers()
        return [la for la in layers if isinstance(la, QgsVectorLayer) and la.geometryType() == point]

    def _locator(self, layer: QgsVectorLayer) -> QgsPointLocator:
        """Return the index of a layer's points; it follows the layer's changes by itself."""
        if layer.id() not in self._locators:
            context = QgsProject.instance().transformContext()
            crs = self.canvas().mapSettings().destinationCrs()
            self._locators[layer.id()] = QgsPointLocator(layer, crs, context)
        return self._locators[layer.id()]

    def canvasMoveEvent(self, event: QgsMapMouseEvent) -> None:  # noqa: N802 (names fixed by QGIS)
        self.snapped(event)

    def canvasReleaseEvent(self, event: QgsMapMouseEvent) -> None:  # noqa: N802
        if event.button() == Qt.MouseButton.LeftButton:
            self.clicked.emit(self.snapped(event))

    def deactivate(self) -> None:
        if self._indicator is not None:
            self._indicator.setMatch(QgsPointLocator.Match())
        self._locators.clear()
        super().deactivate()

    def leave(self) -> None:
        """Leave the map for good; the mark on it must go before the map does."""
        self.canvas().unsetMapTool(self)
        self._indicator = None
