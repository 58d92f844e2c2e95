"""From rows of tables to the sources of a survey: what is named, and what is used all the same."""

from __future__ import annotations

import pytest
from turnrow.processing_provider.engine.workflow.sources import gather_sources

LOCAL = {"start": (0, 0), "baseline": (10, 0), "opposite": (10, 10), "head": (0, 10)}
OTHER_END = {"start": "baseline", "baseline": "start", "opposite": "head", "head": "opposite"}


def sources(folder, mirrored=(), notes=()):
    """Sources of grids A, B and C side by side; the baseline of some was walked from its other end."""
    register, corners = [], []
    for k, grid in enumerate("ABC"):
        (folder / f"{grid}.csv").write_text("line,station,eca\n1,1,10\n")
        register.append({"grid": grid, "log": f"{grid}.csv", "length_m": 10, "width_m": 10, "spacing_m": 1,
                         "readings_per_m": 8})  # fmt: skip
        for name, (u, v) in LOCAL.items():
            name = OTHER_END[name] if grid in mirrored else name
            corners.append({"grid": grid, "corner": name, "x": 500000 + 10 * k + u, "y": 6000000 + v})
    return gather_sources(register, corners, notes, folder)


@pytest.mark.parametrize(("mirrored", "named"), [("", ""), ("B", "B"), ("AC", "AC"), ("ABC", "")])
def test_grids_mirrored_where_others_are_not_are_measured(tmp_path, mirrored, named):
    findings = sources(tmp_path, mirrored).findings
    assert [(f.code, f.grid, f.severity, f.action) for f in findings] == [
        ("mirrored", grid, "warning", "measure") for grid in named
    ]


def test_bad_rows_of_the_notes_leave_the_others(tmp_path):
    found = sources(tmp_path, notes=[{"grid": "A", "line": "x"}, {"grid": "A", "line": "1"}])
    assert [(f.code, f.grid) for f in found.findings] == [("note-unreadable", "A")]
    assert [note.line for note in found.notes] == [1]
    assert len(found.grids) == 3
