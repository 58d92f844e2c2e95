"""The first rows of a log, with columns coloured by role and a head above each."""

from __future__ import annotations

from typing import Optional, Sequence, Union

from qgis.PyQt.QtCore import QSize, Qt, pyqtSignal
from qgis.PyQt.QtGui import QBrush, QFont, QShowEvent
from qgis.PyQt.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem, QWidget

from ...processing_provider.engine.logs import PARTED, LayoutDraft, ShownRow
from ..profile import look_of
from ..texts import tr
from .column_head import ColumnHead
from .role_colours import quiet_ink, role_tint, role_words

MOST_COLUMNS = 100
"""Columns that are shown: a log of ten coil pairs with all that a logger may add has fewer."""
WIDTH_EM, WIDEST_EM = 10, 15
"""Width of a column, in widths of an m: room for name and unit of a channel, and more where columns are few."""
MOST_CELLS, LEAST_ROWS = 4000, 40
"""Cells that are shown, so that the table is filled in a moment; of a log with many columns fewer rows."""
READING, _, UNREADABLE = PARTED


class Heads(QHeaderView):
    """The heads of the columns: they move with the columns."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(Qt.Orientation.Horizontal, parent)
        self.heads: list[ColumnHead] = []
        self.sectionResized.connect(lambda *_: self.place())
        self.geometriesChanged.connect(self.place)

    def set_heads(self, heads: list[ColumnHead]) -> None:
        """Put other heads above the columns."""
        for head in self.heads:
            head.hide()
            head.deleteLater()
        self.heads = heads
        for head in heads:
            head.setParent(self.viewport())
            head.show()
        self.updateGeometry()
        self.place()

    def place(self) -> None:
        """Put each head above its column."""
        for i, head in enumerate(self.heads[: self.count()]):
            head.setGeometry(self.sectionViewportPosition(i), 0, self.sectionSize(i), self.viewport().height())

    def sizeHint(self) -> QSize:  # noqa: N802 (name fixed by Qt)
        size = super().sizeHint()
        return QSize(size.width(), max((head.sizeHint().height() for head in self.heads), default=size.height()))


class RowsTable(QTableWidget):
    """The table.

    Signals
    -------
    role_chosen(int, str), words_given(int, dict), factor_given(int, float)
        As of ``ColumnHead``.
    """

    role_chosen = pyqtSignal(int, str)
    words_given = pyqtSignal(int, dict)
    factor_given = pyqtSignal(int, float)

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("First rows of the log"))
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setWordWrap(False)
        self.head_row = Heads(self)
        self.setHorizontalHeader(self.head_row)
        em = self.fontMetrics().horizontalAdvance("m")
        self.head_row.setMinimumSectionSize(5 * em)
        self.verticalHeader().setDefaultSectionSize(round(1.3 * self.fontMetrics().height()))
        self.horizontalScrollBar().valueChanged.connect(lambda _: self.head_row.place())
        self._names: Union[tuple[str, ...], None] = None

    def show_draft(self, draft: Optional[LayoutDraft], rows: Sequence[ShownRow]) -> None:
        """Show the first rows of a log as a draft has them; nothing without a draft."""
        columns = draft.columns[:MOST_COLUMNS] if draft else ()
        names = draft.names[:MOST_COLUMNS] if draft else ()
        self._fill(rows[: max(LEAST_ROWS, MOST_CELLS // max(len(columns), 1))], [c.role for c in columns])
        if names != self._names:
            self._names = names
            self.head_row.set_heads([self._head(i, name) for i, name in enumerate(names)])
            self._set_widths(len(names))
        for i, (head, column) in enumerate(zip(self.head_row.heads, columns)):
            head.show_column(column, draft.field(i) if draft else "")
        self.head_row.place()

    def _fill(self, rows: Sequence[ShownRow], roles: Sequence[str]) -> None:
        """Put rows of a log into the cells: what stands in columns in the colour of its role, other rows as a whole."""
        look, words = look_of(self.palette()), role_words()
        tints = {role: QBrush(role_tint(role, look)) for role in words}
        ink, quiet, wrong = (QBrush(colour) for colour in (look.ink, quiet_ink(look), look.warning))
        italic = QFont(self.font())
        italic.setItalic(True)
        self.clearSpans()
        self.setRowCount(len(rows))
        self.setColumnCount(len(roles))
        self.setHorizontalHeaderLabels([words[role] for role in roles])
        self.setVerticalHeaderLabels([_row_name(row) for row in rows])
        for i, row in enumerate(rows):
            is_parted = row.kind in PARTED
            if not is_parted and len(roles) > 1:
                self.setSpan(i, 0, 1, len(roles))
            for k, role in enumerate(roles if is_parted else roles[:1]):
                item = QTableWidgetItem(row.values[k] if k < len(row.values) else "")
                item.setBackground(tints[role if is_parted else ""])
                item.setForeground(wrong if row.kind == UNREADABLE else ink if is_parted and role else quiet)
                if row.kind != READING:
                    item.setFont(italic)
                item.setToolTip(f"{tr(row.kind)}: {words[role]}" if is_parted else tr(row.kind))
                self.setItem(i, k, item)

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 (name fixed by Qt)
        """The room that there is for the columns is known from now on."""
        super().showEvent(event)
        self._set_widths(len(self.head_row.heads))

    def _set_widths(self, count: int) -> None:
        em = self.fontMetrics().horizontalAdvance("m")
        wanted = self.viewport().width() // max(count, 1)
        self.head_row.setDefaultSectionSize(min(max(wanted, WIDTH_EM * em), WIDEST_EM * em))
        self.head_row.place()

    def _head(self, index: int, name: str) -> ColumnHead:
        head = ColumnHead(index, name)
        head.role_chosen.connect(self.role_chosen)
        head.words_given.connect(self.words_given)
        head.factor_given.connect(self.factor_given)
        head.seen.connect(self._show_column)
        return head

    def _show_column(self, index: int) -> None:
        row = max(self.rowAt(0), 0)
        self.scrollTo(self.model().index(row, index), QAbstractItemView.ScrollHint.EnsureVisible)


def _row_name(row: ShownRow) -> str:
    """Return what stands beside a row: its number, and what it is unless it is a reading."""
    return str(row.number) if row.kind == READING else f"{row.number}  {tr(row.kind)}"
