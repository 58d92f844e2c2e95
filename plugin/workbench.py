"""The workbench: a dock to look through a survey on the evening it was walked."""

from __future__ import annotations

from pathlib import Path

from qgis.core import Qgis
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QAction,
    QDialog,
    QDockWidget,
    QFileDialog,
    QLabel,
    QMessageBox,
    QProgressBar,
    QPushButton,
    QSplitter,
    QToolBar,
    QVBoxLayout,
    QWidget,
)

from ..processing_provider.bridge.ramps import channel_look
from .desk import Desk
from .lists import FindingList, GridList, LineList
from .on_map import LinePicker, MapLink
from .opening import RECIPE
from .opening_dialog import OpeningDialog
from .pane import Pane, own_icon
from .survey_layers import load_maps
from .texts import tr

OBJECT_NAME = "TurnrowWorkbench"
ALGORITHM = "turnrow:processregister"
SHARES = (5, 10, 5)
"""Of the width: grids and lines, pictures, findings."""


class Workbench(QDockWidget):
    """The dock with everything in it."""

    def __init__(self, iface, parent=None):
        super().__init__(tr("Turnrow workbench"), parent)
        self.setObjectName(OBJECT_NAME)
        self.setAccessibleName(tr("Turnrow workbench"))
        self.iface = iface
        self.desk = Desk(self)
        self.link = MapLink(iface.mapCanvas())
        self.picker = LinePicker(iface.mapCanvas())
        self.pane = Pane(self.desk)
        self.grids, self.lines, self.findings = GridList(), LineList(), FindingList()
        body = QWidget()
        layout = QVBoxLayout(body)
        layout.setContentsMargins(4, 2, 4, 4)
        layout.setSpacing(2)
        layout.addWidget(self._bar())
        layout.addWidget(self._panes(), 1)
        layout.addLayout(self._foot())
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
        for widget, share in zip((left, self.pane, self.findings), SHARES):
            self.splitter.addWidget(widget)
            self.splitter.setStretchFactor(self.splitter.count() - 1, share)
        self.splitter.setSizes([100 * share for share in SHARES])
        return self.splitter

    def _foot(self) -> QVBoxLayout:
        foot = QVBoxLayout()
        self.message = QLabel(tr("Open a survey to begin."))
        self.message.setWordWrap(True)
        self.message.setAccessibleName(tr("Message"))
        self.progress = QProgressBar()
        self.progress.setAccessibleName(tr("Progress"))
        self.progress.setMaximumHeight(12)
        self.progress.setTextVisible(False)
        self.stop = QPushButton(tr("Stop"))
        self.stop.setToolTip(tr("Stop the work that is under way."))
        self.stop.clicked.connect(self._stop)
        foot.addWidget(self.message)
        for widget in (self.progress, self.stop):
            widget.hide()
            foot.addWidget(widget)
        return foot

    def _connect(self) -> None:
        desk = self.desk
        desk.opened.connect(self._opened)
        desk.grid_changed.connect(self._grid_changed)
        desk.view_changed.connect(self._view_changed)
        desk.told.connect(self._told)
        desk.works.started.connect(self._follow)
        desk.works.ended.connect(self._ended)
        self.grids.chosen.connect(self._grid_chosen)
        self.lines.several.connect(desk.choose_lines)
        self.findings.chosen.connect(self._finding_chosen)
        self.pane.profile.pointed.connect(self._reading_pointed)
        self.picker.picked.connect(self._picked)
        self.picker.deactivated.connect(self._picker_off)
        self._enable()

    def _enable(self) -> None:
        for name in ("save", "run", "pick"):
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
        start = self.desk.recipe_path() or self.desk.survey.tables.log_folder / RECIPE
        path, _ = QFileDialog.getSaveFileName(
            self, tr("Recipe that keeps the changes"), str(start), tr("Recipes (*.json)"), "",
            QFileDialog.Option.DontConfirmOverwrite,
        )  # fmt: skip
        if path:
            self.desk.save(Path(path))
        return bool(path) and not self.desk.session.unsaved

    def may_leave(self) -> bool:
        """Return whether the open survey may be closed; asks when changes are not kept yet."""
        if self.desk.session is None or not self.desk.session.unsaved:
            return True
        buttons = QMessageBox.StandardButton
        answer = QMessageBox.question(
            self, tr("Changes by hand"), tr("The changes by hand are not kept in a recipe yet. Keep them?"),
            buttons.Save | buttons.Discard | buttons.Cancel,
        )  # fmt: skip
        return answer == buttons.Discard or (answer == buttons.Save and self.ask_save())

    def ask_run(self) -> None:
        """Open the algorithm that processes the whole survey, filled in with this one."""
        if self.desk.session.unsaved and not self.ask_save():
            return
        from qgis import processing

        processing.execAlgorithmDialog(ALGORITHM, self.parameters())

    def parameters(self) -> dict:
        """Return the algorithm's parameters for the survey that is open."""
        tables, survey = self.desk.survey.tables, self.desk.survey
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

    def _picked(self, point) -> None:
        place = self.link.to_survey(point)
        seq = place and self.desk.choose_at(*place, self.link.reach_m())
        if seq is None:
            self._told(tr("No line was walked there."), False)
            return
        seqs = self.pane.profile.content.traces[0].seq.tolist()
        self.pane.profile.point_at(seqs.index(seq))

    def _opened(self) -> None:
        self.link.clear()
        self.link.crs = self.desk.survey.crs
        if self.desk.folder is not None:
            load_maps(self.desk.folder, self.desk.channel, self.desk.survey.tables.log_folder.name)
        self._enable()
        self.lines.grid = ""
        self._show_grids()

    def _show_grids(self) -> None:
        session, grid = self.desk.session, self.desk.grid
        self.grids.show_session(session, self.desk.works.names)
        self.grids.mark(grid)
        self.findings.show_findings(session.findings())

    def _grid_chosen(self, grid: str) -> None:
        self.desk.choose_grid(grid)
        extent = self.desk.session.extent(grid)
        if extent is not None:
            self.link.show_extent(extent)

    def _finding_chosen(self, finding) -> None:
        self.pane.tabs.setCurrentWidget(self.pane.profile)
        self.desk.choose_finding(finding)
        self.message.setText(finding.sentence())

    def _grid_changed(self, grid: str) -> None:
        state = self.desk.session.state(grid)
        self._show_grids()
        self.pane.refresh_history()
        if grid in self.desk.works.names or state.raster is None:
            return
        session = self.desk.session
        look = channel_look(session.values_in_use(state.channel))
        self.link.show_raster(grid, state, session.unit(state.channel), look)

    def _view_changed(self, keep: bool) -> None:
        desk = self.desk
        self.grids.mark(desk.grid)
        if keep or self.lines.grid != desk.grid:
            self.lines.show_lines(desk.session, desk.grid)
        self.lines.choose(desk.keys)
        self.link.show_lines([trace.place for trace in self.pane.profile.content.traces])

    def _reading_pointed(self, index: int) -> None:
        traces = self.pane.profile.content.traces
        self.link.show_point(traces[0].place[index] if index >= 0 and traces else None)

    def _told(self, sentence: str, wrong: bool) -> None:
        self.message.setText(sentence)
        if wrong:
            self.iface.messageBar().pushMessage("Turnrow", sentence, Qgis.MessageLevel.Warning)

    def _follow(self, work) -> None:
        self.progress.setValue(0)
        work.progressChanged.connect(lambda percent: self.progress.setValue(int(percent)))
        self.progress.show()
        self.stop.show()

    def _ended(self) -> None:
        busy = bool(self.desk.works.names)
        self.progress.setVisible(busy)
        self.stop.setVisible(busy)

    def _stop(self) -> None:
        self.desk.works.cancel()
        self._told(tr("Stopped."), False)
        if self.desk.session is not None:
            self._show_grids()

    def resizeEvent(self, event):  # noqa: N802 (name fixed by Qt)
        """Beside the map the parts stand on top of each other, below it side by side."""
        super().resizeEvent(event)
        along, across = Qt.Orientation.Horizontal, Qt.Orientation.Vertical
        if self.width() <= self.height():
            along, across = across, along
        if self.splitter.orientation() != along:
            self.splitter.setOrientation(along)
            self.splitter.setSizes([100 * share for share in SHARES])
            self.left.setOrientation(across)

    def leave(self) -> None:
        """Take everything away that is not inside the dock."""
        self.desk.close()
        self.link.canvas.unsetMapTool(self.picker)
        self.link.clear()
        self.picker.deleteLater()
