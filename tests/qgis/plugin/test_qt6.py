"""Every name of Qt that the code uses is one of PyQt6, and every enum of Qt and QGIS is given with its class.

QGIS 4 runs on Qt 6. What PyQt6 offers was asked of PyQt6 itself (``tests/qt6/names.py``, which writes ``names.json``).
"""

import ast
import enum
import importlib
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
QT6 = json.loads((ROOT / "tests" / "qt6" / "names.json").read_text("utf-8"))
# Classes that qgis.PyQt offers where PyQt5 had them, though Qt 6 moved them.
MOVED = {"QAction", "QActionGroup", "QShortcut", "QUndoStack"}
# Made by qgis.PyQt itself for both.
OWN = {"pyqtSignal", "pyqtSlot", "QVariant"}
# Names that only some versions have, used where a look at the object has shown them.
LOOKED_FOR = {"localPos", "Silent"}


def files():
    return [ROOT / "__init__.py", *sorted((ROOT / "plugin").rglob("*.py")),
            *sorted((ROOT / "processing_provider").rglob("*.py"))]  # fmt: skip


def chains(tree, names):
    """Yield (line, name, attributes) of every attribute of one of some names: ``Qt.Key.Key_Up`` has two."""
    inner = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and id(node) not in inner:
            attributes, root = [], node
            while isinstance(root, ast.Attribute):
                attributes.insert(0, root.attr)
                root = root.value
            if isinstance(root, ast.Name) and root.id in names:
                yield node.lineno, root.id, attributes


def imported(tree, package):
    """Return {name in the file: (module, name)} and lines that import a Qt of their own."""
    names, wrong = {}, []
    for node in ast.walk(tree):
        modules = [node.module or ""] if isinstance(node, ast.ImportFrom) and not node.level else []
        modules += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        wrong += [node.lineno for m in modules if m.split(".")[0] in ("PyQt5", "PyQt6", "PySide2", "PySide6", "sip")]
        if isinstance(node, ast.ImportFrom) and modules and modules[0].startswith(package):
            names.update({alias.asname or alias.name: (modules[0], alias.name) for alias in node.names})
    return names, wrong


def members(name):
    """Return the names of a class of PyQt6 with those of its bases, and its enums likewise."""
    kinds = [QT6["classes"][name], *(QT6["classes"][base] for base in QT6["classes"][name]["bases"])]
    own = {n for kind in kinds for n in kind["names"]} | {"staticMetaObject"}
    return own, {n: values for kind in reversed(kinds) for n, values in kind["enums"].items()}


def qt_faults(text):
    """Return what of a source PyQt6 does not have, as (line, words)."""
    tree = ast.parse(text)
    names, wrong = imported(tree, "qgis.PyQt")
    faults = [(line, "Qt not through qgis.PyQt") for line in wrong]
    classes = {}
    for own, (module, name) in names.items():
        if name in OWN or module == "qgis.PyQt":
            continue
        kind = QT6["classes"].get(name)
        if kind is None or (kind["module"] != module.rsplit(".")[-1] and name not in MOVED):
            faults.append((0, f"{module} has no {name}: not in PyQt6, or run tests/qt6/names.py"))
        else:
            classes[own] = name
    for line, own, (first, *more) in chains(tree, classes):
        known, enums = members(classes[own])
        if first not in known or (first in enums and more and more[0] not in enums[first]):
            faults.append((line, ".".join([own, first, *more])))
    faults += [(node.lineno, node.attr) for node in ast.walk(tree) if isinstance(node, ast.Attribute)
               and node.attr in QT6["gone"] and node.attr not in LOOKED_FOR]  # fmt: skip
    return faults


def qgis_faults(text):
    """Return what of a source this QGIS does not have, and members of enums without their class, as (line, words)."""
    tree, faults = ast.parse(text), []
    known = {own: (module, name) for own, (module, name) in imported(tree, "qgis.")[0].items()
             if module in ("qgis.core", "qgis.gui")}  # fmt: skip
    names = {own: getattr(importlib.import_module(module), name, None) for own, (module, name) in known.items()}
    for line, own, attributes in chains(tree, names):
        holder = names[own]
        for attribute in attributes:
            value = getattr(holder, attribute, None)
            if value is None:
                faults += [] if attribute in LOOKED_FOR else [(line, ".".join([own, *attributes]))]
                break
            is_enum = isinstance(value, enum.Enum) or type(type(value)).__name__ == "enumtype"
            if is_enum and not (isinstance(holder, enum.EnumMeta) or type(holder).__name__ == "enumtype"):
                faults.append((line, f"{own}.{'.'.join(attributes)} without the class of the enum"))
            if not isinstance(value, type):
                break
            holder = value
    return faults


@pytest.mark.parametrize("check", [qt_faults, qgis_faults])
def test_code_uses_no_name_that_is_missing(qgis_app, check):
    found = [f"{path.relative_to(ROOT)}:{line}: {words}" for path in files()
             for line, words in check(path.read_text("utf-8"))]  # fmt: skip
    assert found == []


@pytest.mark.parametrize(
    "use",
    ["Qt.AlignLeft", "Qt.AlignmentFlag.AlignNowhere", "Qt.mightBeRichText('')", "QAction.exec_", "QFont.Bold",
     "QLabel().exec_()", "QMouseEvent.posF"],
)  # fmt: skip
def test_names_that_pyqt6_has_not_are_found(use):
    head = ("from qgis.PyQt.QtCore import Qt\nfrom qgis.PyQt.QtGui import QFont, QMouseEvent\n"
            "from qgis.PyQt.QtWidgets import QAction, QLabel\n")  # fmt: skip
    assert qt_faults(head + "Qt.AlignmentFlag.AlignLeft\nQFont.Weight.Bold\nQLabel.setText\nQLabel.deleteLater\n") == []
    assert [line for line, _ in qt_faults(head + use)][:1] == [4]


@pytest.mark.parametrize(
    "line",
    ["from qgis.PyQt.QtCore import QRegExp", "from qgis.PyQt.QtWidgets import QDesktopWidget", "import PyQt5.QtCore",
     "from PyQt6 import QtGui", "from qgis.PyQt.QtGui import QLabel"],
)  # fmt: skip
def test_imports_that_pyqt6_has_not_are_found(line):
    assert len(qt_faults(line)) == 1


@pytest.mark.parametrize("use", ["QgsWkbTypes.Point", "Qgis.Warning", "QgsWkbTypes.Type.Pint", "QgsTask.CanCancel"])
def test_enums_of_qgis_without_their_class_are_found(qgis_app, use):
    head = "from qgis.core import Qgis, QgsTask, QgsWkbTypes\n"
    assert qgis_faults(head + "QgsWkbTypes.Type.Point\nQgis.MessageLevel.Warning\nQgsTask.Flag.CanCancel\n") == []
    assert [line for line, _ in qgis_faults(head + use)] == [2]
