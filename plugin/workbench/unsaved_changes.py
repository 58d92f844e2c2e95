"""Asking before changes by hand are left behind."""

from __future__ import annotations

from typing import Callable

from qgis.gui import QgsApplicationExitBlockerInterface
from qgis.PyQt.QtWidgets import QMessageBox, QWidget

from ..texts import tr

BUTTON = QMessageBox.StandardButton


class ExitQuestion(QgsApplicationExitBlockerInterface):
    """Has QGIS ask the workbench before it ends.

    Notes
    -----
    QGIS asks such blockers on every way out (menu, window, session end), from 3.16 to 4, and stays when one refuses. A
    filter on the window's close event would miss the menu, and a project that is marked as changed would have QGIS ask
    about the project, which does not hold the changes. A project that is closed takes nothing away: the survey stays
    open in the workbench, which says so.
    """

    def __init__(self, may_leave: Callable[[], bool]) -> None:
        super().__init__()
        self._may_leave = may_leave

    def allowExit(self) -> bool:  # noqa: N802 (name fixed by QGIS)
        return self._may_leave()


def ask_to_keep(parent: QWidget) -> QMessageBox.StandardButton:
    """Ask what to do with changes that no recipe keeps: Save, Discard or Cancel."""
    return QMessageBox.question(
        parent, tr("Changes by hand"), tr("The changes by hand are not kept in a recipe yet. Keep them?"),
        BUTTON.Save | BUTTON.Discard | BUTTON.Cancel, BUTTON.Save,
    )  # fmt: skip


def ask_to_take_up(parent: QWidget, when: str) -> QMessageBox.StandardButton:
    """Ask what to do with changes from an earlier time: Yes takes them up, Discard forgets them.

    There is no way around the question (Escape does nothing), since the next change takes their place.
    """
    text = tr("Changes by hand of {when} were not kept in a recipe. Take them up again?").format(when=when)
    return QMessageBox.question(parent, tr("Changes by hand"), text, BUTTON.Yes | BUTTON.Discard, BUTTON.Yes)
