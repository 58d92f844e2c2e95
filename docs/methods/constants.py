"""Brings the tables of constants up to date: python docs/methods/constants.py. A test holds the values.

A row names a module of the engine and one or more of its constants, their values, and what they are and where they come
from. The last is the docstring below the constant, where that says its source; else it is left as it is.
"""

from __future__ import annotations

import ast
import importlib
import importlib.util
import re
import sys
from pathlib import Path
from typing import Iterator

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
ENGINE = ROOT / "processing_provider" / "engine"
ROW = re.compile(r"^\| `(?P<module>[\w/]+\.py)`(?P<names>(?: `[\w.]+`)+) \| (?P<value>[^|]*) \| (?P<text>[^|]*) \|$")
SAYS = re.compile(r"Source:|Derived:|Common practice, no source|Found by", re.IGNORECASE)


def module_of(name: str) -> object:
    """Return a module of the engine by its path below it, such as ``align/lag.py``."""
    if "turnrow" not in sys.modules:
        found = importlib.util.spec_from_file_location(
            "turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
        )
        sys.modules["turnrow"] = importlib.util.module_from_spec(found)
        found.loader.exec_module(sys.modules["turnrow"])
    return importlib.import_module("turnrow.processing_provider.engine." + name[:-3].replace("/", "."))


def value_of(module: str, name: str) -> str:
    """Return the value of a constant as a page shows it; ``CARRIED.ends_m`` is a field of one."""
    value = module_of(module)
    for part in name.split("."):
        value = getattr(value, part)
    many = value if hasattr(value, "__len__") and not isinstance(value, str) else [value]
    return ", ".join(f"{one:g}" if isinstance(one, (int, float)) else str(one) for one in many)


def said_of(module: str, name: str) -> str:
    """Return the docstring below a constant on one line, empty where it has none."""
    body = ast.parse((ENGINE / module).read_text(encoding="utf-8")).body
    for node, after in zip(body, body[1:]):
        names = {e.id for e in ast.walk(node) if isinstance(e, ast.Name) and isinstance(e.ctx, ast.Store)}
        if name.split(".")[0] in names and isinstance(node, (ast.Assign, ast.AnnAssign)):
            documented = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            return " ".join(str(after.value.value).split()).replace("``", "`").replace("|", "/") if documented else ""
    return ""


def rows_of(text: str) -> Iterator[tuple[str, list[str], str]]:
    """Yield module, names and values as written of every row of a page."""
    for line in text.splitlines():
        row = ROW.match(line)
        if row:
            yield row["module"], re.findall(r"`([\w.]+)`", row["names"]), row["value"]


def refreshed(text: str) -> str:
    """Return a page with values, and sources where the code states them, as they are."""
    lines = []
    for line in text.splitlines():
        row = ROW.match(line)
        if row:
            names = re.findall(r"`([\w.]+)`", row["names"])
            said = said_of(row["module"], names[0])
            value = "; ".join(value_of(row["module"], name) for name in names)
            shown = said if SAYS.search(said) else row["text"]
            line = f"| `{row['module']}`{row['names']} | {value} | {shown} |"
        lines.append(line)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for page in sorted(HERE.glob("*.md")):
        page.write_text(refreshed(page.read_text(encoding="utf-8")), encoding="utf-8")
