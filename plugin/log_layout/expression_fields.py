"""The regular expressions of a layout: what rows that open a line look like, and rows of marks."""

from __future__ import annotations

from typing import Optional

from qgis.PyQt.QtCore import pyqtSignal
from qgis.PyQt.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QWidget

from ...processing_provider.engine.logs import LogLayout
from ..texts import as_text, tr


class ExpressionFields(QWidget):
    """A field for ``line_start`` and one for ``mark``.

    Signals
    -------
    given(str, str)
        The option of the layout, and what it is to be.
    """

    given = pyqtSignal(str, str)

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.fields = {"line_start": QLineEdit(), "mark": QLineEdit()}
        self._shown = dict.fromkeys(self.fields, "")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        for option, label, help_text in (
            ("line_start", tr("Rows that open a line"),
             tr("Regular expression found in a row that opens a line. Named groups give what stands there: line, "
                "station, end, step, time, heading, grid. Example: ^LINE (?P<line>\\d+) FROM (?P<station>-?\\d+)")),
            ("mark", tr("Rows of marks"),
             tr("Regular expression found in a row that marks the reading below it. Example: ^MARK")),
        ):  # fmt: skip
            field, text = self.fields[option], QLabel(label)
            text.setBuddy(field)
            field.setAccessibleName(label)
            field.setToolTip(as_text(help_text))
            field.setPlaceholderText(tr("no such rows"))
            field.setClearButtonEnabled(True)
            field.editingFinished.connect(lambda option=option: self._give(option))
            row.addWidget(text)
            row.addWidget(field, 2 if option == "line_start" else 1)

    def show_layout(self, layout: LogLayout) -> None:
        """Show what a layout has; what is typed and not given yet stays."""
        for option, field in self.fields.items():
            given = field.text() == self._shown[option]
            self._shown[option] = getattr(layout, option)
            if given:
                field.setText(self._shown[option])
                field.setCursorPosition(0)

    def _give(self, option: str) -> None:
        text = self.fields[option].text()
        if text != self._shown[option]:
            self._shown[option] = text
            self.given.emit(option, text.strip())
