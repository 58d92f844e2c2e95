"""From rows of tables to the sources of a survey: what is named, and what is used all the same."""

from __future__ import annotations

import pytest
from turnrow.processing_provider.engine.core import Code
from turnrow.processing_provider.engine.workflow.sources import gather_sources

LOCAL = {"start": (0, 0), "baseline": (10, 0), "opposite": (10, 10), "head": (0, 10)}


def sources(folder, notes=(), more_corners=(), **changes):
    """Sources of grids A, B and C side by side."""
    register, corners = [], []
    for k, grid in enumerate("ABC"):
        (folder / f"{grid}.csv").write_text("line,station,eca\n1,1,10\n")
        register.append({"grid": grid, "log": f"{grid}.csv", "length_m": 10, "width_m": 10, "spacing_m": 1,
                         "readings_per_m": 8, **(changes if grid == "A" else {})})  # fmt: skip
        for name, (u, v) in LOCAL.items():
            corners.append({"grid": grid, "corner": name, "x": 500000 + 10 * k + u, "y": 6000000 + v})
    return gather_sources(register, [*corners, *more_corners], notes, folder)


def test_bad_rows_of_the_notes_leave_the_others(tmp_path):
    found = sources(tmp_path, notes=[{"grid": "A", "line": "x"}, {"grid": "A", "line": "1"}])
    assert [(f.code, f.grid) for f in found.findings] == [("note-unreadable", "A")]
    assert [note.line for note in found.notes] == [1]
    assert len(found.grids) == 3


@pytest.mark.parametrize("row", [{"kind": "voied"}, {"kind": "reset", "start_station": "half-way"}], ids=str)
def test_a_row_that_may_be_a_void_or_reset_is_kept_for_its_line(tmp_path, row):
    found = sources(tmp_path, notes=[{"grid": "A", "line": "3", **row}])
    assert [(f.code, f.severity, f.grid) for f in found.findings] == [("note-unreadable", "error", "A")]
    assert [(n.grid, n.line, n.kind) for n in found.notes] == [("A", 3, "unreadable")]


def test_bad_rows_of_the_corners_leave_the_others(tmp_path):
    bad = [
        {"grid": "B", "corner": "middle", "x": 500000, "y": 6000000},
        {"grid": "C", "corner": "start", "x": 1, "y": 2},
    ]
    found = sources(tmp_path, more_corners=bad)
    assert [(f.code, f.grid) for f in found.findings] == [("corner-unreadable", "B"), ("corner-unreadable", "C")]
    assert [len(source.corners) for source in found.grids] == [4, 4, 3]


@pytest.mark.parametrize(
    "change",
    [{"length_m": 1e9}, {"first_offset_m": 11},
     {"spacing_m": 1e-9}, {"spacing_m": 0.01, "width_m": 1000}, {"readings_per_m": 400000},
     {"first_line": 1e300}, {"line_step": "1e15"}, {"first_station": "nan"}, {"length_m": "\u00bd"},
     {"sensor_ahead_m": 1e6}, {"log": "x" * 5000}, {"log": "a\x00b"}, {"layout": "y" * 5000}, {"width_m": 2**70}],
    ids=str,
)  # fmt: skip
def test_a_value_that_cannot_be_ends_its_grid_alone(tmp_path, change):
    found = sources(tmp_path, **change)
    assert [(f.code, f.grid) for f in found.findings] == [("grid-failed", "A")]
    assert "register, row 2" in found.findings[0].found
    assert [source.entry.scheme.grid for source in found.grids] == ["B", "C"]


@pytest.mark.parametrize("text", ["[" * 100_000, '{"columns": 1e999}', "[1", "9" * 5000], ids=lambda text: text[:8])
def test_a_layout_that_is_none_ends_its_grid_alone(tmp_path, text):
    (tmp_path / "layout.json").write_text(text)
    found = sources(tmp_path, layout="layout.json")
    assert [(f.code, f.grid) for f in found.findings] == [("grid-failed", "A")]
    assert "layout.json" in found.findings[0].found


def test_names_of_grids_in_other_capitals_are_those_of_the_register(tmp_path):
    corner = {"grid": " b", "corner": "start", "x": 1, "y": 2}
    found = sources(tmp_path, notes=[{"grid": "a ", "line": 3}, {"grid": "b", "line": 4}], more_corners=[corner])
    assert [note.grid for note in found.notes] == ["A", "B"]
    # B has its start twice, under two spellings.
    assert [(f.code, f.grid) for f in found.findings] == [("corner-unreadable", "B")]


def test_corners_in_degrees_are_no_site_outside_its_crs(tmp_path):
    outside = Code.CRS_AREA.finding("The site lies at 1.49° W.", "", "Ask the books for the CRS of the coordinates.")
    register = [dict(grid="A", log="a.csv", length_m=10, width_m=10, spacing_m=1, readings_per_m=8)]
    (tmp_path / "a.csv").write_text("line,station,cond\n")
    places = {"start": (3.0, 54.0), "baseline": (3.00015, 54.0), "head": (3.0, 54.00009)}
    for factor, said in ((1, []), (1e5, ["crs-area"])):
        corners = [{"grid": "A", "corner": n, "x": x * factor, "y": y * factor} for n, (x, y) in places.items()]
        found = gather_sources(register, corners, [], tmp_path, [outside])
        assert [f.code for f in found.findings] == said
