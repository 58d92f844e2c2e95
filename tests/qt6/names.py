"""Writes what PyQt6 offers of the classes that the plugin uses: /usr/bin/python3 tests/qt6/names.py [VERSION].

Installs PyQt6 from the Python package index into a folder of its own, looks at its classes, and at those of the PyQt5
that runs this, and writes ``names.json``: the version; for each class of ``qgis.PyQt`` that the plugin imports, and for
those that it is derived from, its bases, its own names and its enums; and the names of these classes in PyQt5 that no
class of PyQt6 has, ``gone``. ``tests/qgis/plugin/test_qt6.py`` holds the code against that. Needs PyQt5 and a network.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import tempfile
import venv
from pathlib import Path
from typing import Iterator

ROOT, NAMES = Path(__file__).resolve().parents[2], Path(__file__).with_name("names.json")
MODULES = ("QtCore", "QtGui", "QtWidgets", "QtXml")
LOOK = """
import importlib, json, sys
found = {}
for module in sys.argv[2:]:
    for name, kind in vars(importlib.import_module(sys.argv[1] + "." + module)).items():
        if isinstance(kind, type):
            enums = {n: sorted(m for m in vars(e) if not m.startswith("_")) for n, e in vars(kind).items()
                     if isinstance(e, type) and "num" in type(e).__name__}
            bases = [base.__name__ for base in kind.__mro__[1:] if base.__module__.startswith(sys.argv[1] + ".Qt")]
            names = sorted(n for n in vars(kind) if not n.startswith("__"))
            found[name] = {"module": module, "bases": bases, "names": names, "enums": enums}
json.dump(found, sys.stdout)
"""


def imports(root: Path = ROOT) -> Iterator[tuple[str, int, str, str]]:
    """Yield (file, line, module, name) of everything that the plugin imports from ``qgis``."""
    for path in [root / "__init__.py", *sorted((root / "plugin").rglob("*.py")),
                 *sorted((root / "processing_provider").rglob("*.py"))]:  # fmt: skip
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("qgis."):
                for alias in node.names:
                    yield path.relative_to(root).as_posix(), node.lineno, str(node.module), alias.name


def look(python: str, package: str) -> dict[str, dict]:
    """Return the classes of PyQt5 or PyQt6 as a Python sees them."""
    command = [python, "-c", LOOK, package, *MODULES]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main(version: str) -> None:
    """Write the list."""
    with tempfile.TemporaryDirectory() as folder:
        venv.create(folder, with_pip=True)
        python = f"{folder}/bin/python"
        wanted = f"PyQt6=={version}" if version else "PyQt6"
        subprocess.run([python, "-m", "pip", "install", "-q", "--disable-pip-version-check", wanted], check=True)
        new = look(python, "PyQt6")
        ask = "from PyQt6.QtCore import PYQT_VERSION_STR as version; print(version)"
        version = subprocess.run([python, "-c", ask], check=True, capture_output=True, text=True).stdout.strip()
    old = look(sys.executable, "PyQt5")
    used = {name for _, _, module, name in imports() if module.startswith("qgis.PyQt.") and name in new}
    used |= {base for name in used for base in new[name]["bases"]}
    left = {n for kind in new.values() for n in (*kind["names"], *sum(kind["enums"].values(), []))}
    gone = sorted({n for name in used & set(old) for n in old[name]["names"] if n[0].islower()} - left)
    source = f"PyQt6 {version} from the Python package index; written by tests/qt6/names.py"
    rows = ",\n".join(f"{json.dumps(name)}: {json.dumps(new[name])}" for name in sorted(used))
    NAMES.write_text(
        f'{{"source": {json.dumps(source)},\n"gone": {json.dumps(gone)},\n"classes": {{\n{rows}}}}}\n', "utf-8"
    )


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "")
