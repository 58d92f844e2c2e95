"""The middle of the workbench: profile and stacked profiles, and what can be done with a line."""

from __future__ import annotations

from pathlib import Path
from typing import Callable, Optional

import numpy as np
from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QPoint, Qt
from qgis.PyQt.QtGui import QIcon
from qgis.PyQt.QtWidgets import (
    QAction,
    QActionGroup,
    QComboBox,
    QFileDialog,
    QInputDialog,
    QMenu,
    QTabWidget,
    QToolBar,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ...processing_provider.engine.core import BY_HAND, flag_words
from ..profile import (
    CHOOSE,
    CORRECTED,
    DIFFERENCE,
    DISTANCE,
    LOGGED,
    LOOK,
    TIME,
    ProfileView,
    StackedView,
    clock,
    name_of,
)
from ..texts import as_text, plain_label, tr
from .controller import OBSTACLE, Desk

ICONS = Path(__file__).resolve().parents[1] / "icons"


def own_icon(name: str) -> QIcon:
    """Return one of the plugin's icons."""
    return QIcon(str(ICONS / f"{name}.svg"))


class Pane(QWidget):
    """Pictures of the desk's lines with their tools."""

    def __init__(self, desk: Desk, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.profile, self.stacked = ProfileView(), StackedView()
        self.readout = plain_label()
        self.readout.setAccessibleName(tr("Reading under the pointer"))
        self.readout.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.tabs = QTabWidget()
        self.tabs.addTab(self.profile, tr("Profile"))
        self.tabs.addTab(self.stacked, tr("Whole grid"))
        self.tabs.setCornerWidget(self._corner_bar())
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        for widget in (self._view_bar(), self._hand_bar(), self.tabs, self.readout):
            layout.addWidget(widget)
        layout.setStretchFactor(self.tabs, 1)
        self.profile.pointed.connect(self._show_reading)
        self.profile.range_chosen.connect(self._range_chosen)
        self.profile.line_wanted.connect(desk.step_line)
        self.profile.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.profile.customContextMenuRequested.connect(self._ask_profile)
        self.stacked.chosen.connect(lambda key: desk.choose_lines([key]))
        desk.view_changed.connect(self.refresh)
        desk.opened.connect(self._opened)
        self.refresh(False)

    def _view_bar(self) -> QToolBar:
        """What is shown: channel, values, axis, neighbours."""
        bar = self._bar(tr("What is shown"))
        self.channel = self._combo(bar, tr("Channel"), tr("Which channel is shown."), self._channel_chosen)
        self.shows = {
            kind: self._toggle(bar, label, help_text, self._shows_chosen, kind in self.desk.shows)
            for kind, label, help_text in (
                (LOGGED, tr("As logged"), tr("Show the values as the logger wrote them.")),
                (CORRECTED, tr("Corrected"), tr("Show the values after all corrections.")),
                (DIFFERENCE, tr("Change"), tr("Show, below, what the corrections changed.")),
            )
        }
        self.axis = self._combo(bar, tr("Axis"), tr("Over distance or over time."), self._axis_chosen)
        for label, value in ((tr("over distance"), DISTANCE), (tr("over time"), TIME)):
            self.axis.addItem(label, value)
        help_text = tr("Show the lines on both sides in grey.")
        self.behind = self._toggle(
            bar, tr("Neighbours"), help_text, lambda on: self.desk.show(behind=on), self.desk.behind
        )
        return bar

    def _corner_bar(self) -> QToolBar:
        """What can be done with the pictures."""
        bar = self._bar(tr("Pictures"))
        self._button(bar, tr("Everything"), tr("Zoom out to the whole line (or double-click)."), self.profile.fit)
        self._button(bar, tr("Picture ..."), tr("Save the whole grid's lines as a PNG picture."), self._save_picture)
        return bar

    def _hand_bar(self) -> QToolBar:
        """What a hand can do: flag readings, change the line, undo."""
        bar = self._bar(tr("Changes by hand"))
        modes = QActionGroup(self)
        for name, label, help_text, mode, lift in (
            (
                "move",
                tr("Move"),
                tr("Drag moves the picture, the wheel zooms along, Ctrl and the wheel up."),
                LOOK,
                False,
            ),
            ("flag", tr("Flag"), tr("Drag over readings to take them out of use."), CHOOSE, False),
            ("unflag", tr("Unflag"), tr("Drag over readings to use them again."), CHOOSE, True),
        ):
            action = self._toggle(bar, label, help_text, None, name == "move", own_icon(name))
            action.setActionGroup(modes)
            action.triggered.connect(lambda _, mode=mode, lift=lift: self._mode_chosen(mode, lift))
        self.modes, self.lift = modes, False
        self.flag = self._combo(bar, tr("Flag"), tr("What readings are flagged as."), None)
        for word in BY_HAND:
            self.flag.addItem(tr(word), word)
        obstacle_help = tr("An obstacle is noted by its stations and counts for every recording of the line.")
        self.flag.setItemData(BY_HAND.index(OBSTACLE), obstacle_help, Qt.ItemDataRole.ToolTipRole)
        bar.addSeparator()
        self.line_button = QToolButton()
        self.line_button.setText(tr("This line"))
        self.line_button.setToolTip(tr("Change the whole line: void, direction, start, position."))
        self.line_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.line_menu = self._line_menu()
        self.line_button.setMenu(self.line_menu)
        bar.addWidget(self.line_button)
        bar.addSeparator()
        self.undo = self._button(bar, tr("Undo"), tr("Nothing to undo."), self.desk.undo)
        self.redo = self._button(bar, tr("Redo"), tr("Nothing to redo."), self.desk.redo)
        self.undo.setIcon(QgsApplication.getThemeIcon("/mActionUndo.svg"))
        self.redo.setIcon(QgsApplication.getThemeIcon("/mActionRedo.svg"))
        for action in (self.undo, self.redo):
            bar.widgetForAction(action).setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonIconOnly)
        return bar

    def _line_menu(self) -> QMenu:
        menu = QMenu(self)
        for label, help_text, do in (
            (tr("Void"), tr("Use no reading of this line."), lambda: self.desk.set_kind("void")),
            (tr("In use"), tr("Use this line as one of the survey."), lambda: self.desk.set_kind("survey")),
            (tr("Walked the other way"), tr("Turn the line end to end."), self.desk.turn),
            (tr("Starts at station ..."), tr("Shift the line along."), self._ask_station),
            (
                tr("Lies at ..."),
                tr("Move the line along the baseline (a tie line along the traverses)."),
                self._ask_position,
            ),
            (tr("As noted"), tr("Take back every change of this line."), self.desk.as_noted),
        ):
            action = menu.addAction(label)
            action.setToolTip(help_text)
            action.triggered.connect(lambda _, do=do: self.desk.keys and do())
        menu.setToolTipsVisible(True)
        return menu

    def ask_line(self, widget: QWidget, at: QPoint) -> None:
        """Open the menu of the line that is worked on at a place in a widget."""
        if self.desk.keys:
            self.line_menu.exec(widget.mapToGlobal(at))

    def _ask_profile(self, at: QPoint) -> None:
        """Open everything that a hand can do as one menu, so that the keyboard (menu key) reaches it, too."""
        menu = QMenu(self)
        menu.addActions(self.modes.actions())
        flags = menu.addMenu(tr("Flag as"))
        for number in range(self.flag.count()):
            action = flags.addAction(self.flag.itemText(number))
            action.setCheckable(True)
            action.setChecked(number == self.flag.currentIndex())
            action.triggered.connect(lambda _, number=number: self.flag.setCurrentIndex(number))
        menu.addSeparator()
        menu.addActions(self.line_menu.actions() if self.desk.keys else [])
        menu.addSeparator()
        menu.addActions([self.undo, self.redo])
        menu.exec(self.profile.mapToGlobal(at))
        menu.deleteLater()

    @staticmethod
    def _bar(name: str) -> QToolBar:
        bar = QToolBar(name)
        bar.setAccessibleName(name)
        bar.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        return bar

    def _combo(self, bar: QToolBar, name: str, help_text: str, chosen: Optional[Callable]) -> QComboBox:
        combo = QComboBox()
        combo.setAccessibleName(name)
        combo.setToolTip(help_text)
        combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        if chosen is not None:
            combo.activated.connect(chosen)
        bar.addWidget(combo)
        return combo

    def _button(self, bar: QToolBar, label: str, help_text: str, do: Callable) -> QAction:
        action = QAction(label, self)
        action.setToolTip(help_text)
        action.triggered.connect(lambda _: do())
        bar.addAction(action)
        return action

    def _toggle(
        self, bar: QToolBar, label: str, help_text: str, do: Optional[Callable], on: bool, icon: Optional[QIcon] = None
    ) -> QAction:
        action = QAction(label, self)
        if icon is not None:
            action.setIcon(icon)
        action.setToolTip(help_text)
        action.setCheckable(True)
        action.setChecked(on)
        if do is not None:
            action.toggled.connect(do)
        bar.addAction(action)
        return action

    def _opened(self) -> None:
        self.channel.clear()
        for channel in self.desk.at_work.channels:
            self.channel.addItem(channel, channel)

    def _channel_chosen(self, _: int) -> None:
        self.desk.show(channel=self.channel.currentData())

    def _axis_chosen(self, _: int) -> None:
        self.desk.show(axis=self.axis.currentData())

    def _shows_chosen(self, _: bool) -> None:
        self.desk.show(shows=frozenset(kind for kind, action in self.shows.items() if action.isChecked()))

    def _mode_chosen(self, mode: str, lift: bool) -> None:
        self.lift = lift
        self.profile.set_mode(mode)

    def _range_chosen(self, first_seq: int, last_seq: int) -> None:
        self.desk.flag(first_seq, last_seq, None if self.lift else self.flag.currentData())

    def _ask_station(self) -> None:
        logged = self.desk.first_station()
        station, given = QInputDialog.getDouble(
            self,
            name_of(self.desk.keys[0]),
            tr("Station of the first reading (as logged: {station:g}):").format(station=logged),
            logged if np.isfinite(logged) else 1.0,
            -1e6,
            1e6,
            1,
        )
        if given:
            self.desk.start_at(station)

    def _ask_position(self) -> None:
        if self.desk.kind() == "base":
            self.desk.message.emit(tr("Readings at one spot have no position on the map."), False)
            return
        now = self.desk.position_m()
        text = (
            tr("Position along the traverses, v (m):")
            if self.desk.kind() == "tie"
            else tr("Position along the baseline, u (m):")
        )
        position, given = QInputDialog.getDouble(
            self, name_of(self.desk.keys[0]), text, now if np.isfinite(now) else 0.0, -1e6, 1e6, 2
        )
        if given:
            self.desk.move_to(position)

    def _save_picture(self) -> None:
        content = self.desk.stacked()
        if not content.traces:
            return
        name = f"{self.desk.grid}_{self.desk.channel}_lines.png"
        folder = self.desk.folder or Path.home()
        path, _ = QFileDialog.getSaveFileName(self, tr("Save the picture"), str(folder / name), "PNG (*.png)")
        if path and not self.stacked.picture().save(path, "PNG"):
            self.desk.message.emit(tr("{path} cannot be written. Choose another place.").format(path=path), True)

    def refresh(self, keep_view: bool) -> None:
        """Show what the desk looks at now."""
        session = self.desk.session
        if session is not None:
            self.profile.show_content(self.desk.profile(), keep_view)
            self.stacked.show_content(self.desk.stacked(), self.desk.keys[0] if self.desk.keys else None)
        self.refresh_history()

    def refresh_history(self) -> None:
        """Have undo and redo say what they would do."""
        history = self.desk.session.history if self.desk.session else None
        self.line_button.setEnabled(bool(self.desk.keys))
        for action, name, text in (
            (self.undo, tr("Undo"), history and history.undo_text),
            (self.redo, tr("Redo"), history and history.redo_text),
        ):
            action.setEnabled(bool(text))
            action.setToolTip(as_text(f"{name}: {text}") if text else tr("Nothing here."))

    def point_at(self, seq: Optional[int]) -> None:
        """Put the pointer on a reading of the line that is worked on, by its ``seq``; None: on none."""
        traces = self.profile.content.traces
        seqs = traces[0].seq.tolist() if traces else []
        self.profile.point_at(seqs.index(seq) if seq in seqs else None)

    def _show_reading(self, index: int) -> None:
        """Put the reading under the pointer into words."""
        traces = self.profile.content.traces
        if index < 0 or not traces:
            self.readout.setText("")
            return
        trace, unit = traces[0], self.profile.content.unit
        at = float(trace.x[index])
        along = "u" if self.desk.kind() == "tie" else "v"
        where = clock(at) if self.desk.axis == TIME else f"{along} {at:.2f} m"
        station = float(trace.station[index])
        parts = [
            name_of(trace.key),
            where,
            tr("station {station:g}").format(station=station) if np.isfinite(station) else "",
            tr("logged {value:.2f} {unit}").format(value=trace.logged[index], unit=unit),
            tr("corrected {value:.2f} {unit}").format(value=trace.corrected[index], unit=unit),
            ", ".join(tr(word) for word in str(flag_words(trace.flag[[index]])[0]).split(";") if word),
        ]
        self.readout.setText("  ·  ".join(filter(None, parts)))
