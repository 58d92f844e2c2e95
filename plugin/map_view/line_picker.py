"""The mouse on the map: the line under it is shown, and a click chooses it."""

from __future__ import annotations

from typing import Callable, Optional

from qgis.core import QgsPointXY
from qgis.gui import QgsMapCanvas, QgsMapTool, QgsMapToolIdentify, QgsMapToolPan
from qgis.PyQt.QtCore import QEvent, QObject, QPointF, Qt, QTimer, pyqtSignal
from qgis.PyQt.QtGui import QMouseEvent

from ..profile import mouse_place

STILL_PX = 4
"""How far the mouse may move between press and release of a click."""
REST_MS = 40


class LinePicker(QgsMapTool):
    """A map tool for looking at lines and nothing else; ``MapPointer`` does the work."""

    def __init__(self, canvas: QgsMapCanvas) -> None:
        super().__init__(canvas)
        self.setCursor(Qt.CursorShape.CrossCursor)


class MapPointer(QObject):
    """Reports where the mouse is on the map, and where it clicks, while nothing else is done there.

    Signals
    -------
    hovered(QgsPointXY or None)
        Where the pointer rests; None when it left the map.
    clicked(QgsPointXY)
    """

    hovered = pyqtSignal(object)
    clicked = pyqtSignal(QgsPointXY)

    def __init__(self, canvas: QgsMapCanvas, wanted: Callable[[], bool]) -> None:
        super().__init__(canvas)
        self.canvas, self._wanted = canvas, wanted
        self._pressed: Optional[QPointF] = None
        self._here: Optional[QgsPointXY] = None
        # Lines are looked for when the mouse slows down, not at each of its steps.
        self._rest = QTimer(self)
        self._rest.setSingleShot(True)
        self._rest.setInterval(REST_MS)
        self._rest.timeout.connect(lambda: self.hovered.emit(self._here))
        canvas.viewport().installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 (name fixed by Qt)
        """Listen; every event goes on to the map tool."""
        kind = event.type()
        if kind not in (QEvent.Type.MouseMove, QEvent.Type.MouseButtonPress, QEvent.Type.MouseButtonRelease,
                        QEvent.Type.Leave):  # fmt: skip
            return False
        # Tools that draw, edit or measure have the mouse to themselves.
        if not self._wanted() or not isinstance(self.canvas.mapTool(), (LinePicker, QgsMapToolPan, QgsMapToolIdentify)):
            self._hover(None)
        elif kind == QEvent.Type.Leave:
            self._hover(None)
        else:
            self._mouse(event)
        return False

    def _mouse(self, event: QMouseEvent) -> None:
        place = mouse_place(event)
        point = self.canvas.getCoordinateTransform().toMapCoordinates(place.toPoint())
        if event.type() == QEvent.Type.MouseMove:
            if not event.buttons():
                self._hover(point)
        elif event.button() != Qt.MouseButton.LeftButton:
            self._pressed = None
        elif event.type() == QEvent.Type.MouseButtonPress:
            self._pressed = place
        else:
            pressed, self._pressed = self._pressed, None
            if pressed is not None and (place - pressed).manhattanLength() <= STILL_PX:
                self.clicked.emit(point)

    def _hover(self, point: Optional[QgsPointXY]) -> None:
        if point is not None or self._here is not None:
            self._here = point
            if not self._rest.isActive():
                self._rest.start()

    def leave(self) -> None:
        """Listen no more."""
        self.canvas.viewport().removeEventFilter(self)
        self._rest.stop()
        self.deleteLater()
