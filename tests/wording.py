"""What people read of a finding: first what to do, in few words that agree with its action; the evidence follows."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from typing import Optional

WORDS = 12
"""Most words of the first sentence of an advice."""
VERBS = {"walk": "Walk", "measure": "Measure", "ask": "Ask"}
"""First word of an advice by its action; an advice without action begins with none of them."""


def first_sentence(advice: str) -> str:
    """Return the first sentence of an advice; a full stop inside a number or a file name ends none."""
    return re.split(r"[.!?](?:\s|$)", advice, maxsplit=1)[0]


def fault_of(advice: str, action: str) -> str:
    """Return what is wrong with the first words of an advice; empty when nothing is."""
    words = first_sentence(advice).split()
    if not words:
        return "no advice"
    if len(words) > WORDS:
        return f"{len(words)} words before the first full stop: {advice}"
    said = next((name for name, verb in VERBS.items() if words[0] == verb), "")
    return f"action {action!r} and first word {words[0]!r}: {advice}" if said != action else ""


def written(source: str) -> Iterator[tuple[int, str]]:
    """Yield (row, advice as written) of each advice in a module, with one word in place of what is filled in.

    An advice is what a name ``advice`` is given, and what stands third in a call of ``finding``.
    """
    for node in ast.walk(ast.parse(source)):
        given: list[Optional[ast.AST]] = []
        if isinstance(node, ast.Assign) and any(getattr(name, "id", "") == "advice" for name in node.targets):
            given = [node.value]
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "finding":
            named = isinstance(node.func.value, ast.Attribute) or getattr(node.func.value, "id", "") == "code"
            given = list(node.args[2:3] if named else node.args[4:5])
        for value in given:
            text = _text(value)
            # A sentence of its own may stand in the place of the first word: it is written elsewhere.
            if text and not re.match(r"X [A-Z]", text):
                yield node.lineno, text


def _text(node: Optional[ast.AST]) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(part) or "X" for part in node.values)
    return ""
