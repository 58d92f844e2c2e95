"""The layout of a grid's log, seen from the workbench, and named in the register once the person says so."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Optional

from qgis.PyQt.QtWidgets import QInputDialog, QMessageBox, QWidget

from ...processing_provider.engine.core import EngineError, GridEntry, register_with_layout, whole_file
from ..log_layout import LayoutDialog, LayoutOf
from ..texts import as_text, tr
from .opening import Tables

BUTTON = QMessageBox.StandardButton


@dataclass(frozen=True)
class GridLayout:
    """A grid's logs and the layout that the register names for them."""

    tables: Tables
    entry: GridEntry
    questions: tuple[str, ...] = ()
    """What looks misread of its log."""

    @property
    def grid(self) -> str:
        """Name of the grid."""
        return self.entry.scheme.grid

    @property
    def logs(self) -> tuple[Path, ...]:
        """The logs of the grid."""
        return tuple(self.tables.log_folder / name for name in self.entry.logs)

    @property
    def named(self) -> Optional[Path]:
        """The layout that the register names; None where it is found out."""
        return self.tables.log_folder / self.entry.layout if self.entry.layout else None

    def about(self, log: Path) -> LayoutOf:
        """Return whose layout is looked at, and where it is kept: under the register's name, else beside the log."""
        named = self.named
        return LayoutOf(
            log, named if named and named.is_file() else None, named or log.with_suffix(".json"), self.questions
        )

    def is_named(self, path: Path) -> bool:
        """Return whether the register names this file for the grid already."""
        return self.named is not None and self.named.resolve() == path.resolve()

    def written(self, path: Path) -> str:
        """Return the path as the register writes it: from the folder of the logs."""
        try:
            return Path(os.path.relpath(path, self.tables.log_folder)).as_posix()
        except ValueError:  # on another drive
            return path.as_posix()

    def write(self, path: Path) -> None:
        """Name a layout in the register.

        Raises
        ------
        EngineError
            When the register is no CSV, has no row for the grid, or cannot be written.
        """
        register = self.tables.register
        if register.suffix.lower() not in (".csv", ".txt", ".tsv"):
            raise EngineError(
                f"The register {register.name} is no CSV and is not changed here. Write {self.written(path)} into its "
                f"column layout for grid {self.grid} yourself, then open the survey again."
            )
        raw = register.read_bytes()
        encoding = "utf-8-sig" if raw.startswith(b"\xef\xbb\xbf") else "utf-8"
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            encoding, text = "latin-1", raw.decode("latin-1")
        changed = register_with_layout(text, self.grid, self.written(path))
        with whole_file(register, "register") as temporary:
            temporary.write_bytes(changed.encode(encoding))


def see_layout(mine: GridLayout, parent: QWidget) -> bool:
    """Show the layout of a grid's log; return whether one was kept that the survey is now to be read with."""
    log = mine.logs[0]
    if len(mine.logs) > 1:
        names = list(mine.entry.logs)
        name, good = QInputDialog.getItem(parent, tr("Logs of grid {grid}").format(grid=mine.grid), tr("Log"), names,
                                          0, False)  # fmt: skip
        if not good:
            return False
        log = mine.logs[names.index(name)]
    dialog = LayoutDialog(mine.about(log), parent)
    dialog.exec()
    kept = dialog.kept
    dialog.deleteLater()
    if kept is None:
        return False
    title = tr("Layout of grid {grid}").format(grid=mine.grid)
    if mine.is_named(kept):
        text = tr("Read the survey again with this layout?")
        return QMessageBox.question(parent, title, as_text(text)) == BUTTON.Yes
    text = tr(
        "The register does not name this layout for grid {grid}. Write {layout} into its column layout, and read the "
        "survey again?"
    ).format(grid=mine.grid, layout=mine.written(kept))
    if QMessageBox.question(parent, title, as_text(text)) != BUTTON.Yes:
        return False
    try:
        mine.write(kept)
    except (EngineError, OSError) as error:
        QMessageBox.warning(parent, title, str(error))
        return False
    return True
