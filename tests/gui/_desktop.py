"""What every check in the desktop needs: waiting, the mouse, pictures, the toolbox's dialogs, and a heartbeat."""

import os
import time
import traceback
from pathlib import Path

from qgis.core import QgsApplication, QgsProject
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QEventLoop, QPoint, QPointF, Qt, QTimer
from qgis.PyQt.QtGui import QMouseEvent
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QTextEdit
from qgis.utils import iface

OUT = Path(os.environ["GUI_OUT"])
SURVEY = Path(os.environ["GUI_SURVEY"])
TABLES = SURVEY.parent
"""Folder of the tables and logs that the survey was processed from."""
THEME = os.environ.get("GUI_THEME", "")
NAME = "turnrow"
CRS = "EPSG:32631"
TICK_MS = 20
LONGEST_GAP_S = 0.4
"""How long the window may stand still: people wait for a machine beyond this (Doherty and Thadani 1982, The economic
value of rapid response time)."""

FAULTS = []


def report_fault(kind, value, trace):
    """Take the place of the dialog that would wait for a person."""
    traceback.print_exception(kind, value, trace)
    FAULTS.append(value)


def say(text):
    """Report a figure; what is written here is shown by ``run.sh``."""
    with (OUT / "figures.txt").open("a", encoding="utf-8") as file:
        file.write(f"{text}\n")


def wait(ms):
    loop = QEventLoop()
    QTimer.singleShot(ms, loop.quit)
    loop.exec()


def let_delete():
    """Delete what waits to be deleted: an event loop inside another one leaves that to the outer one."""
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    wait(50)


def until(true, what, ms=60000):
    for _ in range(ms // 50):
        if true():
            return
        wait(50)
    raise RuntimeError(f"waited in vain: {what}")


def need(true, what):
    if not true:
        raise RuntimeError(what)


def picture(widget, name):
    wait(300)
    need(widget.grab().save(str(OUT / f"{name}.png")), f"the picture {name} cannot be written")


def drawn(canvas=None):
    """Wait until the map is drawn."""
    canvas = canvas or iface.mapCanvas()
    canvas.refresh()
    wait(50)
    until(lambda: not canvas.isDrawing(), "the map is drawn")


def drag(widget, start, stop, name=""):
    QTest.mousePress(widget, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, start)
    QTest.mouseMove(widget, (start + stop) / 2)
    QTest.mouseMove(widget, stop)
    wait(100)
    if name:
        picture(widget, name)
    QTest.mouseRelease(widget, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, stop)


def hover(widget, spot):
    """Move the mouse with no button held."""
    event = QMouseEvent(QEvent.Type.MouseMove, QPointF(spot), QPointF(widget.mapToGlobal(spot)),
                        Qt.MouseButton.NoButton, Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier)  # fmt: skip
    QApplication.sendEvent(widget, event)


def spot_of(place):
    pixel = iface.mapCanvas().getCoordinateTransform().transform(place)
    return QPoint(round(pixel.x()), round(pixel.y()))


def click(place):
    """Click on the map itself with the mouse."""
    canvas, spot = iface.mapCanvas(), spot_of(place)
    QTest.mouseMove(canvas.viewport(), spot)
    QTest.mouseClick(canvas.viewport(), Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, spot)
    wait(100)


def answer_next(kind, do):
    """Have the next modal dialog of a kind answered by ``do(dialog)``; return the dialogs that were answered."""
    answered = []

    def look():
        dialog = QApplication.activeModalWidget()
        if isinstance(dialog, kind):
            asking.stop()
            answered.append(dialog)
            do(dialog)

    asking = QTimer()
    asking.timeout.connect(look)
    asking.start(100)
    answered_by.append(asking)
    return answered


answered_by = []
"""Timers that wait for dialogs: they live as long as they are named."""


def fresh_project():
    """Begin an empty project, without a question."""
    QgsProject.instance().setDirty(False)
    iface.newProject(False)
    wait(200)


def algorithms():
    """Every algorithm of the provider, the ready-made models among them."""
    return QgsApplication.processingRegistry().providerById(NAME).algorithms()


def open_dialog(algorithm, parameters):
    """Open the dialog that a click in the toolbox opens, filled in."""
    from qgis import processing

    dialog = processing.createAlgorithmDialog(algorithm, parameters)
    need(dialog is not None, f"{algorithm} has no dialog")
    dialog.resize(1040, 720)
    dialog.show()
    wait(300)
    return dialog


def shut(dialog):
    dialog.close()
    dialog.deleteLater()
    let_delete()


def run_dialog(algorithm, parameters, name=""):
    """Fill in an algorithm's dialog, press Run and wait for the end; return the results."""
    dialog, ended = open_dialog(algorithm, parameters), []
    if name:
        picture(dialog, f"{name}_dialog")
    dialog.algorithmFinished.connect(lambda good, results: ended.append((good, results)))
    dialog.runButton().click()
    until(lambda: ended, f"{algorithm} ends")
    if name:
        picture(dialog, f"{name}_log")
    good, results = ended[0]
    need(good, f"{algorithm} failed: {dialog.findChild(QTextEdit, 'txtLog').toPlainText()}")
    shut(dialog)
    return results


class Heartbeat:
    """The longest time between two ticks of a timer of the window, in seconds, while something else is under way.

    The time in which ``set_apart`` is called is kept as ``apart``: QGIS itself does something then, all at once.
    """

    def __enter__(self):
        self.longest, self.ticks, self._last = 0.0, 0, time.perf_counter()
        self.apart, self._apart = 0.0, False
        self._timer = QTimer()
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._tick)
        self._timer.start(TICK_MS)
        return self

    def _tick(self):
        now = time.perf_counter()
        gap, self._last, self.ticks = now - self._last, now, self.ticks + 1
        if self._apart:
            self.apart, self._apart = max(self.apart, gap), False
        else:
            self.longest = max(self.longest, gap)

    def set_apart(self, *_):
        self._apart = True

    def __exit__(self, *_):
        self._tick()
        self._timer.stop()

    def report(self, during):
        """Report the longest gap, and stop where the window stood still for too long."""
        say(f"longest time without a tick of the window while {during}: {self.longest:.3f} s ({self.ticks} ticks)")
        need(self.longest < LONGEST_GAP_S, f"the window stood still for {self.longest:.2f} s while {during}")
