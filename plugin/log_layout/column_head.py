"""What stands above a column of a log: its name, the role that it is taken for, and what belongs to that role."""

from __future__ import annotations

from typing import Optional

from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QFocusEvent, QPixmap, QWheelEvent
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from ...processing_provider.engine.logs import NUMBER_FORMATS, TEXT_FORMATS, DraftColumn
from ..profile import look_of
from ..texts import tr
from .role_colours import role_colour, role_icon, role_words

BAND_PX = 5
ROLES_EM = 11
"""Width of the list of roles, in widths of an m: room for the longest with its colour."""
TIMES = (*NUMBER_FORMATS, *TEXT_FORMATS)
DATES = ("%d.%m.%Y", "%Y-%m-%d", "%m/%d/%Y", "%d/%m/%Y")
FORMS = {"time": TIMES, "date": DATES, "longitude": ("ddmm",), "latitude": ("ddmm",)}
PARTS = (
    ("hours", 3600.0), ("minutes", 60.0), ("seconds", 1.0), ("milliseconds", 0.001), ("tenths of a second", 0.1),
    ("hundredths of a second", 0.01), ("microseconds", 1e-6), ("nanoseconds", 1e-9),
)  # fmt: skip
"""Parts of a time that stand in columns of their own, and their seconds."""
NOTHING, CHANNEL, WRITTEN, PART = range(4)
"""Pages below the role: none, name and unit of a channel, how values are written, which part of the time it is."""


class Chooser(QComboBox):
    """A list that the wheel, which moves the table, changes only when the keyboard is in it.

    What Qt asks for often, as painting, is left to Qt here and in the table: Python would have to wait for the work in
    the background each time.
    """

    reached = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 (names fixed by Qt)
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()

    def focusInEvent(self, event: QFocusEvent) -> None:  # noqa: N802
        super().focusInEvent(event)
        self.reached.emit()


class ColumnHead(QWidget):
    """The head of one column.

    Signals
    -------
    role_chosen(int, str)
        The column, from 0, and its role.
    words_given(int, dict)
        The column, and ``name`` and ``unit``, or ``format``.
    factor_given(int, float)
        The column, and what its numbers are to be multiplied by.
    seen(int)
        The keyboard is in the head of this column.
    """

    role_chosen = pyqtSignal(int, str)
    words_given = pyqtSignal(int, dict)
    factor_given = pyqtSignal(int, float)
    seen = pyqtSignal(int)

    def __init__(self, index: int, name: str, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.index, self.role = index, ""
        self.title = QLabel(f"{index + 1}  {name}" if name else str(index + 1))
        self.title.setToolTip(tr("Column {number}: {name}").format(number=index + 1, name=name or "-"))
        self.title.setMinimumWidth(1)
        self.band, self.name, self.unit = QLabel(), QLineEdit(), QLineEdit()
        self.roles, self.form, self.part = Chooser(), Chooser(), Chooser()
        for role, word in role_words().items():
            self.roles.addItem(word, role)
        self.roles.view().setMinimumWidth(ROLES_EM * self.fontMetrics().horizontalAdvance("m"))
        for part, seconds in PARTS:
            self.part.addItem(tr(part), seconds)
        self.form.setEditable(True)
        self.name.setPlaceholderText(tr("name"))
        self.unit.setPlaceholderText(tr("unit"))
        for widget, what in (
            (self.roles, tr("Role of column {number}")),
            (self.name, tr("Name of the channel in column {number}")),
            (self.unit, tr("Unit of the channel in column {number}, such as mS/m")),
            (self.form, tr("How column {number} is written; found out when empty")),
            (self.part, tr("Part of the time in column {number}")),
        ):
            widget.setAccessibleName(what.format(number=index + 1))
            widget.setToolTip(what.format(number=index + 1))
            widget.setMinimumWidth(1)
        self._lay_out()
        for chooser in (self.roles, self.form, self.part):
            chooser.reached.connect(lambda: self.seen.emit(self.index))
        self.roles.activated.connect(lambda _: self.role_chosen.emit(self.index, self.roles.currentData()))
        for line in (self.name, self.unit):
            line.editingFinished.connect(self._give_channel)
        self.form.activated.connect(lambda _: self._give_form())
        self.part.activated.connect(lambda _: self.factor_given.emit(self.index, self.part.currentData()))
        self.form.lineEdit().editingFinished.connect(self._give_form)

    def _lay_out(self) -> None:
        self.below = QStackedWidget()
        channel = QWidget()
        row = QHBoxLayout(channel)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(2)
        row.addWidget(self.name, 3)
        row.addWidget(self.unit, 2)
        for page in (QWidget(), channel, self.form, self.part):
            self.below.addWidget(page)
        column = QVBoxLayout(self)
        column.setContentsMargins(2, 0, 2, 2)
        column.setSpacing(2)
        self.band.setFixedHeight(BAND_PX)
        self.band.setScaledContents(True)
        self.band.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        for widget in (self.band, self.title, self.roles, self.below):
            column.addWidget(widget)

    def show_column(self, column: DraftColumn, field: str) -> None:
        """Show what the draft says of the column; ``field`` is the name that a channel without one gets."""
        self.role = column.role
        look = look_of(self.palette())
        for i in range(self.roles.count()):
            self.roles.setItemIcon(i, role_icon(self.roles.itemData(i), look))
        self.roles.setCurrentIndex(self.roles.findData(column.role))
        pages = {"channel": CHANNEL, "time_part": PART, **dict.fromkeys(FORMS, WRITTEN)}
        self.below.setCurrentIndex(pages.get(column.role, NOTHING))
        self.name.setText(column.name)
        self.name.setPlaceholderText(field or tr("name"))
        self.unit.setText(column.unit)
        if column.role == "time_part":
            self.part.setCurrentIndex(self.part.findData(column.factor))
        if column.role in FORMS:
            self.form.clear()
            self.form.addItems(["", *FORMS[column.role]])
            self.form.setEditText(column.format)
            self.form.lineEdit().setPlaceholderText(tr("found out"))
        self._given = (column.name, column.unit, column.format)
        for line in (self.name, self.unit, self.form.lineEdit()):
            line.setCursorPosition(0)
        # A picture, since themes that are style sheets colour backgrounds as they like.
        colour = QPixmap(1, 1)
        colour.fill(role_colour(column.role, look))
        self.band.setPixmap(colour)

    def _give_channel(self) -> None:
        name, unit = self.name.text().strip(), self.unit.text().strip()
        if (name, unit) != self._given[:2]:
            self.words_given.emit(self.index, {"name": name, "unit": unit})

    def _give_form(self) -> None:
        form = self.form.currentText().strip()
        if form != self._given[2]:
            self.words_given.emit(self.index, {"format": form})
