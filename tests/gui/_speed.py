"""From a change by hand to the profile and the map that show it: seconds, and how long the window stood still."""

import time

from _desktop import Heartbeat, answer_next, need, say, until, wait
from _workbench import keys
from qgis.PyQt.QtCore import QEvent, QObject, QPoint, Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QInputDialog
from qgis.utils import iface


class Shown(QObject):
    """When the profile and the map first showed a change: seconds on the clock, and of the processor in all threads."""

    def __init__(self, bench):
        super().__init__()
        self.bench, self.profile, self.map = bench, None, None
        self._new_lines = self._new_map = False
        bench.desk.view_changed.connect(self._lines_come)
        bench.desk.grid_changed.connect(self._map_comes)
        iface.mapCanvas().mapCanvasRefreshed.connect(self._map_drawn)
        bench.pane.profile.installEventFilter(self)
        self.begin()

    def begin(self):
        """Start the clock: the change is made now."""
        self._start = time.perf_counter(), time.process_time()

    def _now(self):
        return time.perf_counter() - self._start[0], time.process_time() - self._start[1]

    def _lines_come(self, same_line):
        self._new_lines = self._new_lines or same_line

    def _map_comes(self, grid):
        self._new_map = self._new_map or grid not in self.bench.desk.works.names

    def _map_drawn(self):
        if self._new_map and self.map is None:
            self.map = self._now()

    def eventFilter(self, watched, event):  # noqa: N802 (name fixed by Qt)
        """Note the first time that the profile is painted with the new lines."""
        if event.type() == QEvent.Type.Paint and self._new_lines and self.profile is None:
            self.profile = self._now()
        return False

    def leave(self):
        """Watch no longer."""
        self.bench.desk.view_changed.disconnect(self._lines_come)
        self.bench.desk.grid_changed.disconnect(self._map_comes)
        iface.mapCanvas().mapCanvasRefreshed.disconnect(self._map_drawn)
        self.bench.pane.profile.removeEventFilter(self)


def clocked(bench, what, change):
    """Make a change by hand, wait until it is seen, and report how long that took."""
    shown = Shown(bench)
    with Heartbeat() as heart:
        change(shown.begin)
        until(lambda: shown.profile and shown.map, f"{what} is seen")
    shown.leave()
    need(bench.desk.session.state(bench.desk.grid).raster is not None, bench.message.text())
    for name, (seconds, cpu) in (("profile", shown.profile), ("map", shown.map)):
        say(f"{what}, to the repainted {name}: {seconds:.2f} s, of the processor {cpu:.2f} s")
    heart.report(f"{what}")


def edits(bench):
    """Flag by dragging, void a line, turn it round, let it start elsewhere; each is taken back again."""
    grid = bench.desk.session.grids[1]
    bench.grids.chosen.emit(grid)
    bench.pane.tabs.setCurrentWidget(bench.pane.profile)
    bench.desk.choose_lines(keys(bench, grid)[10:11])
    wait(500)
    until(lambda: not bench.desk.works.names, "the work before ends")
    void, _, turn, start_at, *_ = bench.pane.line_menu.actions()
    for what, change in (
        ("readings flagged", lambda begin: _drag(bench.pane, begin)),
        ("line void", lambda begin: _trigger(void, begin)),
        ("line turned round", lambda begin: _trigger(turn, begin)),
        ("other start station", lambda begin: _start_elsewhere(start_at, begin)),
    ):
        clocked(bench, what, change)
        clocked(bench, f"{what}, taken back", lambda begin: _trigger(bench.pane.undo, begin))


def _drag(pane, begin):
    pane.modes.actions()[1].trigger()
    profile, middle = pane.profile, pane.profile.height() // 2
    ends = QPoint(profile.width() // 3, middle), QPoint(profile.width() // 2, middle)
    QTest.mousePress(profile, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, ends[0])
    QTest.mouseMove(profile, ends[1])
    begin()
    QTest.mouseRelease(profile, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, ends[1])


def _trigger(action, begin):
    begin()
    action.trigger()


def _start_elsewhere(action, begin):
    def answer(dialog):
        dialog.setDoubleValue(dialog.doubleValue() + 4)
        begin()
        dialog.accept()

    answer_next(QInputDialog, answer)
    action.trigger()
