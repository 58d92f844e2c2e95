"""The foot of the workbench: what it says, and the work that is under way."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsTask
from qgis.PyQt.QtWidgets import QProgressBar, QPushButton, QVBoxLayout, QWidget

from ..texts import plain_label, tr


class Foot(QWidget):
    """A message, and while there is work its progress and a button to stop it."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        self.message = plain_label(tr("Open a survey to begin."))
        self.message.setWordWrap(True)
        self.message.setAccessibleName(tr("Message"))
        self.progress = QProgressBar()
        self.progress.setAccessibleName(tr("Progress"))
        self.progress.setMaximumHeight(12)
        self.progress.setTextVisible(False)
        self.stop = QPushButton(tr("Stop"))
        self.stop.setToolTip(tr("Stop the work that is under way."))
        layout.addWidget(self.message)
        for widget in (self.progress, self.stop):
            layout.addWidget(widget)
        self.be_busy(False)

    def follow(self, work: QgsTask) -> None:
        """Show the progress of a job that began."""
        self.progress.setValue(0)
        # A method, not a function without a name: Qt takes it away with the foot, though the work may go on a little.
        work.progressChanged.connect(self._show_progress)
        self.be_busy(True)

    def _show_progress(self, percent: float) -> None:
        self.progress.setValue(int(percent))

    def be_busy(self, busy: bool) -> None:
        """Show progress and button, or hide them."""
        self.progress.setVisible(busy)
        self.stop.setVisible(busy)
