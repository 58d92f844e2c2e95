"""The workbench as a person uses it: a survey is opened, looked at and changed, and QGIS asks before it ends."""

from pathlib import Path

from _desktop import OUT, SURVEY, click, drag, hover, need, picture, spot_of, until, wait
from qgis.core import QgsApplication, QgsPointXY, QgsProject
from qgis.PyQt.QtCore import QPoint, Qt, QTimer
from qgis.PyQt.QtWidgets import QApplication, QMessageBox
from qgis.utils import iface


def left_behind():
    """Changes by hand that no recipe keeps: they are offered when the survey is opened again."""
    return list(Path(QgsApplication.qgisSettingsDirPath()).glob("turnrow/unsaved_*.json"))


def look(bench):
    """Open the survey, look at a line and at a whole grid."""
    # The desktop of the run before this one ended without a word, so what was changed there is offered now.
    before, offered = left_behind(), []

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
    need(len(offered) == len(before), f"{len(before)} changes were left behind, {len(offered)} offered")
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
    places = bench.desk.positions(key)
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


def change(bench):
    """Flag readings with the mouse, make a line void, take it back."""
    grid = bench.desk.grid
    bench.desk.choose_lines(keys(bench, grid)[8:9])
    bench.pane.profile.parent().setFocus()
    bench.pane.modes.actions()[1].trigger()
    profile = bench.pane.profile
    wait(200)
    y = profile.height() // 2
    drag(profile, QPoint(profile.width() // 3, y), QPoint(profile.width() // 2, y), "choosing")
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


def ends_with_a_question(bench):
    """QGIS asks on its way out by the menu and by the window, and stays on Cancel."""
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
