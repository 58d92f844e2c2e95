"""The button that adds the lines to walk again to the notes; nothing else ever changes them."""

from __future__ import annotations

from pathlib import Path
from typing import Optional

from qgis.PyQt.QtWidgets import QMessageBox, QPushButton, QWidget

from ...processing_provider.bridge.vector import add_rows, rows_to_add
from ...processing_provider.engine.core import FIRST_ROW, EngineError
from ..texts import as_text, tr
from .controller import Desk

BUTTON = QMessageBox.StandardButton


class RedoButton(QPushButton):
    """Asks, with the number of rows and the path, then adds the rows of the lines to walk to the notes."""

    def __init__(self, desk: Desk, parent: Optional[QWidget] = None) -> None:
        super().__init__(tr("Add the redo rows to the notes ..."), parent)
        self.desk = desk
        self.setToolTip(
            tr("Add a row to the notes for each line to walk: lines to walk again, sound neighbours and ties.")
        )
        self.clicked.connect(lambda: self.add())
        self.follow()

    def follow(self) -> None:
        """Be there to be clicked where the open survey has lines to walk again."""
        session = self.desk.session
        self.setEnabled(session is not None and any(finding.walk_again for finding in session.findings()))

    def add(self) -> None:
        """Add the rows that the notes do not have yet, when the person agrees."""
        path = self.desk.opened_from.tables.notes
        if path is None:
            self.desk.message.emit(
                tr("The survey was opened without notes. Open it with the table of its notes."), True
            )
            return
        try:
            rows, before = rows_to_add(path, self.desk.at_work.redo_rows())
            if not rows:
                self._say(tr("The notes {path} have these rows already.").format(path=path))
            elif self._agreed(path, len(rows)):
                add_rows(path, rows)
                first = before + FIRST_ROW
                said = tr("Added to {path}: rows {first} to {last}. Write start and stop there when they are walked.")
                self._say(said.format(path=path, first=first, last=first + len(rows) - 1))
        except EngineError as error:
            self._say(str(error), wrong=True)

    def _say(self, sentence: str, *, wrong: bool = False) -> None:
        self.desk.message.emit(sentence, wrong)

    def _agreed(self, path: Path, count: int) -> bool:
        text = tr("Add {n} rows to the notes {path}?").format(n=count, path=path)
        answer = QMessageBox.question(
            self, tr("Rows for the notes"), as_text(text), BUTTON.Yes | BUTTON.Cancel, BUTTON.Cancel
        )  # fmt: skip
        return answer == BUTTON.Yes
