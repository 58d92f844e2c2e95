"""Lists of the workbench: grids with their state, findings, lines."""

from __future__ import annotations

from typing import Mapping, Optional, Sequence

from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QColor, QIcon, QPainter, QPalette, QPixmap, QResizeEvent
from qgis.PyQt.QtWidgets import QAbstractItemView, QHeaderView, QTreeWidget, QTreeWidgetItem, QWidget

from ...processing_provider.engine.core import KINDS, SEVERITIES, Finding, Key, Readings, Run
from ...processing_provider.engine.workflow import STEPS, Session
from ..profile import DARK_BELOW
from ..texts import as_text, tr

DATA = Qt.ItemDataRole.UserRole
DONE, OPEN = "■", "□"
MARKS = {"error": "▲", "warning": "◆", "note": "●"}
COLOURS = {"error": ("#b3261e", "#ff8a7a"), "warning": ("#a35f00", "#f2b45a"), "note": ("#3f5b68", "#9fc3d4")}
"""Of the marks, on a light and on a dark background."""
ICON_PX = 32
NARROW_EM = 17
"""Width, in widths of an m, below which a list leaves out what can be missed."""
LEAST_LINES = 1.6
"""Least width of a column, in heights of a line."""
WALKED = {1: "out", -1: "back", 0: ""}


def mark_icon(severity: str, dark: bool) -> QIcon:
    """Return the mark of a severity in its colour; themes that are style sheets colour texts as they like."""
    picture = QPixmap(ICON_PX, ICON_PX)
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    font = painter.font()
    font.setPixelSize(ICON_PX - 6)
    painter.setFont(font)
    painter.setPen(QColor(COLOURS[severity][dark]))
    painter.drawText(picture.rect(), Qt.AlignmentFlag.AlignCenter, MARKS[severity])
    painter.end()
    return QIcon(picture)


class List(QTreeWidget):
    """A flat list with columns; ``chosen`` gives what belongs to the current row."""

    chosen = pyqtSignal(object)
    COLUMNS: tuple[str, ...] = ()
    STRETCH = 0

    def __init__(self, name: str, help_text: str, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setRootIsDecorated(False)
        self.setUniformRowHeights(True)
        self.setAlternatingRowColors(True)
        self.setHeaderLabels([tr(c) for c in self.COLUMNS])
        self.header().setStretchLastSection(False)
        self.header().setMinimumSectionSize(self.fontMetrics().height())
        self.narrow = False
        self.fit()
        self.header().setSectionResizeMode(self.STRETCH, QHeaderView.ResizeMode.Stretch)
        self.setAccessibleName(name)
        self.setToolTip(help_text)
        self.currentItemChanged.connect(lambda item, _: item and self.chosen.emit(item.data(0, DATA)))
        self.itemClicked.connect(lambda item, _: self.chosen.emit(item.data(0, DATA)))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 (name fixed by Qt)
        super().resizeEvent(event)
        narrow = self.width() < NARROW_EM * self.fontMetrics().horizontalAdvance("m")
        if narrow != self.narrow:
            self.narrow = narrow
            self.fit()

    def fit(self) -> None:
        """Make columns as wide as what they hold; in a narrow list their titles give way."""
        header, least = self.header(), round(LEAST_LINES * self.fontMetrics().height())
        for column in range(len(self.COLUMNS)):
            if column == self.STRETCH:
                continue
            if not self.narrow:
                header.setSectionResizeMode(column, QHeaderView.ResizeMode.ResizeToContents)
                continue
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            header.resizeSection(column, max(self.sizeHintForColumn(column), least))

    def dark(self) -> bool:
        """Return whether the list has a dark background."""
        return self.palette().color(QPalette.ColorRole.Base).lightness() < DARK_BELOW

    def fill(self, rows: Sequence[tuple[Sequence[object], object, str]]) -> list[QTreeWidgetItem]:
        """Show rows of (texts, what belongs to it, tooltip); nothing is chosen, and no signal is sent."""
        self.blockSignals(True)
        self.clear()
        items = []
        for texts, data, help_text in rows:
            item = QTreeWidgetItem([str(text) for text in texts])
            item.setData(0, DATA, data)
            for column in range(len(texts)):
                item.setToolTip(column, as_text(help_text))
            items.append(item)
        self.addTopLevelItems(items)
        self.blockSignals(False)
        self.fit()
        return items

    def mark(self, data: object) -> None:
        """Make the row of something the current one, without a signal."""
        self.blockSignals(True)
        rows = (self.topLevelItem(n) for n in range(self.topLevelItemCount()))
        self.setCurrentItem(next((item for item in rows if item.data(0, DATA) == data), None))
        self.blockSignals(False)


class GridList(List):
    """A row a grid: how far it is, and how many findings it has."""

    COLUMNS = ("Grid", "State", "", "", "")
    STRETCH = 1
    _states: Sequence[tuple[int, str]] = ()
    """Steps done and the word for the state, by row."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(tr("Grids of the survey"), tr("Grids, how far each is, and its findings."), parent)
        for column, severity in enumerate(SEVERITIES, 2):
            title = tr("Findings: {what}").format(what=tr(severity))
            self.headerItem().setToolTip(column, title)
            self.headerItem().setData(column, Qt.ItemDataRole.AccessibleTextRole, title)
            self.headerItem().setIcon(column, mark_icon(severity, self.dark()))

    def show_session(self, session: Session, busy: Sequence[str] = ()) -> None:
        """Show the grids of a survey; those that are being processed say so."""
        rows, states = [], []
        for grid in session.grids:
            state, counts = session.state(grid), session.counts(grid)
            done = 0 if state is None else state.steps_done
            word = tr(STEPS[done - 1]) if done else tr("not read")
            word = tr("changed") if session.is_changed(grid) else word
            word = tr("working ...") if grid in busy else word
            steps = "\n".join(f"{DONE if n < done else OPEN} {tr(step)}" for n, step in enumerate(STEPS))
            texts = (grid, "", *(n or "" for n in counts.values()))
            states.append((done, word))
            rows.append((texts, grid, steps + (f"\n{state.result.problem}" if state and state.result.problem else "")))
        self._states = states
        self.fill(rows)

    def fit(self) -> None:
        """Show the state by squares and a word; in a narrow list by the word alone, and count no notes."""
        super().fit()
        self.setColumnHidden(len(self.COLUMNS) - 1, self.narrow)
        for row, (done, word) in enumerate(self._states):
            squares = "" if self.narrow else f"{DONE * done}{OPEN * (len(STEPS) - done)} "
            self.topLevelItem(row).setText(1, squares + word)


class FindingList(List):
    """A row a finding."""

    COLUMNS = ("", "Grid", "Line", "Finding")
    STRETCH = 3

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        help_text = tr("What disagrees, and what to do. Click to see the line.")
        super().__init__(tr("Findings"), help_text, parent)

    def show_findings(self, findings: Sequence[Finding]) -> None:
        """Show findings, in the given order."""
        rows = []
        for finding in findings:
            line = "" if finding.line is None else finding.line
            rows.append((("", finding.grid, line, finding.text), finding, finding.sentence()))
        icons = {severity: mark_icon(severity, self.dark()) for severity in SEVERITIES}
        for item, (_, finding, _) in zip(self.fill(rows), rows):
            item.setIcon(0, icons[finding.severity])
            item.setData(0, Qt.ItemDataRole.AccessibleTextRole, tr(finding.severity))


class LineList(List):
    """A row a recording; several can be chosen to be shown together."""

    COLUMNS = ("Line", "Kind", "Walked", "In use")
    STRETCH = 1
    several = pyqtSignal(list)

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        help_text = tr("Lines of the grid. Hold Ctrl or Shift to show several together; the first is worked on.")
        super().__init__(tr("Lines of the grid"), help_text, parent)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.itemSelectionChanged.connect(self._report_chosen)
        self.grid = ""
        self._keys: list[Key] = []

    def fit(self) -> None:
        """Leave out, in a narrow list, which way lines were walked."""
        super().fit()
        self.setColumnHidden(self.COLUMNS.index("Walked"), self.narrow)

    def _report_chosen(self) -> None:
        """Report which lines are chosen, in the order in which they were."""
        chosen = [item.data(0, DATA) for item in self.selectedItems()]
        self._keys = [k for k in self._keys if k in chosen] + [k for k in chosen if k not in self._keys]
        if self._keys:
            self.several.emit(self._keys)

    def choose(self, keys: Sequence[Key]) -> None:
        """Mark recordings, without a signal."""
        self._keys = list(keys)
        self.blockSignals(True)
        self.clearSelection()
        for item in (self.topLevelItem(n) for n in range(self.topLevelItemCount())):
            if item.data(0, DATA) in self._keys:
                item.setSelected(True)
                self.scrollToItem(item)
        self.blockSignals(False)

    def show_lines(self, session: Session, grid: str) -> None:
        """Show the recordings of a grid; none is chosen."""
        self.grid = grid
        state = session.state(grid)
        table = state.corrected if state is not None else None
        record = state.result.record if state is not None else None
        kinds = {line.key: line.kind for line in record.table} if record is not None else {}
        self.fill([] if table is None else [_line_row(table, run, kinds) for run in session.runs(grid)])


def _line_row(table: Readings, run: Run, kinds: Mapping[Key, str]) -> tuple[tuple[str, str, str, str], Key, str]:
    """Return what a list shows of a recording; what it was taken for when it was placed counts."""
    key, first = (run.grid, run.line, run.run), run.rows[0]
    kind = kinds.get(key) or KINDS[table.kind[first]]
    name = str(run.line) if run.run == 1 else f"{run.line} ({run.run})"
    used = f"{int(table.in_use[run.rows].sum())}/{len(run.rows)}"
    return (name, tr(kind), tr(WALKED[int(table.heading[first])]), used), key, ""
