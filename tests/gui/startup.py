"""Run inside the desktop by ``run.sh``: tries everything a person does there, and takes pictures.

Environment: GUI_OUT (folder for pictures, figures and ``rc``), GUI_SURVEY (folder of a processed survey), GUI_THEME
(optional), GUI_PARTS (names of ``PARTS``; empty = all). The script is run before the event loop is idle, so everything
is put on a timer.
"""

import faulthandler
import os
import sys
import traceback

from _desktop import FAULTS, NAME, OUT, THEME, fresh_project, need, report_fault, say
from _dialogs import dialogs
from _layouts import layouts
from _leaving import leaves_nothing
from _map_tools import with_tools
from _models import models
from _sheets import sheets
from _speed import edits
from _styles import styles
from _workbench import change, ends_with_a_question, look, pointer_on_map
from qgis.core import QgsApplication, QgsProject
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtWidgets import QApplication
from qgis.utils import iface, plugin_times, plugins

AT_START = {"main", "texts", "map_tools", "map_tools.actions", "map_tools.grey_mark"}
"""Modules of ``plugin/`` that menu and tool bar need."""


def starts():
    """The plugin is there, and has loaded nothing that is not needed yet."""
    need(NAME in plugins, "the plugin is not loaded")
    inside = f"{NAME}.plugin."
    late = [m for m in sys.modules if m.startswith(inside) and m[len(inside) :] not in AT_START]
    need(not late, f"imported at start: {late}")
    say(f"load of the plugin, as QGIS measures it: {plugin_times[NAME]}")


def workbench():
    """The workbench and the map tools."""
    window = iface.mainWindow()
    plugins[NAME].action.trigger()
    bench = plugins[NAME].workbench
    window.resizeDocks([bench], [430], Qt.Orientation.Vertical)
    look(bench)
    pointer_on_map(bench)
    change(bench)
    ends_with_a_question(bench)
    edits(bench)
    with_tools(window, bench.desk.session.extent(bench.desk.grid))
    # Or the next part that opens this survey would be asked whether to take the changes up.
    bench.desk.forget_aside()
    plugins[NAME].action.trigger()
    fresh_project()


PARTS = {f.__name__: f for f in (workbench, dialogs, layouts, styles, sheets, models, leaves_nothing)}


def go():
    code = 0
    try:
        sys.excepthook = report_fault
        iface.mainWindow().resize(1500, 950)
        if THEME:
            QgsApplication.setUITheme(THEME)
        starts()
        for name in os.environ.get("GUI_PARTS", "").split() or PARTS:
            PARTS[name]()
            for widget in QApplication.topLevelWidgets():
                need(not (widget.isVisible() and widget.isModal()), f"a dialog is in the way: {widget.windowTitle()}")
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
faulthandler.dump_traceback_later(150, repeat=True)  # a hang shows in the log
QTimer.singleShot(2000, go)
