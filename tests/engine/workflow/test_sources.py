"""From rows of tables to the sources of a survey: what is named, and what is used all the same."""

from __future__ import annotations

from turnrow.processing_provider.engine.workflow.sources import gather_sources

LOCAL = {"start": (0, 0), "baseline": (10, 0), "opposite": (10, 10), "head": (0, 10)}


def sources(folder, notes=()):
    """Sources of grids A, B and C side by side."""
    register, corners = [], []
    for k, grid in enumerate("ABC"):
        (folder / f"{grid}.csv").write_text("line,station,eca\n1,1,10\n")
        register.append({"grid": grid, "log": f"{grid}.csv", "length_m": 10, "width_m": 10, "spacing_m": 1,
                         "readings_per_m": 8})  # fmt: skip
        for name, (u, v) in LOCAL.items():
            corners.append({"grid": grid, "corner": name, "x": 500000 + 10 * k + u, "y": 6000000 + v})
    return gather_sources(register, corners, notes, folder)


def test_bad_rows_of_the_notes_leave_the_others(tmp_path):
    found = sources(tmp_path, notes=[{"grid": "A", "line": "x"}, {"grid": "A", "line": "1"}])
    assert [(f.code, f.grid) for f in found.findings] == [("note-unreadable", "A")]
    assert [note.line for note in found.notes] == [1]
    assert len(found.grids) == 3
