"""The plugin in a window of the test run, an open survey, and what a hand does there."""

import time
from types import SimpleNamespace

import numpy as np
import pytest
from qgis.core import QgsApplication, QgsCoordinateReferenceSystem
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QPointF, Qt
from qgis.PyQt.QtGui import QMouseEvent
from turnrow.plugin.workbench.opening import Tables, open_tables

from ..conftest import CRS

LEFT, NONE = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


def tables_of(files):
    crs = QgsCoordinateReferenceSystem(CRS)
    return Tables(files.register, files.corners, files.notes, files.folder, crs)


def opened(files):
    return open_tables(tables_of(files)).read()


def hover(widget, place, held=LEFT):
    """Move the mouse; Qt 5's own helper moves the cursor of the screen, which a window without a screen may miss."""
    event = QMouseEvent(
        QEvent.Type.MouseMove, QPointF(place), QPointF(widget.mapToGlobal(place)), Qt.MouseButton.NoButton, held, NONE
    )  # fmt: skip
    QCoreApplication.sendEvent(widget, event)


def line_rows(table, line):
    return np.flatnonzero(table.line == line)


def until(true, seconds=20):
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            pytest.fail("waited in vain")
        QgsApplication.processEvents()
        time.sleep(0.01)


@pytest.fixture(autouse=True)
def profile(tmp_path_factory, monkeypatch):
    """A profile of its own, where changes that no recipe keeps are written aside."""
    folder = tmp_path_factory.mktemp("profile")
    monkeypatch.setattr(QgsApplication, "qgisSettingsDirPath", lambda: str(folder))
    return folder


@pytest.fixture
def plugin(qgis_iface, qgis_new_project):
    from turnrow import classFactory

    made = classFactory(SimpleIface(qgis_iface))
    made.initGui()
    yield made
    made.unload()


class SimpleIface:
    """The window of the test run, with menus and docks that can be counted."""

    def __init__(self, iface):
        self._iface, self.menu, self.icons, self.docks = iface, [], [], []
        self.said, self.blockers = [], []

    def mainWindow(self):  # noqa: N802 (names fixed by QGIS from here on)
        return self._iface.mainWindow()

    def mapCanvas(self):  # noqa: N802
        return self._iface.mapCanvas()

    def messageBar(self):  # noqa: N802
        return SimpleNamespace(pushMessage=lambda *words: self.said.append(words[1]))

    def addPluginToMenu(self, menu, action):  # noqa: N802
        self.menu.append(action)

    def removePluginMenu(self, menu, action):  # noqa: N802
        self.menu.remove(action)

    def addToolBarIcon(self, action):  # noqa: N802
        self.icons.append(action)

    def removeToolBarIcon(self, action):  # noqa: N802
        self.icons.remove(action)

    def addToolBar(self, title):  # noqa: N802
        return self.mainWindow().addToolBar(title)

    def registerApplicationExitBlocker(self, blocker):  # noqa: N802
        self.blockers.append(blocker)

    def unregisterApplicationExitBlocker(self, blocker):  # noqa: N802
        self.blockers.remove(blocker)

    def addDockWidget(self, area, dock):  # noqa: N802
        self.docks.append(dock)

    def removeDockWidget(self, dock):  # noqa: N802
        self.docks.remove(dock)


@pytest.fixture
def bench(plugin, survey_files):
    plugin.action.trigger()
    plugin.workbench.desk.open_register(tables_of(survey_files))
    until(lambda: plugin.workbench.desk.session is not None)
    plugin.workbench.resize(1200, 400)
    return plugin.workbench


def idle(bench):
    until(lambda: not bench.desk.works.names)
