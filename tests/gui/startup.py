"""Run inside the desktop by ``run.sh``: opens a processed survey in the workbench, uses it, and takes pictures.

Environment: GUI_OUT (folder for pictures and ``rc``), GUI_SURVEY (folder of a processed survey), GUI_THEME (optional).
The script is run before the event loop is idle, so everything is put on a timer.
"""

import faulthandler
import os
import shutil
import sys
import tempfile
import traceback
from pathlib import Path

from qgis.core import QgsApplication, QgsPointXY, QgsProject
from qgis.PyQt.QtCore import QEvent, QEventLoop, QPoint, QPointF, Qt, QTimer
from qgis.PyQt.QtGui import QColor, QImage, QMouseEvent, QPainter, QPen
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QDockWidget, QMessageBox
from qgis.utils import iface, loadPlugin, plugins, startPlugin, unloadPlugin

OUT = Path(os.environ["GUI_OUT"])
SURVEY = Path(os.environ["GUI_SURVEY"])
THEME = os.environ.get("GUI_THEME", "")
NAME = "turnrow"


FAULTS = []


def told(kind, value, trace):
    """Take the place of the dialog that would wait for a person."""
    traceback.print_exception(kind, value, trace)
    FAULTS.append(value)


def wait(ms):
    loop = QEventLoop()
    QTimer.singleShot(ms, loop.quit)
    loop.exec()


def until(true, what, ms=30000):
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
    widget.grab().save(str(OUT / f"{name}.png"))


def drag(widget, start, stop):
    QTest.mousePress(widget, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, start)
    QTest.mouseMove(widget, (start + stop) / 2)
    QTest.mouseMove(widget, stop)
    wait(100)
    picture(widget, "choosing")
    QTest.mouseRelease(widget, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, stop)


def look(bench):
    """Open the survey, look at a line and at a whole grid."""
    # The desktop of the run before this one ended without a word, so what was changed there is offered now.
    left_behind = list(Path(QgsApplication.qgisSettingsDirPath()).glob("turnrow/unsaved_*.json"))
    offered = []

    def answer():
        box = QApplication.activeModalWidget()
        if box is not None:
            asking.stop()
            picture(box, "offered")
            offered.append(box.text())
            box.button(QMessageBox.StandardButton.Discard).click()

    asking = QTimer()
    asking.timeout.connect(answer)
    asking.start(200)
    bench.desk.open_folder(SURVEY)
    until(lambda: bench.desk.session is not None, "the survey opens")
    wait(500)
    asking.stop()
    need(len(offered) == len(left_behind), f"{len(left_behind)} changes were left behind, {len(offered)} offered")
    canvas = iface.mapCanvas()
    grid = bench.desk.session.grids[1]
    bench.grids.chosen.emit(grid)
    bench.desk.choose_lines([run_key for run_key in keys(bench, grid)[4:5]])
    canvas.waitWhileRendering()
    bench.pane.profile.point_at(30)
    wait(1500)
    iface.messageBar().clearWidgets()
    picture(iface.mainWindow(), "window")
    picture(bench, "dock")
    for kind in bench.pane.shows:
        bench.pane.shows[kind].setChecked(True)
    bench.desk.choose_lines(keys(bench, grid)[5:8])
    picture(bench.pane, "change")
    bench.pane.axis.setCurrentIndex(1)
    bench.pane.axis.activated.emit(1)
    picture(bench.pane, "time")
    bench.pane.axis.setCurrentIndex(0)
    bench.pane.axis.activated.emit(0)
    bench.pane.tabs.setCurrentWidget(bench.pane.stacked)
    picture(bench.pane, "stacked")
    need(bench.pane.stacked.picture().save(str(OUT / "export.png")), "no picture of the grid")
    bench.pane.tabs.setCurrentWidget(bench.pane.profile)


def keys(bench, grid):
    return [(r.grid, r.line, r.run) for r in bench.desk.session.runs(grid)]


def pointer_on_map(bench):
    """The line under the pointer is marked, and a click with the tool for moving the map chooses it."""
    canvas = iface.mapCanvas()
    iface.actionPan().trigger()
    grid = bench.desk.grid
    key = keys(bench, grid)[12]
    places = bench.desk.places(key)
    x, y = places[len(places) // 3]
    hover(canvas.viewport(), spot_of(QgsPointXY(x, y)))
    wait(200)
    need("click to see it" in bench.pane.readout.text(), "nothing under the pointer on the map")
    picture(iface.mainWindow(), "pointer")
    centre = canvas.center()
    click(QgsPointXY(x, y))
    need(bench.desk.keys == [key], f"the click chose {bench.desk.keys}, not {key}")
    canvas.setCenter(centre)
    canvas.refresh()


def hover(widget, spot):
    """Move the mouse with no button held."""
    event = QMouseEvent(QEvent.Type.MouseMove, QPointF(spot), QPointF(widget.mapToGlobal(spot)),
                        Qt.MouseButton.NoButton, Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier)  # fmt: skip
    QApplication.sendEvent(widget, event)


def ends_with_a_question(bench):
    """QGIS asks on its way out by the menu and by the window, and stays when told to."""
    asked = []

    def answer():
        box = QApplication.activeModalWidget()
        if isinstance(box, QMessageBox) and "recipe" in box.text():
            picture(box, "question")
            asked.append(box.text())
            box.button(QMessageBox.StandardButton.Cancel).click()
        elif isinstance(box, QMessageBox):  # about the project
            discard = box.button(QMessageBox.StandardButton.Discard) or box.button(QMessageBox.StandardButton.Yes)
            discard.click()
            QTimer.singleShot(500, answer)

    need(bench.desk.session.unsaved, "there is nothing to ask about")
    for leave in (iface.actionExit().trigger, iface.mainWindow().close):
        QgsProject.instance().setDirty(False)
        before = len(asked)
        QTimer.singleShot(500, answer)
        leave()
        until(lambda before=before: len(asked) > before, "QGIS asks before it ends", 5000)
        wait(200)
    need(bench.isVisible(), "the workbench went away")


def change(bench):
    """Flag readings with the mouse, make a line void, take it back."""
    grid = bench.desk.grid
    bench.desk.choose_lines(keys(bench, grid)[8:9])
    bench.pane.profile.parent().setFocus()
    bench.pane.modes.actions()[1].trigger()
    profile = bench.pane.profile
    wait(200)
    y = profile.height() // 2
    drag(profile, QPoint(profile.width() // 3, y), QPoint(profile.width() // 2, y))
    need(bench.desk.session.edits.flags, "dragging set no flag")
    until(lambda: not bench.desk.works.names, "the grid is processed again")
    need(bench.desk.session.state(grid).raster is not None, bench.message.text())
    bench.desk.set_kind("void")
    until(lambda: not bench.desk.works.names, "the grid is processed again")
    iface.mapCanvas().waitWhileRendering()
    wait(800)
    picture(iface.mainWindow(), "changed")
    bench.pane.tabs.setCurrentWidget(bench.pane.stacked)
    iface.mainWindow().addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, bench)
    picture(iface.mainWindow(), "beside")
    bench.pane.tabs.setCurrentWidget(bench.pane.profile)
    bench.desk.undo()
    until(lambda: not bench.desk.works.names, "the change is taken back")
    picture(bench, "undone")
    iface.mainWindow().addDockWidget(Qt.DockWidgetArea.BottomDockWidgetArea, bench)
    iface.mainWindow().resizeDocks([bench], [430], Qt.Orientation.Vertical)
    bench.pane.flag.setCurrentIndex(bench.pane.flag.findData("obstacle"))
    wait(200)
    y = profile.height() // 2
    drag(profile, QPoint(2 * profile.width() // 3, y), QPoint(3 * profile.width() // 4, y))
    need([n for n in bench.desk.session.edits.notes if n.kind == "obstacle"], "dragging noted no obstacle")
    until(lambda: not bench.desk.works.names, "the grid is processed again")
    bench.desk.move_to(bench.desk.position_m() + 0.2)
    until(lambda: not bench.desk.works.names, "the grid is processed again")
    QTimer.singleShot(500, lambda: (picture(QApplication.activePopupWidget(), "menu"),
                                    QApplication.activePopupWidget().close()))  # fmt: skip
    profile.customContextMenuRequested.emit(QPoint(40, 40))
    picture(bench, "obstacle")


def spot_of(place):
    pixel = iface.mapCanvas().getCoordinateTransform().transform(place)
    return QPoint(round(pixel.x()), round(pixel.y()))


def click(place):
    """Click on the map itself with the mouse."""
    canvas, spot = iface.mapCanvas(), spot_of(place)
    QTest.mouseMove(canvas.viewport(), spot)
    QTest.mouseClick(canvas.viewport(), Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, spot)
    wait(100)


def with_tools(window, extent):
    """Compare colours, go grey and back, mark a grid by clicks, measure it, place a plan."""
    tools, canvas = plugins[NAME].tools, iface.mapCanvas()
    tools.actions["same_colours"].trigger()
    until(lambda: not tools.works.names, "the colours are made the same")
    tools.actions["grey"].trigger()
    canvas.waitWhileRendering()
    picture(window, "grey")
    tools.actions["grey"].trigger()
    need(not tools.actions["grey"].isChecked(), "the maps stayed grey")
    x_min, y_min, x_max, y_max = extent
    places = [QgsPointXY(*at) for at in ((x_min, y_min), (x_max, y_min), (x_max, y_max), (x_min, y_max))]
    tools.actions["corners"].trigger()
    for place in places[:3]:
        click(place)
    QTest.mouseMove(canvas.viewport(), QPoint(canvas.width() // 2, canvas.height() // 3))
    picture(window, "corners")
    need(len(tools.corners.points) == 3, "the clicks gave no corners")

    def answer():
        dialog = QApplication.activeModalWidget()
        picture(dialog, "grid_name")
        dialog.layers.setCurrentIndex(dialog.layers.count() - 1)
        dialog.accept()

    QTimer.singleShot(500, answer)
    click(places[3])
    tools.actions["corners"].trigger()
    tools.actions["measure"].trigger()
    tools.measuring.length.setValue(y_max - y_min)
    tools.measuring.width.setValue(x_max - x_min + 0.3)
    picture(tools.measuring, "measure")
    tools.measuring.close()
    place_plan(tools, places)


def place_plan(tools, places):
    """Draw a plan, and place it by two points clicked on the image and on the map."""
    canvas = iface.mapCanvas()
    image = QImage(300, 300, QImage.Format.Format_RGB32)
    image.fill(QColor("#f4f1e6"))
    painter = QPainter(image)
    painter.setPen(QPen(QColor("#8a4b1d"), 4))
    painter.drawEllipse(60, 80, 120, 90)
    painter.drawLine(20, 280, 280, 200)
    painter.end()
    folder = Path(tempfile.mkdtemp())
    image.save(str(folder / "plan.png"))
    tools.actions["plan_image"].trigger()
    tools.plan.file.setFilePath(str(folder / "plan.png"))
    tools.plan.image.waitWhileRendering()
    for spot, place in (((0, 300), places[0]), ((300, 0), places[2])):
        tools.plan.image_tool.clicked.emit(tools.plan._on_image(*spot))
        click(place)
    need(len(tools.plan.pairs) == 2, "the clicks gave no points")
    wait(500)
    picture(tools.plan, "plan_points")
    tools.plan.place()
    canvas.waitWhileRendering()
    wait(500)
    need(QgsProject.instance().mapLayersByName("plan_placed"), tools.plan.message.text())
    tools.plan.close()
    picture(iface.mainWindow(), "plan_placed")
    shutil.rmtree(folder, ignore_errors=True)


def again(window):
    """Unload, load and unload: nothing stays behind."""
    before = len(iface.mapCanvas().scene().items())
    unloadPlugin(NAME)
    wait(300)
    need(window.findChild(QDockWidget, "TurnrowWorkbench") is None, "the dock stayed")
    need(len(iface.mapCanvas().scene().items()) <= before, "something stayed on the map")
    need(loadPlugin(NAME) and startPlugin(NAME), "the plugin does not load again")
    plugins[NAME].action.trigger()
    wait(300)
    need(window.findChild(QDockWidget, "TurnrowWorkbench") is not None, "no dock after loading again")
    unloadPlugin(NAME)
    wait(300)
    need(window.findChild(QDockWidget, "TurnrowWorkbench") is None, "the dock stayed the second time")


def go():
    code = 0
    try:
        sys.excepthook = told
        window = iface.mainWindow()
        window.resize(1500, 950)
        if THEME:
            QgsApplication.setUITheme(THEME)
        need(NAME in plugins, "the plugin is not loaded")
        late = [m for m in sys.modules if m.startswith((f"{NAME}.plugin.workbench", f"{NAME}.plugin.co"))]
        need(not late, f"imported at start: {late}")
        plugins[NAME].action.trigger()
        bench = plugins[NAME].workbench
        window.resizeDocks([bench], [430], Qt.Orientation.Vertical)
        look(bench)
        pointer_on_map(bench)
        change(bench)
        ends_with_a_question(bench)
        with_tools(window, bench.desk.session.extent(bench.desk.grid))
        for widget in QApplication.topLevelWidgets():
            need(not (widget.isVisible() and widget.isModal()), f"a dialog is in the way: {widget.windowTitle()}")
        again(window)
        need(not FAULTS, f"{len(FAULTS)} faults in slots")
    except Exception:
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    (OUT / "rc").write_text(str(code))
    QgsProject.instance().setDirty(False)
    # A clean end may ask about layers that were not saved; the profile is a throw-away one.
    os._exit(code)


faulthandler.enable()
faulthandler.dump_traceback_later(60)  # a hang shows in the log
QTimer.singleShot(2000, go)
