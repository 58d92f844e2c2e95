"""The engine stands on numpy and scipy alone, and starting the plugin needs neither scipy nor matplotlib."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ENGINE = ROOT / "processing_provider" / "engine"
MODULES = sorted(".".join(p.relative_to(ROOT).with_suffix("").parts) for p in ENGINE.rglob("*.py"))
BLOCK = """
import importlib, importlib.util, sys

sys.modules.update(dict.fromkeys({blocked}))  # a module that is None cannot be imported
spec = importlib.util.spec_from_file_location("turnrow", r"{root}/__init__.py", submodule_search_locations=[r"{root}"])
sys.modules["turnrow"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["turnrow"])
"""


def run(code: str, blocked: set) -> None:
    script = BLOCK.format(blocked=blocked, root=ROOT) + code
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]


def test_engine_imports_without_qgis_gdal_and_qt():
    names = ", ".join(repr(f"turnrow.{m}") for m in MODULES)
    assert len(MODULES) > 90
    run(f"for name in ({names},): importlib.import_module(name)", {"qgis", "osgeo", "PyQt5", "PyQt6", "matplotlib"})


def test_the_block_works():
    with pytest.raises(AssertionError, match="import of qgis halted"):
        run("import qgis", {"qgis"})


def test_plugin_starts_without_scipy_and_matplotlib():
    code = """
from qgis.core import QgsApplication
application = QgsApplication([], False)
application.initQgis()
plugin = sys.modules["turnrow"].classFactory(None)
plugin.initProcessing()
assert len(plugin.provider.algorithms()) >= 8, "algorithms are missing"
done, sentence = plugin.provider.algorithm("readlog").canExecute()
assert not done and "scipy" in sentence, sentence
plugin.unload()
application.exitQgis()
"""
    run(code, {"scipy", "matplotlib"})


def test_pytest_needs_no_screen():
    """Qt ends a program that finds none, and pytest-qgis starts Qt before any conftest.py is read."""
    screens = ("QT_QPA_PLATFORM", "DISPLAY", "WAYLAND_DISPLAY")
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", str(Path(__file__).with_name("test_house.py"))]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT,
                          env={name: said for name, said in os.environ.items() if name not in screens})  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
