"""Measures of a grid from its corners."""

from __future__ import annotations

import math

import numpy as np
import pytest
from qgis.core import QgsProject
from turnrow.plugin.map_tools.corner_check import DIAGONAL, RESIDUAL, SIDE, measure
from turnrow.plugin.map_tools.corner_check_dialog import MeasureDialog
from turnrow.plugin.map_tools.corner_layers import add_grid, grid_names, new_corner_layer, size_of

from .conftest import ERRORS_M, RESIDUALS_M, SIDE_M, SQUARE, corners, crs, on_map, points, size_table

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


def of_kind(found, kind):
    return [one for one in found.lengths if one.kind == kind]


def test_good_square_measures_what_geometry_says():
    found = measure(corners(SQUARE), (SIDE_M, SIDE_M))
    assert [one.measured_m for one in of_kind(found, SIDE)] == pytest.approx([20.0] * 4, abs=1e-6)
    assert [one.measured_m for one in of_kind(found, DIAGONAL)] == pytest.approx([28.284271] * 2, abs=1e-6)
    assert [one.measured_m for one in of_kind(found, RESIDUAL)] == pytest.approx([0.0] * 4, abs=1e-6)
    assert found.start_deg == pytest.approx(90.0, abs=1e-5)
    assert not any(one.bad for one in found.lengths)
    assert found.sentences == ("Sides and diagonals agree with the size of the grid to 0.10 m.",)


@pytest.mark.parametrize(
    ("side", "diagonal"), [(10, 14.1421), (20, 28.2843), (30, 42.4264), (50, 70.7107), (100, 141.4214)]
)
def test_diagonals_of_squares(side, diagonal):
    # The diagonals that surveyors carry in their heads: side times the square root of two.
    places = [(5e5, 5e6), (5e5 + side, 5e6), (5e5 + side, 5e6 + side), (5e5, 5e6 + side)]
    for one in of_kind(measure(corners(places), (side, side)), DIAGONAL):
        assert one.measured_m == pytest.approx(diagonal, abs=1e-4)
        assert one.expected_m == pytest.approx(diagonal, abs=1e-4)


def test_residuals_of_corners_with_errors():
    found = measure(corners(np.add(SQUARE, ERRORS_M)), (SIDE_M, SIDE_M))
    lengths = [one.measured_m for one in of_kind(found, RESIDUAL)]
    assert lengths == pytest.approx(np.hypot(*RESIDUALS_M.T).tolist(), abs=1e-6)


def test_diagonal_too_long_by_a_tenth_reports_the_angle():
    # Law of cosines: cos(angle) = (20^2 + 20^2 - d^2) / (2 * 20 * 20) with d = 28.284 + 0.100 m: 90.404759 degrees.
    angle = math.radians(90.404759)
    places = [(5e5, 5e6), (5e5 + 20, 5e6), (5e5 + 20 * math.cos(angle), 5e6 + 20 * math.sin(angle))]
    found = measure(corners(places, ("start", "baseline", "head")), (SIDE_M, SIDE_M))
    assert found.start_deg == pytest.approx(90.404759, abs=1e-6)
    (diagonal,) = of_kind(found, DIAGONAL)
    assert diagonal.measured_m == pytest.approx(28.384, abs=1e-6)


def test_corner_that_stands_out_is_named():
    places = list(SQUARE)
    places[2] = on_map(SIDE_M + 0.3, SIDE_M + 0.25)
    found = measure(corners(places), (SIDE_M, SIDE_M))
    assert {one.corners for one in found.lengths if one.bad and one.kind != RESIDUAL} == {
        ("baseline", "opposite"), ("opposite", "head"), ("start", "opposite"),
    }  # fmt: skip
    assert "Measure the corner opposite again: all of these meet there." in found.sentences


def test_swapped_corners_and_unknown_size_are_reported():
    swapped = [SQUARE[1], SQUARE[0], SQUARE[2], SQUARE[3]]
    assert any("are swapped" in text for text in measure(corners(swapped), (SIDE_M, SIDE_M)).sentences)
    found = measure(corners(SQUARE))
    assert found.sentences == ("Give length and width to hold the corners against them.",)
    assert [one.off_m for one in found.lengths] == [None] * 6


def test_dialog_takes_the_size_from_the_register_and_shows_red():
    layer = new_corner_layer(crs())
    bad = [*SQUARE[:3], (SQUARE[3][0] - 0.3, SQUARE[3][1])]
    add_grid(layer, "A", points(SQUARE), crs())
    add_grid(layer, "B", points(bad), crs())
    register = size_table("B")
    project = QgsProject.instance()
    project.addMapLayers([layer, register])
    assert size_of(project, "B") == (20.0, 20.0)
    assert size_of(project, "A") is None
    assert grid_names(layer) == ["A", "B"]
    dialog = MeasureDialog(project, layer.id(), "B")
    cells = [[dialog.table.item(row, column) for column in range(4)] for row in range(dialog.table.rowCount())]
    texts = {row[0].text(): [cell.text() for cell in row[1:]] for row in cells}
    assert texts["Side start to baseline"] == ["20.000 m", "20.000 m", "+0.000 m"]
    bold = {row[0].text() for row in cells if row[0].font().bold()}
    assert "Side opposite to head" in bold
    assert "Side start to baseline" not in bold
    assert "head" in dialog.message.text()
    dialog.grids.setCurrentIndex(0)
    dialog.grids.activated.emit(0)
    assert not any(dialog.table.item(row, 0).font().bold() for row in range(dialog.table.rowCount()))


def test_dialog_without_corners_says_what_to_do():
    dialog = MeasureDialog(QgsProject.instance())
    assert dialog.message.text() == "The project holds no corners yet. Mark the corners of a grid first."
