"""Nothing stays behind when the plugin is unloaded, whatever of it was used."""

import gc
from collections import Counter

from _desktop import NAME, SURVEY, answer_next, fresh_project, let_delete, need, picture, until, wait
from _workbench import left_behind
from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QObject, QTimer
from qgis.PyQt.QtWidgets import QDockWidget, QMessageBox, QToolBar, QWidget
from qgis.utils import iface, loadPlugin, plugins, startPlugin, unloadPlugin

KINDS = (QDockWidget, QToolBar)


def belongings():
    """What a plugin can add to the desktop, as sets of names and counts."""
    window, canvas = iface.mainWindow(), iface.mapCanvas()
    found = {kind.__name__: sorted(_name(o) for o in window.findChildren(kind) if _name(o)) for kind in KINDS}
    found["menus"] = sorted(_shown(window.menuBar()))
    found["buttons"] = sorted(text for bar in window.findChildren(QToolBar) for text in _shown(bar))
    found["providers"] = sorted(p.id() for p in QgsApplication.processingRegistry().providers())
    found["windows"] = sorted(_name(w) for w in QgsApplication.topLevelWidgets() if w.isVisible())
    found["items on the map"] = len(canvas.scene().items())
    found["map tool"] = type(canvas.mapTool()).__name__
    found["tasks"] = QgsApplication.taskManager().countActiveTasks()
    return found


def _name(thing):
    return f"{thing.objectName()} {thing.windowTitle()}".strip()


def _shown(place):
    """The texts that a person finds in a menu or a toolbar; QGIS keeps a menu that has become empty, out of sight."""
    for action in place.actions():
        yield action.text()
        if action.menu() is not None:
            yield from _shown(action.menu())


def of_the_plugin():
    """The plugin's own Qt objects that have not been deleted, and timers that run and call into it."""
    from qgis.PyQt import sip

    gc.collect()
    found = [o for o in gc.get_objects() if isinstance(o, QObject) and not sip.isdeleted(o)]
    own = [o for o in found if type(o).__module__.startswith(f"{NAME}.")]
    return sorted(type(o).__name__ for o in own), sum(isinstance(o, QTimer) and o.isActive() for o in found)


def use():
    """Open everything that the plugin can open."""
    tools = plugins[NAME].tools
    plugins[NAME].action.trigger()
    bench = plugins[NAME].workbench
    if left_behind():
        answer_next(QMessageBox, lambda box: box.button(QMessageBox.StandardButton.Yes).click())
    bench.desk.open_folder(SURVEY)
    until(lambda: bench.desk.session is not None, "the survey opens")
    wait(300)
    bench.desk.choose_grid(bench.desk.session.grids[2])
    bench.buttons["pick"].trigger()
    tools.actions["corners"].trigger()
    tools.actions["measure"].trigger()
    tools.actions["plan_image"].trigger()
    tools.actions["same_colours"].trigger()
    until(lambda: not tools.works.names, "the colours are made the same")
    need(iface.mainWindow().findChild(QWidget, "TurnrowWorkbench") is not None, "no workbench")


def leaves_nothing():
    """Unload, note what is there, load and use, unload: the same is there. Then once more."""
    fresh_project()
    iface.actionPan().trigger()
    unloadPlugin(NAME)
    let_delete()
    before, timers = belongings(), of_the_plugin()[1]
    for _ in range(2):
        need(loadPlugin(NAME) and startPlugin(NAME), "the plugin does not load again")
        need(belongings() != before, "the plugin added nothing")
        use()
        unloadPlugin(NAME)
        fresh_project()
        iface.messageBar().clearWidgets()
        iface.actionPan().trigger()
        let_delete()
        until(lambda: QgsApplication.taskManager().countActiveTasks() == before["tasks"], "the plugin's work ends")
        after = belongings()
        for what, there in before.items():
            need(after[what] == there, f"{what} after unloading: {_difference(there, after[what])}")
        own, running = of_the_plugin()
        need(not own, f"objects of the plugin live on: {own}")
        need(running <= timers, f"{running - timers} timers run on")
    picture(iface.mainWindow(), "unloaded")


def _difference(before, after):
    if not isinstance(before, list):
        return f"{after} instead of {before}"
    more, less = Counter(after) - Counter(before), Counter(before) - Counter(after)
    return f"more: {sorted(more.elements())}, less: {sorted(less.elements())}"
