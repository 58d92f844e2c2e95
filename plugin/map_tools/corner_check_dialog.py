"""Shows how the corners of a grid agree with its size."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsProject, QgsVectorLayer
from qgis.PyQt.QtGui import QColor
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QDialog,
    QDoubleSpinBox,
    QFormLayout,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ...processing_provider.engine.core import EngineError
from ..profile import look_of
from ..texts import plain_label, tr
from .corner_check import DIAGONAL, RESIDUAL, SIDE, Length, measure
from .corner_layers import corner_layers, corners_of, grid_names, size_of


class MeasureDialog(QDialog):
    """A grid of a layer of corners, its size, and a table of what was measured."""

    def __init__(
        self, project: QgsProject, layer_id: str = "", grid: str = "", parent: Optional[QWidget] = None
    ) -> None:
        super().__init__(parent)
        self.project = project
        self.setWindowTitle(tr("Measure a grid"))
        self.setMinimumSize(480, 560)
        self.layers, self.grids = QComboBox(), QComboBox()
        self.length, self.width = (self._metres() for _ in range(2))
        self.table, self.message = QTableWidget(0, 4), plain_label()
        form = QFormLayout()
        for widget, label, help_text in (
            (self.layers, tr("Layer of corners"), tr("Where the corners are.")),
            (self.grids, tr("Grid"), tr("The grid that is measured.")),
            (self.length, tr("Length along the traverses"), tr("What the grid should measure; 0 when not known.")),
            (self.width, tr("Width along the baseline"), tr("What the grid should measure; 0 when not known.")),
        ):
            widget.setAccessibleName(label)
            widget.setToolTip(help_text)
            form.addRow(label, widget)
        self._dress()
        body = QVBoxLayout(self)
        body.addLayout(form)
        body.addWidget(self.table, 1)
        body.addWidget(self.message)
        for found in corner_layers(project):
            self.layers.addItem(found.name(), found.id())
        self.layers.setCurrentIndex(max(self.layers.findData(layer_id), 0))
        self._fill_grids()
        self.grids.setCurrentIndex(max(self.grids.findText(grid), 0))
        self._take_size()
        self.layers.activated.connect(self._layer_chosen)
        self.grids.activated.connect(self._take_size)
        for box in (self.length, self.width):
            box.valueChanged.connect(self.refresh)

    def _metres(self) -> QDoubleSpinBox:
        box = QDoubleSpinBox()
        box.setRange(0.0, 1000.0)
        box.setDecimals(2)
        box.setSuffix(" m")
        box.setSpecialValueText(tr("not known"))
        return box

    def _dress(self) -> None:
        self.table.setHorizontalHeaderLabels([tr("What"), tr("Measured"), tr("Should be"), tr("Off by")])
        self.table.setAccessibleName(tr("Sides, diagonals, residuals and angle"))
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.verticalHeader().hide()
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.message.setWordWrap(True)
        self.message.setAccessibleName(tr("Message"))

    def _layer(self) -> Optional[QgsVectorLayer]:
        return self.project.mapLayer(self.layers.currentData() or "")

    def _layer_chosen(self) -> None:
        self._fill_grids()
        self._take_size()

    def _fill_grids(self) -> None:
        self.grids.clear()
        layer = self._layer()
        self.grids.addItems(grid_names(layer) if layer is not None else [])

    def _take_size(self) -> None:
        """Take length and width from the project where a table has them; else those of the grid before stay."""
        size = size_of(self.project, self.grids.currentText())
        if size is not None:
            for box, value in zip((self.length, self.width), size):
                box.blockSignals(True)
                box.setValue(value)
                box.blockSignals(False)
        self.refresh()

    def refresh(self) -> None:
        """Measure the grid that is chosen."""
        self.table.setRowCount(0)
        layer, grid = self._layer(), self.grids.currentText()
        if layer is None or not grid:
            self.message.setText(tr("The project holds no corners yet. Mark the corners of a grid first."))
            return
        try:
            corners = corners_of(layer, grid)
        except EngineError as error:
            self.message.setText(str(error))
            return
        size = (self.length.value(), self.width.value())
        found = measure(corners, size if min(size) > 0 else None)
        for length in found.lengths:
            self._add_row(*_cells(length), bad=length.bad)
        if found.start_deg is not None:
            off = f"{_no_minus_zero(found.start_deg - 90, 2):+.2f}°"
            self._add_row(tr("Angle at the start corner"), f"{found.start_deg:.2f}°", "90.00°", off, bad=False)
        self.message.setText("\n".join(found.sentences))

    def _add_row(self, *cells: str, bad: bool) -> None:
        row = self.table.rowCount()
        self.table.insertRow(row)
        for column, text in enumerate(cells):
            item = QTableWidgetItem(text)
            if bad:
                item.setForeground(QColor(look_of(self.table.palette()).warning))
                font = item.font()
                # Red alone says nothing to those who do not see it.
                font.setBold(True)
                item.setFont(font)
            self.table.setItem(row, column, item)


def _cells(length: Length) -> tuple[str, ...]:
    names = {
        SIDE: tr("Side {corners}"), DIAGONAL: tr("Diagonal {corners}"), RESIDUAL: tr("Residual of {corners}"),
    }  # fmt: skip
    return (
        names[length.kind].format(corners=tr(" to ").join(length.corners)),
        f"{length.measured_m:.3f} m",
        "" if length.expected_m is None else f"{length.expected_m:.3f} m",
        "" if length.off_m is None else f"{_no_minus_zero(length.off_m, 3):+.3f} m",
    )


def _no_minus_zero(value: float, digits: int) -> float:
    return round(value, digits) + 0.0
