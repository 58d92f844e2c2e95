"""Layers of corners, and names of grids."""

from __future__ import annotations

import pytest
from qgis.core import QgsPointXY, QgsProject
from turnrow.plugin.map_tools.corner_check import SIDE, measure
from turnrow.plugin.map_tools.corner_layers import (
    add_grid,
    check_may_mark,
    corner_layers,
    corners_of,
    names_in_use,
    new_corner_layer,
)
from turnrow.plugin.map_tools.grid_name_dialog import GridDialog, free_name
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry.frame import CORNERS, Corner

from .conftest import NAMES, SIDE_M, SQUARE, SQUARE_CENTRE, UTM32, crs, point_layer, points, size_table

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


def test_map_in_degrees_is_refused_with_the_zone_of_the_place():
    # 0 to 6 degrees east is zone 31: definition of the UTM zones.
    with pytest.raises(EngineError, match=r"counts in degrees.*UTM zone 31 north \(EPSG:32631\)"):
        check_may_mark(crs("EPSG:4326"), QgsPointXY(3.5, 48.0))
    check_may_mark(crs(), QgsPointXY(500000, 5300000))


def test_new_layer_holds_the_corners_by_the_contract(tmp_path):
    layer = new_corner_layer(crs())
    add_grid(layer, "A", points(SQUARE), crs())
    assert not layer.isEditable()
    assert [field.name() for field in layer.fields()] == ["grid", "corner"]
    rows = [(f["grid"], f["corner"], *f.geometry().asPoint()) for f in layer.getFeatures()]
    assert rows == [("A", name, *place) for name, place in zip(NAMES, SQUARE)]
    assert corners_of(layer, "A") == [
        Corner("A", name, *place, f"Corners, grid A, row {n}") for n, (name, place) in enumerate(zip(NAMES, SQUARE), 2)
    ]


def test_corners_come_into_a_layer_of_another_crs(canvas):
    layer = new_corner_layer(crs(UTM32))
    add_grid(layer, "A", points(SQUARE), crs())
    sides = [one for one in measure(corners_of(layer, "A")).lengths if one.kind == SIDE]
    # Farther from the middle of the zone the map is longer: k = k0 (1 + (x / k0)^2 / (2 R^2)), x the distance from the
    # central meridian (Snyder 1987, Map projections, from memory).
    east = layer.extent().center().x() - 500000
    there = 0.9996 * (1 + (east / 0.9996) ** 2 / (2 * 6.371e6**2))
    here = 0.9996 * (1 + ((SQUARE_CENTRE[0] - 500000) / 0.9996) ** 2 / (2 * 6.371e6**2))
    for side in sides:
        assert side.measured_m == pytest.approx(SIDE_M * there / here, rel=2e-3)


def test_grid_of_a_name_that_is_there_is_refused():
    layer = new_corner_layer(crs())
    add_grid(layer, "A", points(SQUARE), crs())
    with pytest.raises(EngineError, match="Grid A has corners in Corners already"):
        add_grid(layer, "A", points(SQUARE), crs())
    assert layer.featureCount() == 4


def test_layer_that_is_being_edited_leaves_the_decision_to_the_person():
    layer = new_corner_layer(crs())
    layer.startEditing()
    add_grid(layer, "A", points(SQUARE[:3]), crs())
    assert layer.isEditable()
    assert layer.featureCount() == 3
    layer.undoStack().undo()
    assert layer.featureCount() == 0


def test_layer_that_takes_nothing_is_reported():
    layer = new_corner_layer(crs())
    layer.setReadOnly(True)
    with pytest.raises(EngineError, match="The layer Corners takes no corners: .*Choose a new layer"):
        add_grid(layer, "A", points(SQUARE), crs())


def test_layer_in_degrees_takes_no_corners():
    layer = new_corner_layer(crs("EPSG:4326"))
    with pytest.raises(EngineError, match="of the layer Corners counts in degrees"):
        add_grid(layer, "A", points(SQUARE), crs())


def test_dialog_offers_a_free_name_and_refuses_a_used_one():
    layer = new_corner_layer(crs())
    add_grid(layer, "A", points(SQUARE), crs())
    QgsProject.instance().addMapLayer(layer)
    point_layer(SQUARE)
    assert corner_layers(QgsProject.instance()) == [layer]
    register = size_table("B")
    QgsProject.instance().addMapLayer(register)
    assert names_in_use(QgsProject.instance()) == {"A", "B"}
    dialog = GridDialog([layer], {"A", "B"}, layer.id())
    assert (dialog.grid(), dialog.layer()) == ("C", layer)
    ok = dialog.buttons.button(dialog.buttons.StandardButton.Ok)
    for name, good in (("A", False), ("", False), ("North field", True)):
        dialog.name.setText(name)
        assert ok.isEnabled() is good
    dialog.name.setText("A")
    dialog.layers.setCurrentIndex(1)
    assert ok.isEnabled()
    assert dialog.layer() is None
    assert free_name([chr(code) for code in range(65, 91)] + ["G27"]) == "G28"


def test_names_of_corners_are_those_of_the_contract():
    assert CORNERS == NAMES
