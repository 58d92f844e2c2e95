"""The plugin in and out of a window."""

import gc
import subprocess
import sys
from pathlib import Path

import pytest
from qgis.core import QgsApplication, QgsProject
from qgis.PyQt.QtCore import QCoreApplication, QEvent
from qgis.PyQt.QtWidgets import QDockWidget

from ..conftest import SimpleIface, idle, tables_of, until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


ROOT = Path(__file__).resolve().parents[4]


def test_unload_leaves_nothing_and_the_plugin_loads_again(qgis_iface, qgis_new_project, survey_files):
    from turnrow import classFactory

    iface = SimpleIface(qgis_iface)
    scene = iface.mapCanvas().scene()
    before, tool = len(scene.items()), iface.mapCanvas().mapTool()
    providers = {p.id() for p in QgsApplication.processingRegistry().providers()}
    for _ in range(2):
        plugin = classFactory(iface)
        plugin.initGui()
        assert (len(iface.menu), len(iface.icons)) == (1 + len(plugin.tools.actions), 1)
        plugin.action.trigger()
        bench = plugin.workbench
        bench.desk.open_register(tables_of(survey_files))
        until(lambda bench=bench: bench.desk.session is not None)
        bench.pane.profile.point_at(5)
        bench.buttons["pick"].trigger()
        bench.desk.set_kind("void")
        idle(bench)
        folder = bench.link._folder
        assert folder.is_dir()
        bench.desk.turn()
        plugin.unload()
        del plugin, bench
        gc.collect()
        QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
        until(lambda: QgsApplication.taskManager().countActiveTasks() == 0)
        assert (iface.menu, iface.icons, iface.docks, iface.blockers) == ([], [], [], [])
        assert iface.mainWindow().findChild(QDockWidget, "TurnrowWorkbench") is None
        assert len(scene.items()) == before
        assert iface.mapCanvas().mapTool() is tool
        assert not folder.exists()
        assert QgsProject.instance().mapLayers() == {}
        assert {p.id() for p in QgsApplication.processingRegistry().providers()} == providers


def test_action_follows_the_dock(plugin):
    plugin.iface.mainWindow().show()
    plugin.action.trigger()
    assert plugin.action.isChecked()
    assert plugin.workbench.isVisible()
    plugin.workbench.close()
    assert not plugin.action.isChecked()


def test_start_of_the_plugin_imports_no_engine_and_no_numpy():
    code = (
        "import sys, importlib.util as u, qgis.core, qgis.PyQt.QtWidgets;"
        "before = set(sys.modules);"  # newer releases of QGIS import numpy themselves
        f"r = {str(ROOT)!r};"
        "s = u.spec_from_file_location('turnrow', r + '/__init__.py', submodule_search_locations=[r]);"
        "m = u.module_from_spec(s); sys.modules['turnrow'] = m; s.loader.exec_module(m);"
        "m.classFactory(None);"
        "new = set(sys.modules) - before;"
        "print([n for n in new if n in ('numpy', 'scipy', 'osgeo') or '.engine' in n or '.bridge' in n])"
    )
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert printed.stdout.strip() == "[]"
