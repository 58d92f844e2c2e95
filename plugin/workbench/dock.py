"""The workbench: a dock to look through a survey on the evening it was walked."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Optional

from qgis.core import Qgis, QgsPointXY, QgsProject
from qgis.gui import QgisInterface
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtGui import QResizeEvent
from qgis.PyQt.QtWidgets import (
    QAction,
    QDialog,
    QDockWidget,
    QFileDialog,
    QSplitter,
    QToolBar,
    QVBoxLayout,
    QWidget,
)

from ...processing_provider.bridge.style import channel_look
from ...processing_provider.engine.core import Code, Finding, Key
from ..map_view import LinePicker, MapLink, MapPointer, load_maps
from ..profile import name_of
from ..texts import tr
from .controller import Desk
from .grid_layout import GridLayout, see_layout
from .line_panel import Pane, own_icon
from .lists import FindingList, GridList, LineList
from .opening import RECIPE
from .opening_dialog import OpeningDialog
from .redo_rows import RedoButton
from .status_bar import Foot
from .unsaved_changes import BUTTON, ExitQuestion, ask_to_keep, ask_to_take_up

OBJECT_NAME = "TurnrowWorkbench"
ALGORITHM = "turnrow:processregister"
WEIGHTS = (5, 10, 5)
"""Of the width: grids and lines, pictures, findings."""


class Workbench(QDockWidget):
    """The dock with everything in it."""

    def __init__(self, iface: QgisInterface, parent: Optional[QWidget] = None) -> None:
        super().__init__(tr("Turnrow workbench"), parent)
        self.setObjectName(OBJECT_NAME)
        self.setAccessibleName(tr("Turnrow workbench"))
        self.iface = iface
        self.desk = Desk(self)
        self.link = MapLink(iface.mapCanvas())
        self.picker = LinePicker(iface.mapCanvas())
        self.pointer = MapPointer(iface.mapCanvas(), lambda: self.isVisible() and self.desk.session is not None)
        self.exit_question = ExitQuestion(self.may_leave)
        self.pane = Pane(self.desk)
        self.grids, self.lines, self.findings = GridList(), LineList(), FindingList()
        self.redo = RedoButton(self.desk)
        body = QWidget()
        layout = QVBoxLayout(body)
        layout.setContentsMargins(4, 2, 4, 4)
        layout.setSpacing(2)
        layout.addWidget(self._bar())
        layout.addWidget(self._panes(), 1)
        self.foot = Foot()
        self.message = self.foot.message
        layout.addWidget(self.foot)
        self.setWidget(body)
        self._connect()

    def _bar(self) -> QToolBar:
        bar = QToolBar(tr("Survey"))
        bar.setAccessibleName(tr("Survey"))
        bar.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.buttons = {}
        for name, label, help_text, do in (
            ("folder", tr("Open processed survey ..."), tr("Open the folder that a survey was processed into."),
             self.ask_folder),
            ("register", tr("Open register ..."), tr("Open a survey that was not processed yet."), self.ask_register),
            ("layout", tr("Layout ..."), tr("See how the log of the chosen grid is read, and change it."),
             self.see_layout),
            ("save", tr("Keep changes ..."), tr("Keep the changes by hand in a recipe."), self.ask_save),
            ("run", tr("Process the survey ..."), tr("Write maps and report of the whole survey with the recipe."),
             self.ask_run),
            ("pick", tr("Line on the map"), tr("Click on the map to see the line that was walked there."), self.pick),
        ):  # fmt: skip
            action = QAction(label, self)
            action.setToolTip(help_text)
            action.triggered.connect(lambda _, do=do: do())
            bar.addAction(action)
            self.buttons[name] = action
        self.buttons["pick"].setIcon(own_icon("pick"))
        self.buttons["pick"].setCheckable(True)
        return bar

    def _panes(self) -> QSplitter:
        self.left = left = QSplitter(Qt.Orientation.Vertical)
        left.addWidget(self.grids)
        left.addWidget(self.lines)
        self.splitter = QSplitter(Qt.Orientation.Horizontal)
        right = QWidget()
        below = QVBoxLayout(right)
        below.setContentsMargins(0, 0, 0, 0)
        below.addWidget(self.findings)
        below.addWidget(self.redo)
        for widget, weight in zip((left, self.pane, right), WEIGHTS):
            self.splitter.addWidget(widget)
            self.splitter.setStretchFactor(self.splitter.count() - 1, weight)
        self.splitter.setSizes([100 * weight for weight in WEIGHTS])
        return self.splitter

    def _connect(self) -> None:
        desk = self.desk
        desk.opened.connect(self._opened)
        desk.grid_changed.connect(self._grid_changed)
        desk.view_changed.connect(self._view_changed)
        desk.message.connect(self._show_message)
        desk.works.started.connect(self.foot.follow)
        desk.works.ended.connect(lambda: self.foot.be_busy(bool(self.desk.works.names)))
        self.foot.stop.clicked.connect(self._stop)
        self.grids.chosen.connect(self._grid_chosen)
        self.lines.several.connect(desk.choose_lines)
        self.findings.chosen.connect(self._finding_chosen)
        self.pane.profile.pointed.connect(self._reading_pointed)
        self.lines.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.lines.customContextMenuRequested.connect(lambda at: self.pane.ask_line(self.lines.viewport(), at))
        self.pointer.hovered.connect(self._hovered)
        self.pointer.clicked.connect(self._picked)
        self.iface.registerApplicationExitBlocker(self.exit_question)
        QgsProject.instance().cleared.connect(self._project_gone)
        self.picker.deactivated.connect(self._picker_off)
        self._enable()

    def _enable(self) -> None:
        for name in ("layout", "save", "run", "pick"):
            self.buttons[name].setEnabled(self.desk.session is not None)

    def ask_folder(self) -> None:
        """Let the person choose a processed survey."""
        folder = QFileDialog.getExistingDirectory(self, tr("Folder of a processed survey"))
        if folder and self.may_leave():
            self.desk.open_folder(Path(folder))

    def ask_register(self) -> None:
        """Let the person choose register, corners and notes."""
        dialog = OpeningDialog(self)
        if dialog.exec() == QDialog.DialogCode.Accepted and self.may_leave():
            self.desk.open_register(dialog.tables())

    def ask_save(self) -> bool:
        """Let the person say which recipe keeps the changes; return whether they are kept."""
        start = self.desk.recipe_path() or self.desk.opened_from.tables.log_folder / RECIPE
        path, _ = QFileDialog.getSaveFileName(
            self, tr("Recipe that keeps the changes"), str(start), tr("Recipes (*.json)"), "",
            QFileDialog.Option.DontConfirmOverwrite,
        )  # fmt: skip
        if path:
            self.desk.save(Path(path))
        return bool(path) and not self.desk.at_work.unsaved

    def see_layout(self) -> None:
        """Show how the log of the chosen grid is read; a layout that is kept has the survey read again."""
        entry = next((s.entry for s in self.desk.at_work.sources.grids if s.entry.scheme.grid == self.desk.grid), None)
        if entry is None:
            self._show_message(tr("Choose a grid whose log is there."), False)
            return
        about = [f for f in self.desk.at_work.findings() if f.grid == self.desk.grid]
        questions = tuple(f.sentence() for f in about if f.code == Code.LAYOUT_QUESTIONED.word)
        if see_layout(GridLayout(self.desk.opened_from.tables, entry, questions), self) and self.may_leave():
            self.desk.open_again()

    def may_leave(self) -> bool:
        """Return whether the open survey may be closed; asks when changes are not kept yet."""
        if self.desk.session is None or not self.desk.session.unsaved:
            return True
        answer = ask_to_keep(self.iface.mainWindow())
        if answer == BUTTON.Discard:
            self.desk.forget_aside()
        return answer == BUTTON.Discard or (answer == BUTTON.Save and self.ask_save())

    def offer_kept(self) -> None:
        """Offer changes of this survey that were left behind earlier, as when QGIS ended by itself."""
        kept = self.desk.kept_aside() if self.desk.session else None
        if kept is None:
            return
        answer = ask_to_take_up(self.iface.mainWindow(), kept[0])
        if answer == BUTTON.Yes:
            self.desk.take_up(*kept)
        elif answer == BUTTON.Discard:
            self.desk.forget_aside()

    def _project_gone(self) -> None:
        """Say that the survey stays open when the project is closed or another one opened."""
        self.link.clear()
        if self.desk.session is not None and self.desk.session.unsaved:
            self._show_message(
                tr("The survey stays open in the workbench. Its changes by hand are not kept yet."), True
            )

    def ask_run(self) -> None:
        """Open the algorithm that processes the whole survey, filled in with this one."""
        if self.desk.at_work.unsaved and not self.ask_save():
            return
        from qgis import processing

        processing.execAlgorithmDialog(ALGORITHM, self.parameters())

    def parameters(self) -> dict:
        """Return the algorithm's parameters for the survey that is open."""
        survey = self.desk.opened_from
        tables = survey.tables
        given = {
            "REGISTER": str(tables.register), "CORNERS": str(tables.corners), "LOG_FOLDER": str(tables.log_folder),
            "TARGET_CRS": survey.crs,
        }  # fmt: skip
        optional = {
            "NOTES": tables.notes, "RECIPE": self.desk.recipe_path(), "OUTPUT_FOLDER": self.desk.folder
        }  # fmt: skip
        return {**given, **{name: str(path) for name, path in optional.items() if path is not None}}

    def pick(self) -> None:
        """Switch the map tool on or off."""
        canvas = self.link.canvas
        if self.buttons["pick"].isChecked():
            canvas.setMapTool(self.picker)
        else:
            canvas.unsetMapTool(self.picker)

    def _picker_off(self) -> None:
        self.buttons["pick"].setChecked(False)

    def _line_at(self, point: Optional[QgsPointXY]) -> Optional[tuple[Key, int]]:
        position = None if point is None else self.link.to_survey(point)
        return None if position is None else self.desk.line_at(*position, self.link.reach_m())

    def _hovered(self, point: Optional[QgsPointXY]) -> None:
        """Show the line under the pointer lightly; of one that is looked at, the reading in the profile."""
        found = self._line_at(point) if self.desk.session is not None else None
        key, seq = found or (None, None)
        looked_at = self.desk.keys[:1] == [key]
        if key is None or looked_at:
            self.link.show_hover(None)
            self.pane.point_at(seq)
        else:
            self.pane.point_at(None)
            self.link.show_hover(self.desk.positions(key))
            self.pane.readout.setText(tr("{line}: click to see it.").format(line=name_of(key)))

    def _picked(self, point: QgsPointXY) -> None:
        found = self._line_at(point)
        if found is not None:
            self.link.show_hover(None)
            self.desk.choose_lines([found[0]])
            self.pane.point_at(found[1])
        elif self.link.canvas.mapTool() is self.picker:
            self._show_message(tr("No line was walked there."), False)

    def _opened(self) -> None:
        self.link.clear()
        self.link.crs = self.desk.opened_from.crs
        if self.desk.folder is not None:
            load_maps(self.desk.folder, self.desk.channel, self.desk.opened_from.tables.log_folder.name)
        self._enable()
        self.lines.grid = ""
        self._show_grids()
        # A question while the work that opened the survey ends would hold up all other work.
        QTimer.singleShot(0, self.offer_kept)

    def _show_grids(self) -> None:
        session, grid = self.desk.at_work, self.desk.grid
        self.grids.show_session(session, self.desk.works.names)
        self.grids.mark(grid)
        self.findings.show_findings(session.findings())
        self.redo.follow()

    def _grid_chosen(self, grid: str) -> None:
        self.desk.choose_grid(grid)
        extent = self.desk.at_work.extent(grid)
        if extent is not None:
            self.link.show_extent(extent)

    def _finding_chosen(self, finding: Finding) -> None:
        self.pane.tabs.setCurrentWidget(self.pane.profile)
        self.desk.choose_finding(finding)
        self.message.setText(finding.sentence())

    def _grid_changed(self, grid: str) -> None:
        session = self.desk.at_work
        state = session.state(grid)
        self._show_grids()
        self.pane.refresh_history()
        if grid in self.desk.works.names or state is None or state.raster is None:
            return
        look = channel_look(session.values_in_use(state.channel))
        values = state.raster.value_blocks
        self.link.show_raster(grid, values, state.channel, session.unit(state.channel), look)

    def _view_changed(self, keep: bool) -> None:
        desk = self.desk
        self.grids.mark(desk.grid)
        if keep or self.lines.grid != desk.grid:
            self.lines.show_lines(desk.at_work, desk.grid)
        self.lines.choose(desk.keys)
        self.link.show_lines([trace.position for trace in self.pane.profile.content.traces])

    def _reading_pointed(self, index: int) -> None:
        traces = self.pane.profile.content.traces
        self.link.show_point(traces[0].position[index] if index >= 0 and traces else None)

    def _show_message(self, sentence: str, wrong: bool) -> None:
        self.message.setText(sentence)
        if wrong:
            self.iface.messageBar().pushMessage("Turnrow", escape(sentence, quote=False), Qgis.MessageLevel.Warning)

    def _stop(self) -> None:
        self.desk.works.cancel()
        self._show_message(tr("Stopped."), False)
        if self.desk.session is not None:
            self._show_grids()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 (name fixed by Qt)
        """Beside the map the parts stand on top of each other, below it side by side."""
        super().resizeEvent(event)
        along, across = Qt.Orientation.Horizontal, Qt.Orientation.Vertical
        if self.width() <= self.height():
            along, across = across, along
        if self.splitter.orientation() != along:
            self.splitter.setOrientation(along)
            self.splitter.setSizes([100 * weight for weight in WEIGHTS])
            self.left.setOrientation(across)
            # Side by side the grids need more room than the lines; one above the other both are alike.
            self.left.setSizes([600, 500] if across == Qt.Orientation.Horizontal else [500, 500])

    def leave(self) -> None:
        """Take everything away that is not inside the dock."""
        QgsProject.instance().cleared.disconnect(self._project_gone)
        self.iface.unregisterApplicationExitBlocker(self.exit_question)
        self.pointer.leave()
        self.desk.close()
        self.link.canvas.unsetMapTool(self.picker)
        self.link.clear()
        self.picker.deleteLater()
