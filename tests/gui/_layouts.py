"""The layout of a log, seen from toolbox and workbench; a log of a million rows keeps no window waiting."""

import numpy as np
from _desktop import (
    NAME,
    OUT,
    SURVEY,
    TABLES,
    Heartbeat,
    answer_next,
    fresh_project,
    need,
    open_dialog,
    picture,
    shut,
    until,
    wait,
)
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QDialog, QPushButton
from qgis.utils import iface, plugins

ROWS, STATIONS = 1_000_000, 500


def read(dialog):
    """Wait until the log is read."""
    until(lambda: not dialog.works.names, "the log is read")
    wait(100)


def choose(dialog, index, role):
    head = dialog.table.head_row.heads[index]
    head.roles.setCurrentIndex(head.roles.findData(role))
    head.roles.activated.emit(head.roles.currentIndex())
    read(dialog)


def look(dialog):
    """Look at a log that is understood, with another role, and with a layout that cannot read it."""
    read(dialog)
    need("readings in" in dialog.said.toPlainText(), dialog.said.toPlainText())
    need(len(dialog.sketch.traverses) > 10, "no lines are drawn")
    picture(dialog, "layout")
    choose(dialog, 1, "")
    need("no stations" in dialog.said.toPlainText(), dialog.said.toPlainText())
    picture(dialog, "layout_no_stations")
    choose(dialog, 3, "")
    need("At least one column must be a channel" in dialog.said.toPlainText(), dialog.said.toPlainText())
    need(not dialog.save_button.isEnabled(), "a layout that cannot read can be kept")
    picture(dialog, "layout_refused")
    dialog.table.head_row.heads[3].roles.showPopup()
    wait(300)
    picture(dialog.table.head_row.heads[3].roles.view(), "layout_roles")
    dialog.table.head_row.heads[3].roles.hidePopup()
    dialog.reject()


def several(dialog):
    """A log of several grids and many columns."""
    read(dialog)
    picture(dialog, "layout_grids")
    dialog.reject()


def in_toolbox():
    """The button of the algorithm's dialog."""
    for log, do in (("plot_a.csv", look), ("second_day.csv", several)):
        dialog = open_dialog("turnrow:readlog", {"LOG": [str(TABLES / "logs" / log)]})
        picture(dialog, "layout_parameter")
        wanted = [b for b in dialog.findChildren(QPushButton) if b.text() == "See the layout ..."]
        need(len(wanted) == 1 and wanted[0].isEnabled(), "the dialog has no button for the layout")
        answered = answer_next(QDialog, do)
        wanted[0].click()
        need(len(answered) == 1, "the layout was not shown")
        shut(dialog)


def large():
    """Write a log of a million rows, open it, and change a role while it is being read."""
    path = OUT / "large.csv"
    line = np.arange(ROWS) // STATIONS + 1
    station = np.arange(ROWS) % STATIONS
    station = np.where(line % 2, station, STATIONS - 1 - station)
    with path.open("w") as file:
        file.write("line,station,time_s,cond (mS/m)\n")
        for start in range(0, ROWS, 100_000):
            part = slice(start, start + 100_000)
            rows = zip(line[part].tolist(), station[part].tolist(), range(start, start + 100_000))
            file.writelines(f"{a},{b},{t / 8:.3f},{10 + b % 13}.5\n" for a, b, t in rows)

    def change(dialog):
        with Heartbeat() as beat:
            wait(500)
            choose(dialog, 2, "mark")
            choose(dialog, 2, "time")
        picture(dialog, "layout_large")
        need("1000000 readings" in dialog.said.toPlainText(), dialog.said.toPlainText())
        dialog.reject()
        beat.report("a log of a million rows is read")

    dialog = open_dialog("turnrow:readlog", {"LOG": [str(path)]})
    answered = answer_next(QDialog, change)
    next(b for b in dialog.findChildren(QPushButton) if b.text() == "See the layout ...").click()
    need(len(answered) == 1, "the layout was not shown")
    shut(dialog)
    path.unlink()


def in_workbench():
    """The button of the workbench."""
    plugins[NAME].action.trigger()
    bench = plugins[NAME].workbench
    iface.mainWindow().resizeDocks([bench], [430], Qt.Orientation.Vertical)
    bench.desk.open_folder(SURVEY)
    until(lambda: bench.desk.session is not None, "the survey opens")
    wait(500)
    bench.desk.choose_grid(bench.desk.session.grids[-1])
    picture(bench, "layout_button")

    def see(dialog):
        read(dialog)
        picture(dialog, "layout_in_workbench")
        dialog.reject()

    answered = answer_next(QDialog, see)
    bench.buttons["layout"].trigger()
    need(len(answered) == 1, "the layout was not shown")
    # The maps of the survey come when they are made, and go with the project.
    until(lambda: not bench.desk.works.names, "the survey is shown")
    wait(500)
    plugins[NAME].action.trigger()
    fresh_project()


def layouts():
    """Look at layouts."""
    in_toolbox()
    large()
    in_workbench()
