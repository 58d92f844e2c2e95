"""A map tool: the corners of a grid are clicked one after the other."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsGeometry, QgsPointXY, QgsWkbTypes
from qgis.gui import QgsMapCanvas, QgsMapMouseEvent, QgsRubberBand
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QColor, QKeyEvent

from ...processing_provider.engine.geometry import CORNERS
from ..texts import tr
from .snapping import PointTool

EDGE, INSIDE = QColor("#ff7a1a"), QColor(255, 122, 26, 40)
FEWEST = 2


class CornersTool(PointTool):
    """Takes two to four corners in the order start, baseline, opposite, head.

    Signals
    -------
    ready(list)
        The corners of a grid, QgsPointXY in the CRS of the map.
    hint(str)
        What to click next, and how long the side under the pointer is.
    """

    ready = pyqtSignal(list)
    hint = pyqtSignal(str)

    def __init__(self, canvas: QgsMapCanvas) -> None:
        super().__init__(canvas)
        self.points: list[QgsPointXY] = []
        self._band = QgsRubberBand(canvas, QgsWkbTypes.GeometryType.PolygonGeometry)
        self._band.setStrokeColor(EDGE)
        self._band.setFillColor(INSIDE)
        self._band.setWidth(2)
        self.clicked.connect(self.add)
        canvas.destinationCrsChanged.connect(self.clear)

    def activate(self) -> None:
        super().activate()
        self._show_hint()

    def canvasMoveEvent(self, event: QgsMapMouseEvent) -> None:  # noqa: N802 (names fixed by QGIS)
        point = self.snapped(event)
        self._draw([*self.points, point])
        self._show_hint(point)

    def canvasReleaseEvent(self, event: QgsMapMouseEvent) -> None:  # noqa: N802
        if event.button() == Qt.MouseButton.RightButton:
            self.finish()
        else:
            super().canvasReleaseEvent(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        key = event.key()
        if key in (Qt.Key.Key_Backspace, Qt.Key.Key_Escape):
            if self.points:
                self.take_back()
            elif key == Qt.Key.Key_Escape:
                self.canvas().unsetMapTool(self)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.finish()
        else:
            return
        # The key is used up: QGIS must not delete or pan with it as well.
        event.accept()

    def add(self, point: QgsPointXY) -> None:
        """Take the next corner; a second click on the corner before is one corner."""
        if self.points and self.points[-1].distance(point) < self.canvas().mapUnitsPerPixel():
            return
        self.points.append(QgsPointXY(point))
        self._draw(self.points)
        self._show_hint()
        if len(self.points) == len(CORNERS):
            self.finish()

    def take_back(self) -> None:
        """Take the last corner back."""
        self.points.pop()
        self._draw(self.points)
        self._show_hint()

    def finish(self) -> None:
        """Hand over the corners once there are enough of them."""
        if len(self.points) < FEWEST:
            return
        points = list(self.points)
        self.ready.emit(points)
        self.clear()

    def clear(self) -> None:
        """Forget the corners of the grid that was not finished."""
        self.points = []
        self._draw([])
        if self.isActive():
            self._show_hint()

    def deactivate(self) -> None:
        super().deactivate()
        self.clear()
        self.hint.emit("")

    def leave(self) -> None:
        """Take the band off the map."""
        self.canvas().scene().removeItem(self._band)

    def _draw(self, points: list[QgsPointXY]) -> None:
        kind = QgsWkbTypes.GeometryType
        if len(points) < 3:
            self._band.reset(kind.LineGeometry)
            for point in points:
                self._band.addPoint(point)
            return
        self._band.reset(kind.PolygonGeometry)
        self._band.setToGeometry(QgsGeometry.fromPolygonXY([[*points, points[0]]]), None)

    def _show_hint(self, pointer: Optional[QgsPointXY] = None) -> None:
        number = len(self.points)
        if number == len(CORNERS):
            return
        texts = [tr("Click the corner {corner} of the grid.").format(corner=CORNERS[number])]
        if number and pointer is not None:
            length = self.points[-1].distance(pointer)
            texts.append(tr("{length:.2f} m from {corner}.").format(length=length, corner=CORNERS[number - 1]))
        if number:
            texts.append(tr("Backspace takes the last one back."))
        if number >= FEWEST:
            texts.append(tr("Right click when these are all."))
        self.hint.emit(" ".join(texts))
