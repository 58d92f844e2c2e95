"""What findings ask a person to do: which lines to walk again, what to measure, what to look up, in one sentence."""

from __future__ import annotations

from typing import Iterable, Optional, Sequence

from ..core import ACTIONS, Code, Finding

WHY_WORDS = 8
"""Most words of a reason. Common practice, no source: a column of 34 mm holds them in two rows of 8 points."""
SHORT_WHY = {
    Code.LINE_COPIED: "It holds the readings of another line.",
    Code.READINGS_LOST: "Readings were lost on the way.",
    Code.LINE_SKIPPED: "A line was left out: bare ground.",
    Code.VALUES_MISSING: "No values on a long stretch.",
}
"""Reasons where the first sentence of a finding is longer than ``WHY_WORDS``."""


def first_sentence(findings: Iterable[Finding], not_checked: Sequence[str] = ()) -> str:
    """Return what to do, the lines by name, such as "Walk again: A 7, A 12. Measure: B 10. Ask: B 9.".

    A line is named once, where the most is to be done for it. ``not_checked`` are grids that could not be read.
    """
    asked = by_action(f for f in findings if f.grid not in not_checked)
    parts = []
    for action, word in (("walk", "Walk again"), ("measure", "Measure"), ("ask", "Ask")):
        names = [" ".join(filter(None, (grid, "" if line is None else str(line)))) for grid, line in asked[action]]
        if names:
            parts.append(f"{word}: {', '.join(name or 'the survey' for name in names)}.")
    if not asked["walk"]:
        parts.insert(0, "Nothing to walk again" + (" in what could be read." if not_checked else "."))
    if not_checked:
        parts.append(f"Not checked: {', '.join(not_checked)}.")
    return " ".join(parts)


def by_action(findings: Iterable[Finding]) -> dict[str, dict[tuple[str, Optional[int]], list[Finding]]]:
    """Return findings by action and (grid, line); a line stands once, under the first of walk, measure and ask."""
    asked: dict[str, dict[tuple[str, Optional[int]], list[Finding]]] = {action: {} for action in ACTIONS if action}
    for finding in sorted(findings, key=lambda f: (f.grid, -1 if f.line is None else f.line)):
        if finding.action:
            asked[finding.action].setdefault((finding.grid, finding.line), []).append(finding)
    for key in [*asked["walk"], *asked["measure"]]:
        asked["ask"].pop(key, None)
    for key in asked["walk"]:
        asked["measure"].pop(key, None)
    return asked


def why_of(finding: Finding) -> str:
    """Return the reason in at most ``WHY_WORDS`` words: the first sentence of what was found, or a short form of it."""
    sentence = finding.found.split(". ")[0].split(" (")[0].rstrip(".")
    words = sentence.split()
    if len(words) <= WHY_WORDS:
        return sentence + "."
    short = SHORT_WHY.get(Code.of(finding.code))
    return short or " ".join(words[:WHY_WORDS]) + " ..."
