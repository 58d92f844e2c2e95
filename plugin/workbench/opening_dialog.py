"""Asks which register, corners and notes make up a survey."""

from __future__ import annotations

from pathlib import Path
from typing import Optional

from qgis.core import QgsCoordinateReferenceSystem
from qgis.gui import QgsFileWidget, QgsProjectionSelectionWidget
from qgis.PyQt.QtWidgets import QDialog, QDialogButtonBox, QFormLayout, QWidget

from ..texts import plain_label, tr
from .opening import Tables

TABLE_FILES = "Tables (*.csv *.gpkg *.geojson *.xlsx *.ods *.dbf);;All files (*)"


class OpeningDialog(QDialog):
    """Register, corners, notes, folder of the logs and CRS."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Open a survey from its register"))
        self.setMinimumWidth(520)
        form = QFormLayout(self)
        self.register = self._file(form, tr("Register"), tr("A row a grid: name, log, size, line spacing."))
        self.corners = self._file(form, tr("Corners"), tr("A row a corner of a grid, with its place."))
        self.notes = self._file(form, tr("Field notes"), tr("A row a remark about a line. May stay empty."))
        self.logs = self._file(
            form, tr("Folder of the logs"), tr("What paths in the register start from; its own folder when empty.")
        )
        self.logs.setStorageMode(QgsFileWidget.StorageMode.GetDirectory)
        self.crs = QgsProjectionSelectionWidget()
        self.crs.setOptionVisible(QgsProjectionSelectionWidget.CrsOption.CrsNotSet, True)
        self.crs.setNotSetText(tr("as the corners have it"))
        self.crs.setCrs(QgsCoordinateReferenceSystem())
        self._describe(self.crs, tr("CRS of the survey"), tr("In metres. As the corners have it when not set."))
        form.addRow(tr("CRS of the survey"), self.crs)
        self.problem = plain_label()
        self.problem.setWordWrap(True)
        form.addRow(self.problem)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Open | QDialogButtonBox.StandardButton.Cancel)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        form.addRow(self.buttons)
        for widget in (self.register, self.corners):
            widget.fileChanged.connect(self._check)
        self._check()

    def _file(self, form: QFormLayout, label: str, help_text: str) -> QgsFileWidget:
        widget = QgsFileWidget()
        widget.setFilter(TABLE_FILES)
        widget.setDialogTitle(label)
        self._describe(widget, label, help_text)
        form.addRow(label, widget)
        return widget

    @staticmethod
    def _describe(widget: QWidget, label: str, help_text: str) -> None:
        widget.setAccessibleName(label)
        widget.setToolTip(help_text)

    def _check(self) -> None:
        """Opening is possible once register and corners are files."""
        missing = [
            label
            for label, widget in ((tr("register"), self.register), (tr("corners"), self.corners))
            if not Path(widget.filePath()).is_file()
        ]
        self.buttons.button(QDialogButtonBox.StandardButton.Open).setEnabled(not missing)
        self.problem.setText(tr("Still to choose: {what}.").format(what=", ".join(missing)) if missing else "")

    def tables(self) -> Tables:
        """Return what was chosen."""
        register = Path(self.register.filePath())
        notes: Optional[Path] = Path(self.notes.filePath()) if self.notes.filePath() else None
        logs = Path(self.logs.filePath()) if self.logs.filePath() else register.parent
        return Tables(register, Path(self.corners.filePath()), notes, logs, self.crs.crs())
