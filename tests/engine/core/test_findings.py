"""The table of findings is the only place that knows codes and severities, and all of it is used."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Mapping, Optional

import pytest
from turnrow.processing_provider.engine.core.findings import (
    ACTIONS,
    FIELDS,
    SEVERITIES,
    WALK_AGAIN,
    Code,
    Finding,
    finding_rows,
    walk_again_count,
)
from turnrow.tests.wording import WORDS, fault_of, first_sentence, written

ROOT = Path(__file__).resolve().parents[3]
TABLE = "processing_provider/engine/core/findings.py"


class Makers(ast.NodeVisitor):
    """Looks for code that makes findings past the table; notes which rows are made, and as which severities."""

    def __init__(self):
        self.faults: list[str] = []
        self.made: dict[str, set[str]] = {}

    def visit_Attribute(self, node):
        if name := _row(node):
            self.made.setdefault(name, set())
            if name not in Code.__members__:
                self.faults.append(f"line {node.lineno}: the table has no {name}")
        if node.attr != "word":  # ``Code.X.word`` asks for a code, and makes none.
            self.generic_visit(node)

    def visit_Compare(self, node):
        sides = [node.left, *node.comparators]
        if any(getattr(side, "attr", "") == "code" for side in sides):
            words = [n.value for side in sides for n in ast.walk(side) if isinstance(n, ast.Constant)]
            self.faults += [f"line {node.lineno}: {w!r} is not asked for by the table" for w in words]
        self.generic_visit(node)

    def visit_Call(self, node):
        named = {k.arg: k.value for k in node.keywords}
        called = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if called == "Finding" or (called == "replace" and {"code", "severity"} & set(named)):
            self.faults.append(f"line {node.lineno}: a finding is made past the table")
        rows = [_row(n) for n in (getattr(node.func, "value", None), *node.args[:2])]
        for name in filter(None, rows if called in ("finding", "as_code") else ()):
            self.made.setdefault(name, set()).update(_words(named.get("severity"), name))
        self.generic_visit(node)


def _row(node: Optional[ast.AST]) -> str:
    """Return X of ``Code.X``, else nothing."""
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "Code":
        return "" if node.attr == "of" else node.attr
    return ""


def _words(severity: Optional[ast.AST], name: str) -> set[str]:
    """Return the severities that a call may give: a word, or one of two; the table's first where it gives none."""
    if severity is None:
        return {Code[name].severities[0]} if name in Code.__members__ else set()
    parts = [severity.body, severity.orelse] if isinstance(severity, ast.IfExp) else [severity]
    return {part.value if isinstance(part, ast.Constant) else ast.dump(part) for part in parts}


def sources() -> dict[str, str]:
    """Return the text of every module of the plugin by its path."""
    paths = [path for folder in ("plugin", "processing_provider") for path in (ROOT / folder).rglob("*.py")]
    return {path.relative_to(ROOT).as_posix(): path.read_text("utf-8") for path in paths}


def faults(files: Mapping[str, str]) -> list[str]:
    """Return what is wrong with the findings that these files make, ``TABLE`` left aside."""
    found, made = [], {}
    for file, text in files.items():
        if file != TABLE:
            makers = Makers()
            makers.visit(ast.parse(text))
            found += [f"{file}, {fault}" for fault in makers.faults]
            for name, severities in makers.made.items():
                made.setdefault(name, set()).update(severities)
    found += [f"{code.name} is never made" for code in Code if code.name not in made]
    for code in Code:
        severities = made.get(code.name, set())
        if severities - set(code.severities) or (len(code.severities) > 1 and severities != set(code.severities)):
            found.append(f"{code.name} is made as {sorted(severities)}, but the table says {code.severities}")
    return found


def test_findings_are_made_by_the_table_alone():
    assert faults(sources()) == []


@pytest.mark.parametrize(
    ("planted", "complaint"),
    [
        ('Finding("error", "line-missing", "Gone.")', "past the table"),
        ('replace(finding, code="line-long")', "past the table"),
        ("Code.LINE_LOST.finding('Lost.')", "no LINE_LOST"),
        ("log.finding(Code.PACE, None, 'Slow.', severity='error')", "PACE is made as"),
        ("log.finding(Code.PACE, None, 'Slow.', severity='note' if slow else 'error')", "PACE is made as"),
        ("log.finding(Code.PACE, None, 'Slow.', severity=severity)", "PACE is made as"),
        ('done = [f for f in findings if f.code == "pace"]', "'pace' is not asked for by the table"),
        ('done = [f for f in findings if f.code in ("pace", "marks")]', "'marks' is not asked for by the table"),
    ],
)
def test_other_ways_are_noticed(planted, complaint):
    found = faults({**sources(), "plugin/planted.py": planted})
    assert any(complaint in fault for fault in found), found


def test_a_row_that_nobody_makes_is_noticed():
    files = {f: t for f, t in sources().items() if "Code.LINE_ORDER" not in t}
    assert "LINE_ORDER is never made" in faults({**files, "plugin/asks.py": "f.code == Code.LINE_ORDER.word"})


def test_the_table_says_all_of_each_code():
    assert len({code.word for code in Code}) == len(Code)
    for code in Code:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code.word)
        assert code.name == code.word.upper().replace("-", "_")
        assert code.severities
        assert set(code.severities) <= set(SEVERITIES)
        assert sorted(code.severities, key=SEVERITIES.index) == list(code.severities)
        assert code.walk_again in WALK_AGAIN
        assert set(code.actions) <= set(ACTIONS)
        assert len(set(code.actions)) == len(code.actions) > 0
        assert code.meaning.endswith(".")
        assert Code.of(code.word) is code


def test_a_code_severity_or_walk_that_the_table_lacks_is_refused():
    with pytest.raises(ValueError, match="Invalid code 'line-lost'"):
        Finding("error", "line-lost", "Lost.")
    with pytest.raises(ValueError, match="Invalid severity 'note' of line-missing"):
        Code.LINE_MISSING.finding("Gone.", severity="note")
    with pytest.raises(ValueError, match="Invalid action 'walk' of pace"):
        Code.PACE.finding("Slow.", action="walk")
    with pytest.raises(ValueError, match="Invalid action '' of line-missing"):
        Code.LINE_MISSING.finding("Gone.", action="")


def test_a_row_gives_severity_and_walk():
    missing = Code.LINE_MISSING.finding("The line is not in the log.", "a recording", "Walk it.", grid="A", line=7)
    assert missing == Finding(
        "error", "line-missing", "The line is not in the log.", "a recording", "Walk it.", "A", 7, None, "walk"
    )
    jump = Code.STATION_JUMP.finding("The station jumps.", severity="note", action="")
    assert (jump.severity, jump.walk_again) == ("note", False)
    row = dict(zip(FIELDS, finding_rows([missing])[0]))
    assert (row["walk_again"], row["action"]) == (1, "walk")
    assert FIELDS[-1] == "action"  # Programs that read the columns of before by number go on.


@pytest.mark.parametrize(
    ("advice", "action"),
    [
        ("Walk line 7 again.", "walk"),
        ("Ask the books whether length_m is right.", "ask"),
        ("Leave it.", ""),
        ("", ""),
    ],
)
def test_the_action_is_what_the_advice_begins_with(advice, action):
    finding = Code.VALUES_MISSING.finding("No values.", advice=advice)
    assert (finding.action, finding.walk_again) == (action, action == "walk")


def test_where_the_table_has_not_what_the_advice_begins_with_its_usual_action_stands(monkeypatch):
    monkeypatch.setattr(Finding, "__post_init__", lambda self: None)  # Tests refuse such an advice (``conftest.py``).
    assert Code.VALUES_MISSING.finding("No values.", advice="Measure where it lies.").action == "walk"


def test_an_accepted_proposal_keeps_the_walk_and_no_other_action():
    lost = Code.READINGS_LOST.finding("Lost.", line=3)
    turned = Code.LINE_REVERSED.finding("Turned.", line=3)
    assert lost.as_code(Code.PROPOSAL_ACCEPTED, "Walk line 3 again.").action == "walk"
    assert turned.as_code(Code.PROPOSAL_ACCEPTED, "Look at it.").action == ""


def test_people_read_what_to_do_first():
    finding = Code.LINE_TWICE.finding(
        "It is there twice.", "one recording", "Ask which one counts.", grid="A", line=7, run=2
    )
    assert finding.sentence() == (
        "Grid A, line 7 (recording 2): Ask which one counts. It is there twice. Expected: one recording."
    )
    assert Code.WRONG_LOG.finding("The log has no readings.").sentence() == "The log has no readings."
    assert Code.PACE.finding("Slow.", line=3, run=1).where == "Line 3"


def test_the_most_urgent_come_first():
    note = Code.MIRRORED.finding("Mirrored.", grid="A")
    error = Code.DIRECTION.finding("Turned.", grid="A", line=1)
    walks = [Code.LINE_MISSING.finding("Gone.", grid=grid, line=line) for grid, line in (("A", 9), ("A", 10), ("B", 2))]
    mended = Code.PROPOSAL_ACCEPTED.finding("Void.", grid="A", line=4, action="walk")
    right = [*walks, mended, error, note]
    assert sorted(reversed(right), key=lambda f: f.urgency) == right
    assert walk_again_count([*right, walks[0]]) == 4


def test_every_advice_says_first_what_to_do_in_few_words():
    """As written in the code; ``conftest.py`` holds every finding that a test brings about to the same, filled in."""
    advices = [(path, row, text) for path, source in sources().items() for row, text in written(source)]
    assert len(advices) > 60
    long = [f"{path}:{row}: {text}" for path, row, text in advices if len(first_sentence(text).split()) > WORDS]
    assert not long


@pytest.mark.parametrize(
    ("advice", "action", "fault"),
    [
        ("Walk line 7 again, at 3.25 m along the baseline. It is bare.", "walk", ""),
        ("Ask the books which of A.csv and B.csv is this grid's log. Then correct it.", "ask", ""),
        ("Leave it.", "", ""),
        ("Check the log.", "ask", "first word 'Check'"),
        ("Walk line 7 again.", "", "first word 'Walk'"),
        ("One two three four five six seven eight nine ten eleven twelve thirteen. Fourteen.", "", "13 words"),
        ("", "", "no advice"),
    ],
)
def test_first_words_of_an_advice(advice, action, fault):
    found = fault_of(advice, action)
    assert fault in found
    assert bool(fault) == bool(found)
