"""Constants of the engine that do not say where they come from: ``python tests/constants.py [folder]``.

A constant is a name in capitals at the top of a module whose value has a number in it. The docstring below it says one
of

- ``Source: ...``, a publication or a standard (with ``from memory`` where the text was not seen),
- ``Derived: ...``, how it follows from something else,
- ``Common practice, no source``,
- ``Found by tests/calibration/NAME.py``, a script in the repository that finds it again and prints its spread.
"""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ENGINE = ROOT / "processing_provider" / "engine"
SAYS = re.compile(r"\b(Source:|Derived:|common practice, no source)", re.IGNORECASE)
FOUND = re.compile(r"[Ff]ound by `*(tests/calibration/\w+\.py)")
CONSTANT = re.compile(r"_?[A-Z][A-Z0-9_]*\Z")


def names_of(node: ast.stmt) -> list[str]:
    """Return the names in capitals that a statement gives a value with a number in it."""
    if isinstance(node, ast.Assign):
        targets, value = node.targets, node.value
    elif isinstance(node, ast.AnnAssign) and node.value is not None:
        targets, value = [node.target], node.value
    else:
        return []
    flat = [e for t in targets for e in (t.elts if isinstance(t, ast.Tuple) else [t])]
    names = [e.id for e in flat if isinstance(e, ast.Name) and CONSTANT.match(e.id)]
    numbers = [
        n for n in ast.walk(value) if isinstance(n, ast.Constant) and isinstance(n.value, (int, float, complex))
        and not isinstance(n.value, bool)
    ]  # fmt: skip
    return names if numbers else []


def silent(text: str, root: Path = ROOT) -> list[str]:
    """Return the constants of a module that do not say where they come from, or name a script that is not there."""
    body, found = ast.parse(text).body, []
    for node, after in zip(body, [*body[1:], None]):
        doc = after.value.value if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) else ""
        scripts = FOUND.findall(" ".join(str(doc).split()))
        said = bool(SAYS.search(" ".join(str(doc).split()))) or bool(scripts)
        missing = [script for script in scripts if not (root / script).is_file()]
        found += [f"line {node.lineno}: {name}" for name in names_of(node) if not said or missing]
    return found


def main(folder: str = "") -> None:
    """Print the constants that do not say where they come from."""
    total = 0
    for path in sorted((ENGINE / folder).rglob("*.py")):
        for one in silent(path.read_text("utf-8")):
            print(f"{path.relative_to(ROOT)} {one}")
            total += 1
    print(f"{total} constants without a source")


if __name__ == "__main__":
    main(*sys.argv[1:])
