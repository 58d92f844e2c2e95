"""Findings: what disagrees, where, and what to do about it."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields
from typing import Optional

SEVERITIES = ("error", "warning", "note")


@dataclass(frozen=True)
class Finding:
    """One disagreement, as a person reads it in the findings table.

    Attributes
    ----------
    severity : str
        ``error`` (readings cannot be used or are in the wrong place), ``warning`` (look at it) or ``note``.
    code : str
        Stable word for programs, such as ``line-missing``.
    found, expected, advice : str
        Sentences or values: what is there, what should be there, what to do.
    grid : str
        Name of the grid; empty when the finding concerns the whole file or survey.
    line, run : int or None
        Recorded number of the traverse and its recording; None when the finding is not about one line.
    walk_again : bool
        True when the ground must be walked again to mend it.
    """

    severity: str
    code: str
    found: str
    expected: str = ""
    advice: str = ""
    grid: str = ""
    line: Optional[int] = None
    run: Optional[int] = None
    walk_again: bool = False

    def __post_init__(self) -> None:
        if self.severity not in SEVERITIES:
            raise ValueError(f"Invalid severity {self.severity!r}. It must be one of {SEVERITIES}.")

    def sentence(self) -> str:
        """Return the finding as text for a log: where, what, what to do."""
        where = f"grid {self.grid}" if self.grid else ""
        if self.line is not None:
            where += f"{', ' if where else ''}line {self.line}"
            if self.run not in (None, 1):
                where += f" (recording {self.run})"
        expected = f" Expected: {self.expected}." if self.expected else ""
        return f"{where[:1].upper() + where[1:] + ': ' if where else ''}{self.found}{expected} {self.advice}".strip()


FIELDS = ("grid", "line", "run", "severity", "code", "found", "expected", "advice", "walk_again")


def finding_rows(findings: list[Finding]) -> list[tuple]:
    """Return the findings as rows in the order of ``FIELDS``; ``walk_again`` as 0 or 1."""
    order = [[f.name for f in fields(Finding)].index(name) for name in FIELDS]
    rows = []
    for finding in findings:
        values = astuple(finding)
        row = [values[i] for i in order]
        row[-1] = int(row[-1])
        rows.append(tuple(row))
    return rows


def walk_again_count(findings: list[Finding]) -> int:
    """Return how many different traverses must be walked again (a finding without a line counts once a grid)."""
    return len({(f.grid, f.line) for f in findings if f.walk_again})
