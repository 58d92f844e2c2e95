"""The house stands as its table says: rooms, arrows between them, and the size of what is in them."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ENGINE = "processing_provider/engine"


@pytest.fixture(scope="module")
def house():
    name = "turnrow_tests_house"
    found = importlib.util.spec_from_file_location(name, ROOT / "tests" / "house.py")
    sys.modules[name] = importlib.util.module_from_spec(found)
    found.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@pytest.fixture(scope="module")
def files(house):
    return house.sources()


def test_every_import_keeps_to_the_rule(house, files):
    assert house.faults(files) == []


def test_no_circles(house, files):
    assert house.circles(house.arrows(files)) == []


def test_rooms_and_arrows_of_the_engine(house, files, capsys):
    with capsys.disabled():
        print("\n" + house.report(files).splitlines()[0])
    stages = {file.split("/")[2] for file in files if file.startswith(ENGINE + "/") and file.count("/") == 3}
    assert stages == {*house.MAY_USE, house.WORKFLOW}
    assert len(stages) == 15
    inside = [a for a in house.arrows(files) if all(room.startswith(ENGINE + "/") for room in a)]
    assert 13 <= len(inside) <= house.MOST_ARROWS


def test_no_folder_is_crowded(house, files):
    folders = {}
    for file in files:
        if not file.endswith("__init__.py"):
            folders.setdefault(file.rpartition("/")[0], []).append(file)
    assert {folder: len(those) for folder, those in folders.items() if len(those) > house.MOST_MODULES} == {}


def test_no_file_and_no_function_of_the_engine_is_long(house, files):
    lengths = {file: text.count("\n") for file, text in files.items() if file.startswith(ENGINE)}
    assert {file: n for file, n in lengths.items() if n > house.MOST_LINES} == {}
    assert house.long_functions(files) == []


def test_each_stage_names_what_it_offers(files):
    for file, text in files.items():
        if file.startswith(ENGINE + "/") and file.endswith("__init__.py") and file.count("/") == 3:
            body = ast.parse(text).body
            offered = next(ast.literal_eval(n.value) for n in body if getattr(n, "targets", None))
            taken = [alias.name for n in body if isinstance(n, ast.ImportFrom) for alias in n.names]
            assert sorted(offered) == sorted(taken), file
            assert ast.get_docstring(ast.parse(text)), file


# The rule is shown to bite: small houses with one fault each.

SOUND = {
    "plugin/window.py": "from ..processing_provider.engine.core import Readings\n",
    f"{ENGINE}/core/__init__.py": "from .readings import Readings\n",
    f"{ENGINE}/core/readings.py": "Readings = None\n",
    f"{ENGINE}/place/__init__.py": "from .place import place\n",
    f"{ENGINE}/place/place.py": "from ..core import Readings\nplace = None\n",
}


def test_a_sound_house_has_no_faults(house):
    assert house.faults(SOUND) == []


@pytest.mark.parametrize(
    ("file", "text", "fault"),
    [
        (f"{ENGINE}/place/place.py", "import qgis.core", "the engine imports qgis"),
        (f"{ENGINE}/place/place.py", "from osgeo import gdal", "the engine imports osgeo"),
        ("plugin/window.py", "from osgeo import gdal", "GDAL is for the bridge only"),
        (f"{ENGINE}/place/place.py", "def late():\n    from PyQt5 import QtCore", "the engine imports PyQt5"),
        (f"{ENGINE}/place/place.py", "def late():\n    from ...bridge import cautions", "imports upward"),
        (f"{ENGINE}/core/readings.py", "from ....plugin.window import Window", "imports upward"),
        (f"{ENGINE}/core/readings.py", "from ..place import place", "core may not use place"),
        (f"{ENGINE}/place/place.py", "from ..core.readings import Readings", "past the face"),
        (f"{ENGINE}/place/place.py", "from ..core import readings", "past the face"),
        ("plugin/window.py", "from ..processing_provider.engine.core.readings import Readings", "past the face"),
        (f"{ENGINE}/guesses/guess.py", "", "a folder that no table names"),
        ("plugin/panels/panel.py", "", "a folder that no table names"),
    ],
)
def test_a_fault_is_found(house, file, text, fault):
    found = house.faults({**SOUND, file: text})
    assert len(found) == 1
    assert fault in found[0]


def test_a_circle_is_found(house):
    files = {
        "plugin/one.py": "from .two import b",
        "plugin/two.py": "from .three import c",
        "plugin/three.py": "from .one import a",
    }
    assert house.circles(house.arrows(files)) == [["plugin/one", "plugin/three", "plugin/two"]]
    assert house.circles(house.arrows({**files, "plugin/three.py": ""})) == []


def test_a_long_function_is_found(house):
    body = "\n    ".join(["x = 0"] * 41)
    assert len(house.long_functions({f"{ENGINE}/core/a.py": f"def long():\n    {body}"})) == 1
    doc = "\n    ".join(['"""Say it.', *["more"] * 20, '"""', *["x = 0"] * 38])
    assert house.long_functions({f"{ENGINE}/core/a.py": f"def short():\n    {doc}"}) == []
