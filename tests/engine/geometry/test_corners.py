"""Corners from rows of a table, and grids that lie far from the others."""

import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.geometry import (
    Corner,
    Lattice,
    coordinate_columns,
    far_grids,
    parse_corners,
    usable_corners,
)


def test_parse_corners():
    rows = [{"grid": "A", "corner": "Start", "x": "400100,5", "y": 200050}]
    assert parse_corners(rows)[0] == Corner("A", "start", 400100.5, 200050.0, "corners, row 2")


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ({"grid": "A", "corner": "left", "x": 1, "y": 2}, "Invalid corner in corners, row 2: 'left'.*start, baseline"),
        ({"grid": "A", "corner": "start", "x": None, "y": 2}, "No coordinate in corners, row 2"),
        ({"grid": "A", "corner": "start", "x": "east", "y": 2}, "Invalid x in corners, row 2"),
    ],
)
def test_bad_corner_rows_are_named(row, sentence):
    with pytest.raises(EngineError, match=sentence):
        parse_corners([row])


def test_doubled_corner_is_refused():
    row = {"grid": "A", "corner": "start", "x": 1, "y": 2}
    with pytest.raises(EngineError, match="stands twice: corners, row 2 and corners, row 3"):
        parse_corners([row, row])


def test_all_bad_rows_are_named_and_the_others_used():
    right = [{"grid": "A", "corner": name, "x": k, "y": 2 * k} for k, name in enumerate(("start", "baseline", "head"))]
    blank = {"grid": "", "corner": None, "x": " ", "y": "NULL"}
    bad = [{"grid": "A", "corner": "left", "x": 1, "y": 2}, {"grid": "B", "corner": "head", "x": "east", "y": 2}]
    corners, faults = usable_corners([*right[:2], blank, bad[0], right[0], bad[1], right[2]])
    assert [(c.corner, c.where) for c in corners] == [("baseline", "corners, row 3"), ("head", "corners, row 8")]
    assert [(grid, len(sentences)) for grid, sentences in faults.items()] == [("A", 2), ("B", 1)]
    assert "'left'" in faults["A"][0]
    assert "stands twice: corners, row 2 and corners, row 6" in faults["A"][1]
    with pytest.raises(EngineError, match="row 5.*row 6.*row 7"):
        parse_corners([*right[:2], blank, bad[0], right[0], bad[1], right[2]])


def test_table_without_coordinates_is_one_sentence():
    with pytest.raises(EngineError, match=r"No coordinate in corners, row 2.*columns found are: grid, corner\.$"):
        usable_corners([{"grid": "A", "corner": "start"}] * 4)


@pytest.mark.parametrize(
    "names",
    [("x", "y"), ("X", "Y"), ("Easting", "Northing"), ("EASTING (m)", "Northing [m]"), ("easting_m", "northing_m"),
     ("East", "North"), ("E", "N"), ("n ", " e")[::-1]],
)  # fmt: skip
def test_columns_of_easting_and_northing(names):
    row = {"grid": "A", "corner": "start", names[1]: 5300000.5, names[0]: "400100,5"}
    assert coordinate_columns(row) == names
    assert parse_corners([row]) == [Corner("A", "start", 400100.5, 5300000.5, "corners, row 2")]


def test_x_and_y_count_before_other_columns():
    row = {"grid": "A", "corner": "start", "E": 1.0, "N": 2.0, "x": 3.0, "y": 4.0}
    assert parse_corners([row])[0].x == 3.0


def test_missing_coordinates_show_what_was_found():
    with pytest.raises(EngineError, match=r"row 2\. .*x and y, Easting and Northing, or E and N.*found are: grid, cor"):
        parse_corners([{"grid": "A", "corner": "start", "Easting": 1.0}])
    with pytest.raises(EngineError, match="Read as such: E and N"):
        parse_corners([{"grid": "A", "corner": "start", "E": 1.0, "N": ""}])


def grids(**positions):
    return {name: [Corner(name, "start", x, y), Corner(name, "head", x, y + 20)] for name, (x, y) in positions.items()}


def test_grids_of_one_survey_are_no_findings():
    # A chain along a route: each within 5 km of the next, though the ends are 13.5 km from each other.
    assert far_grids(grids(A=(4e5, 5e6), B=(4045e2, 5e6), C=(4090e2, 5e6), D=(4135e2, 5e6))) == []
    assert far_grids({}) == far_grids(grids(A=(4e5, 5e6))) == []
    assert far_grids({**grids(A=(4e5, 5e6)), "B": []}) == []


@pytest.mark.parametrize("far", "ABC")
def test_grid_a_thousand_kilometres_from_the_others_is_named(far):
    positions = {name: (4e5 + 20 * i, 5e6 + 1e6 * (name == far)) for i, name in enumerate("ABC")}
    (finding,) = far_grids(grids(**positions))
    assert (finding.code, finding.severity, finding.action, finding.grid) == ("grid-far", "error", "ask", far)
    assert "1,000 km from grid" in finding.found
    assert "is wrong" not in finding.found


def test_of_two_grids_it_is_said_that_either_may_be_wrong():
    (finding,) = far_grids(grids(A=(4e5, 5e6), B=(4e5, 6e6)))
    assert finding.grid == "B"
    assert "If it is right, grid A is wrong" in finding.found


def test_of_two_grids_the_one_outside_the_area_of_the_crs_is_wrong():
    (finding,) = far_grids(grids(A=(4e5, 5e6), B=(4e5, 6e6)), {"A"})
    assert finding.grid == "A"
    assert "is wrong" not in finding.found


def test_grid_with_exchanged_axes_among_others():
    (finding,) = far_grids(grids(A=(4e5, 5e6), B=(5e6, 4e5 + 20), C=(4e5 + 40, 5e6)))
    assert (finding.code, finding.grid) == ("axes-exchanged", "B")
    assert "easting and northing of grid B" in finding.advice


def test_one_raster_fits_over_two_grids_that_stay():
    """The worst case is the diagonal, at cells of half the common 0.5 m between lines; a lattice too large raises."""
    side = 4990 / 2**0.5
    two = grids(A=(4e5, 5e6), B=(4e5 + side, 5e6 + side))
    assert far_grids(two) == []
    assert Lattice.covering(4e5, 5e6, 4e5 + side + 20, 5e6 + side + 20, 0.25).rows > 14000
