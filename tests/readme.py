"""README's table of the algorithms, written from their summaries: ``/usr/bin/python3 tests/readme.py``.

A test holds the table against the provider, so that a new algorithm is not forgotten there.
"""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from typing import Iterable

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
HEAD = "| algorithm | does |\n|---|---|\n"


def table(algorithms: Iterable) -> str:
    """Return the table, a row an algorithm, in the order of the provider."""
    return HEAD + "".join(f"| *{algorithm.LABEL}* | {algorithm.SUMMARY} |\n" for algorithm in algorithms)


def with_table(text: str, algorithms: Iterable) -> str:
    """Return the text of the README with the table in the place of the one it has."""
    rows = re.compile(re.escape(HEAD) + r"(\|.*\n)*")
    return rows.sub(lambda _: table(algorithms), text, count=1)


def main() -> None:
    """Write the table into the README."""
    spec = importlib.util.spec_from_file_location(
        "turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    sys.modules["turnrow"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules["turnrow"])
    from turnrow.processing_provider.provider import ALGORITHMS

    README.write_text(with_table(README.read_text("utf-8"), ALGORITHMS), "utf-8")


if __name__ == "__main__":
    main()
