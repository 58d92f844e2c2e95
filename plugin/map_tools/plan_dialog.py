"""Places a plan image: the same points are clicked on the image and on the map."""

from __future__ import annotations

from pathlib import Path
from typing import Callable, Optional

from qgis.core import QgsPointXY, QgsProject, QgsRasterLayer, QgsRectangle
from qgis.gui import QgisInterface, QgsFileWidget, QgsMapCanvas, QgsVertexMarker
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QColor, QHideEvent, QShowEvent
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QDialog,
    QHBoxLayout,
    QHeaderView,
    QPushButton,
    QSplitter,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ...processing_provider.bridge.vector import check_metric_crs
from ...processing_provider.engine.core import EngineError
from ...processing_provider.engine.geometry import WARN_M
from ..map_view import insert_over_maps
from ..texts import plain_label, tr
from .plan_image import SKEW, TURN, Pair, Placement, fit_plan, place_plan
from .snapping import PointTool

MARK = QColor("#e5178f")
IMAGES = "Images (*.png *.jpg *.jpeg *.tif *.tiff);;All files (*)"


class PlanDialog(QDialog):
    """The image, the pairs of points with their residuals, and the way to place it."""

    def __init__(self, iface: QgisInterface) -> None:
        super().__init__(iface.mainWindow())
        self.canvas = iface.mapCanvas()
        self.layer: Optional[QgsRasterLayer] = None
        self.pairs: list[Pair] = []
        self.waiting: list[tuple[float, float]] = []
        self._marks: list[tuple[QgsMapCanvas, QgsVertexMarker]] = []
        self.setWindowTitle(tr("Place a plan image"))
        self.resize(760, 480)
        self.image = QgsMapCanvas(self)
        self.image.setCanvasColor(Qt.GlobalColor.white)
        self.file, self.method, self.message = QgsFileWidget(), QComboBox(), plain_label()
        self.table = QTableWidget(0, 3)
        self._lay_out()
        self.image_tool, self.map_tool = PointTool(self.image), PointTool(self.canvas)
        self.image.setMapTool(self.image_tool)
        self.image_tool.clicked.connect(self.image_clicked)
        self.map_tool.clicked.connect(self.map_clicked)
        self.file.fileChanged.connect(self.open)
        self.method.activated.connect(self.refresh)
        self.canvas.destinationCrsChanged.connect(self.clear)
        self.refresh()

    def _lay_out(self) -> None:
        self.file.setFilter(IMAGES)
        self.file.setDialogTitle(tr("Plan image"))
        self.method.addItem(tr("Turn and scale (2 points or more)"), TURN)
        self.method.addItem(tr("Turn, scale and skew (3 points or more)"), SKEW)
        self.table.setHorizontalHeaderLabels([tr("On the image"), tr("On the map"), tr("Residual")])
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QTableWidget.SelectionBehavior.SelectRows)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
        self.message.setWordWrap(True)
        corners = tr("Click on the map where the four corners of the image lie.")
        self.corners = self._button(tr("Corners of the image"), corners, self.use_corners)
        self.drop = self._button(tr("Take point away"), tr("Take the chosen point away, or the last."), self.take_away)
        self.go = self._button(tr("Place"), tr("Write the placed image beside the image and show it."), self.place)
        for widget, label, help_text in (
            (self.file, tr("Plan image"), tr("A scan or photograph of a plan, without a place on the map.")),
            (self.method, tr("How it is fitted"), tr("Skew only where the scan itself is skewed.")),
            (self.table, tr("Points"), tr("Where the points are, and how far the fit leaves each from its place.")),
            (self.image, tr("Image"), tr("Click a point here, then the same point on the map.")),
            (self.message, tr("Message"), ""),
        ):
            widget.setAccessibleName(label)
            widget.setToolTip(help_text)
        halves = QSplitter(Qt.Orientation.Horizontal)
        halves.addWidget(self.image)
        halves.addWidget(self._side())
        halves.setSizes([420, 340])
        body = QVBoxLayout(self)
        body.addWidget(self.file)
        body.addWidget(halves, 1)
        body.addWidget(self.message)

    def _side(self) -> QWidget:
        side = QWidget()
        column = QVBoxLayout(side)
        column.setContentsMargins(0, 0, 0, 0)
        buttons = QHBoxLayout()
        for button in (self.corners, self.drop):
            buttons.addWidget(button)
        column.addWidget(self.method)
        column.addWidget(self.table, 1)
        column.addLayout(buttons)
        column.addWidget(self.go)
        return side

    def _button(self, label: str, help_text: str, do: Callable[[], None]) -> QPushButton:
        button = QPushButton(label)
        button.setAutoDefault(False)
        button.setToolTip(help_text)
        button.clicked.connect(lambda _: do())
        return button

    def open(self, path: str) -> None:
        """Show an image; the points of the one before are forgotten."""
        self.image.setLayers([])
        self.layer = None
        if path:
            options = QgsRasterLayer.LayerOptions()
            options.skipCrsValidation = True
            layer = QgsRasterLayer(path, Path(path).stem, "gdal", options)
            if layer.isValid():
                self.layer = layer
                self.image.setLayers([layer])
                box = QgsRectangle(layer.extent())
                box.scale(1.05)
                self.image.setExtent(box)
        self.clear()
        if path and self.layer is None:
            self.message.setText(tr("This file is no image that can be read. Give a PNG, JPEG or TIFF file."))

    def clear(self) -> None:
        """Forget all points."""
        self.pairs, self.waiting = [], []
        self.refresh()

    def image_clicked(self, point: QgsPointXY) -> None:
        """Take a point of the image; its place on the map is clicked next."""
        if self.layer is None:
            return
        box = self.layer.extent()
        column = (point.x() - box.xMinimum()) / box.width() * self.layer.width()
        row = (box.yMaximum() - point.y()) / box.height() * self.layer.height()
        self._wait([(column, row)])

    def use_corners(self) -> None:
        """Take the four corners of the image, from the upper left one clockwise."""
        if self.layer is None:
            return
        width, height = self.layer.width(), self.layer.height()
        self._wait([(0, 0), (width, 0), (width, height), (0, height)])

    def _wait(self, points: list[tuple[float, float]]) -> None:
        self.waiting = points
        self.canvas.setMapTool(self.map_tool)
        self.refresh()

    def map_clicked(self, point: QgsPointXY) -> None:
        """Take where the image point that waits is on the map."""
        if not self.waiting:
            return
        self.pairs.append(Pair(*self.waiting.pop(0), point.x(), point.y()))
        if not self.waiting:
            self.canvas.unsetMapTool(self.map_tool)
        self.refresh()

    def take_away(self) -> None:
        """Take away the chosen point, or the last one."""
        row = self.table.currentRow()
        self.pairs.pop(row if 0 <= row < len(self.pairs) else -1)
        self.refresh()

    def fitted(self) -> Optional[Placement]:
        """Return how the points place the image, None before there are enough, and show how well they agree."""
        if len(self.pairs) < 2:
            return None
        try:
            placement = fit_plan(self.pairs, self.method.currentData())
        except EngineError as error:
            self.message.setText(str(error))
            return None
        worst = max(range(len(self.pairs)), key=placement.residuals_m.__getitem__)
        if len(self.pairs) == 2 or (len(self.pairs) == 3 and self.method.currentData() == SKEW):
            text = tr("These points fit whatever they are: one more would check them.")
        elif placement.residuals_m[worst] > WARN_M:
            text = tr("Point {number} is {off:.2f} m off. Click it again, or take it away.").format(
                number=worst + 1, off=placement.residuals_m[worst]
            )
        else:
            text = tr("The points agree to {off:.3f} m.").format(off=placement.residuals_m[worst])
        pixel = tr("A pixel is {side:.4g} m.").format(side=placement.pixel_m)
        self.message.setText(f"{text} {pixel}")
        return placement

    def refresh(self) -> None:
        """Show the points as they are now."""
        self.message.setText(self._next_step())
        placement = self.fitted() if not self.waiting else None
        self.table.setRowCount(len(self.pairs))
        for row, pair in enumerate(self.pairs):
            residual = "" if placement is None else f"{placement.residuals_m[row]:.3f} m"
            cells = f"{pair.column:.1f}, {pair.row:.1f}", f"{pair.x:.2f}, {pair.y:.2f}", residual
            for column, text in enumerate(cells):
                self.table.setItem(row, column, QTableWidgetItem(text))
        self.corners.setEnabled(self.layer is not None)
        self.drop.setEnabled(bool(self.pairs))
        self.go.setEnabled(placement is not None)
        self._mark()

    def _next_step(self) -> str:
        if self.layer is None:
            return tr("Choose the image of a plan.")
        if not self.waiting:
            return tr("Click a point on the image, then the same point on the map.")
        if len(self.waiting) == 1:
            return tr("Click on the map where the marked point of the image is.")
        return tr("Click on the map where the marked corner is; {count} to go.").format(count=len(self.waiting))

    def _mark(self) -> None:
        """Mark the points on image and map; what waits for its place stands out."""
        self._unmark()
        crosses = [(self.image, self._on_image(p.column, p.row)) for p in self.pairs]
        crosses += [(self.canvas, QgsPointXY(p.x, p.y)) for p in self.pairs]
        for canvas, point in crosses:
            self._add_mark(canvas, point, QgsVertexMarker.IconType.ICON_CROSS)
        if self.waiting:
            self._add_mark(self.image, self._on_image(*self.waiting[0]), QgsVertexMarker.IconType.ICON_CIRCLE)

    def _add_mark(self, canvas: QgsMapCanvas, point: QgsPointXY, icon: QgsVertexMarker.IconType) -> None:
        mark = QgsVertexMarker(canvas)
        mark.setIconType(icon)
        mark.setIconSize(14)
        mark.setPenWidth(3)
        mark.setColor(MARK)
        mark.setCenter(point)
        self._marks.append((canvas, mark))

    def _unmark(self) -> None:
        for canvas, mark in self._marks:
            canvas.scene().removeItem(mark)
        self._marks = []

    def _on_image(self, column: float, row: float) -> QgsPointXY:
        """Return where a pixel of the image is on the canvas that shows it."""
        if self.layer is None:
            raise RuntimeError("no image is open")
        box = self.layer.extent()
        x = box.xMinimum() + column / self.layer.width() * box.width()
        return QgsPointXY(x, box.yMaximum() - row / self.layer.height() * box.height())

    def place(self) -> None:
        """Write the placed image and show it under lines and points, over the maps."""
        placement = self.fitted()
        if self.layer is None or placement is None:
            return
        crs = self.canvas.mapSettings().destinationCrs()
        try:
            check_metric_crs(crs, "the map", [(self.pairs[0].x, self.pairs[0].y)])
            path = place_plan(Path(self.layer.source()), placement, crs.toWkt())
        except EngineError as error:
            self.message.setText(str(error))
            return
        layer = QgsRasterLayer(str(path), path.stem)
        QgsProject.instance().addMapLayer(layer, False)
        insert_over_maps(layer)
        self.message.setText(
            tr("{name} was written beside the image; the points agree to {off:.3f} m.").format(
                name=path.name, off=max(placement.residuals_m)
            )
        )

    def hideEvent(self, event: QHideEvent) -> None:  # noqa: N802 (names fixed by Qt)
        self._unmark()
        self.canvas.unsetMapTool(self.map_tool)
        super().hideEvent(event)

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        super().showEvent(event)
        self.refresh()

    def leave(self) -> None:
        """Take everything off the map."""
        self._unmark()
        self.map_tool.leave()
        self.map_tool.deleteLater()
        self.image_tool.leave()
        # A picture that is still being drawn must not outlive its window.
        self.image.stopRendering()
        self.image.setLayers([])
        self.layer = None
