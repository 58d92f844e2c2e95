"""Writes the table of finding codes into compare.md: python docs/methods/codes.py. A test holds the page against it."""

from __future__ import annotations

import importlib
import importlib.util
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
BEGIN, END = "<!-- codes: written by docs/methods/codes.py -->\n", "<!-- end of codes -->"


def table() -> str:
    """Return the table of every code as Markdown."""
    if "turnrow" not in sys.modules:
        found = importlib.util.spec_from_file_location(
            "turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
        )
        sys.modules["turnrow"] = importlib.util.module_from_spec(found)
        found.loader.exec_module(sys.modules["turnrow"])
    codes = importlib.import_module("turnrow.processing_provider.engine.core.findings").Code
    rows = ["| code | severity | action | what it means |", "|---|---|---|---|"]
    rows += [
        f"| `{c.word}` | {' or '.join(c.severities)} | {' or '.join(a or 'none' for a in c.actions)} | {c.meaning} |"
        for c in codes
    ]
    return "\n".join(rows) + "\n"


def with_table(text: str) -> str:
    """Return the text of the page with the table in its place."""
    before, rest = text.split(BEGIN)
    return before + BEGIN + "\n" + table() + "\n" + END + rest.split(END)[1]


if __name__ == "__main__":
    page = HERE / "compare.md"
    page.write_text(with_table(page.read_text(encoding="utf-8")), encoding="utf-8")
