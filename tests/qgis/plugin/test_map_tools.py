"""What is done on the map: colours of a channel, corners of a grid, its measures, and a plan image."""

from __future__ import annotations

import math
import re
import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsApplication,
    QgsColorRampShader,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsFeature,
    QgsGeometry,
    QgsGradientColorRamp,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.gui import QgsMapCanvas, QgsMapMouseEvent
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QPoint, QSize, Qt
from qgis.PyQt.QtGui import QColor, QKeyEvent
from turnrow.plugin.map_tools.actions import Tools
from turnrow.plugin.map_tools.corner_check import DIAGONAL, RESIDUAL, SIDE, measure
from turnrow.plugin.map_tools.corner_check_dialog import MeasureDialog
from turnrow.plugin.map_tools.corner_layers import (
    add_grid,
    check_may_mark,
    corner_layers,
    corners_of,
    grid_names,
    names_in_use,
    new_corner_layer,
    size_of,
)
from turnrow.plugin.map_tools.corners_tool import CornersTool
from turnrow.plugin.map_tools.grey_mark import is_grey
from turnrow.plugin.map_tools.grid_name_dialog import GridDialog, free_name
from turnrow.plugin.map_tools.plan_dialog import PlanDialog
from turnrow.plugin.map_tools.plan_image import SKEW, TURN, Pair, fit_plan, place_plan
from turnrow.plugin.map_tools.shared_colours import limits_of, set_grey, shared_looks, show_shared, to_share
from turnrow.plugin.map_tools.snapping import PointTool
from turnrow.processing_provider.bridge.raster.geotiff import write_raster
from turnrow.processing_provider.bridge.style.ramps import DIVERGING, QUIET, RAMPS, SEQUENTIAL
from turnrow.processing_provider.bridge.style.renderers import style_raster
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.frame import CORNERS, Corner
from turnrow.processing_provider.engine.geometry.lattice import Lattice

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")
UTM31, UTM32 = "EPSG:32631", "EPSG:32632"
NAMES = ("start", "baseline", "opposite", "head")
SIDE_M = 20.0
# A 20 m square turned by +30 degrees: geometry, x = x0 + u cos 30 - v sin 30, y = y0 + u sin 30 + v cos 30.
SQUARE = ((400100.0, 200050.0), (400117.320508, 200060.0), (400107.320508, 200077.320508), (400090.0, 200067.320508))
SQUARE_CENTRE = (400103.660254, 200063.660254)
# Errors of the corners, and the residuals that a similarity leaves of them: computed from the closed formula for four
# parameters (a = sum(ux + vy) / sum(u^2 + v^2), b = sum(uy - vx) / the same) by hand.
ERRORS_M = np.array([(20, -10), (-10, 30), (0, -20), (-30, 10)]) / 1000
RESIDUALS_M = np.array([(-15, 10), (7.5, -17.5), (-15, 25), (22.5, -17.5)]) / 1000
SKEW_RESIDUAL_M = math.hypot(0.015, 0.0175)


def crs(name=UTM31):
    return QgsCoordinateReferenceSystem(name)


def corners(places, names=NAMES):
    return [Corner("A", name, *place) for name, place in zip(names, places)]


def points(places):
    return [QgsPointXY(*place) for place in places]


def point_layer(places, crs_name=UTM31):
    layer = QgsVectorLayer(f"Point?crs={crs_name}&field=peg:integer", "Pegs", "memory")
    for number, place in enumerate(places):
        feature = QgsFeature(layer.fields())
        feature.setAttributes([number])
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(*place)))
        layer.dataProvider().addFeature(feature)
    QgsProject.instance().addMapLayer(layer)
    return layer


def size_table(grid):
    table = QgsVectorLayer("None?field=grid:string&field=length_m:double&field=width_m:double", "Register", "memory")
    row = QgsFeature(table.fields())
    row.setAttributes([grid, SIDE_M, SIDE_M])
    table.dataProvider().addFeature(row)
    return table


def delete(widget):
    """Delete a widget now: what is left to the end outlives the application."""
    widget.deleteLater()
    QCoreApplication.sendPostedEvents(widget, QEvent.Type.DeferredDelete)


@pytest.fixture
def canvas():
    made = QgsMapCanvas()
    made.resize(QSize(400, 400))
    made.setDestinationCrs(crs())
    made.setExtent(QgsRectangle(400083, 200043, 400123, 200083))
    yield made
    delete(made)


def event(canvas, place, kind=QEvent.Type.MouseButtonRelease, button=Qt.MouseButton.LeftButton, beside=(0, 0)):
    """A mouse event of the canvas at a place of the map, some pixels beside it."""
    pixel = canvas.getCoordinateTransform().transform(QgsPointXY(*place))
    spot = QPoint(round(pixel.x()) + beside[0], round(pixel.y()) + beside[1])
    return QgsMapMouseEvent(canvas, kind, spot, button)


def click(tool, place, beside=(0, 0), button=Qt.MouseButton.LeftButton):
    tool.canvasReleaseEvent(event(tool.canvas(), place, button=button, beside=beside))


def hover(tool, place):
    tool.canvasMoveEvent(event(tool.canvas(), place, QEvent.Type.MouseMove, Qt.MouseButton.NoButton))


def press(tool, key):
    pressed = QKeyEvent(QEvent.Type.KeyPress, key, Qt.KeyboardModifier.NoModifier)
    pressed.ignore()
    tool.keyPressEvent(pressed)
    return pressed.isAccepted()


# Colours


def raster(folder, name, values, band="cond", unit="mS/m", look=(0.0, 1.0, SEQUENTIAL)):
    rows, cols = values.shape
    path = folder / f"{name}.tif"
    lattice = Lattice(500000.0, 6000000.0, 1.0, rows, cols)
    write_raster(path, BlockRaster.of(values, lattice), crs().toWkt(), unit=unit, name=band)
    layer = QgsRasterLayer(str(path), name)
    style_raster(layer, *look[:2], unit, look[2])
    QgsProject.instance().addMapLayer(layer)
    return layer


def shader_of(layer):
    return layer.renderer().shader().rasterShaderFunction()


def end_colours(layer):
    items = shader_of(layer).colorRampItemList()
    return items[0].color.name(), items[-1].color.name()


def ends_of(ramp):
    return RAMPS[ramp][0], RAMPS[ramp][-1]


def same_colours(project, progress=lambda fraction: None):
    shares = to_share(project)
    return show_shared(project, shares, shared_looks(shares, progress))


@pytest.fixture
def two_maps(tmp_path):
    rng = np.random.default_rng(4)
    values = [rng.normal(20, 3, (30, 40)), rng.normal(30, 5, (20, 20))]
    values[0][:5, :5] = np.nan
    layers = [raster(tmp_path, f"map{n}", v, look=(n, n + 5.0, SEQUENTIAL)) for n, v in enumerate(values)]
    return layers, np.concatenate([v[np.isfinite(v)] for v in values])


def test_maps_of_a_channel_take_one_range_and_others_stay(tmp_path, two_maps):
    layers, values = two_maps
    other = raster(tmp_path, "other", np.full((4, 4), 500.0) + np.arange(4), unit="ppt", look=(1.0, 2.0, DIVERGING))
    other_before = 500.0 + np.percentile(np.tile(np.arange(4), 4), (2, 98))
    said = same_colours(QgsProject.instance())
    expected = np.percentile(values, (2, 98))  # numpy's own percentile over both maps
    for layer in layers:
        np.testing.assert_allclose(limits_of(layer), expected, rtol=1e-6)  # Float32 in the file
        items = [item.value for item in shader_of(layer).colorRampItemList()]
        np.testing.assert_allclose((items[0], items[-1]), expected, rtol=1e-6)
        assert end_colours(layer) == ends_of(SEQUENTIAL)
        assert shader_of(layer).legendSettings().suffix() == " mS/m"
    np.testing.assert_allclose(limits_of(other), other_before, rtol=1e-6)
    assert end_colours(other) == ends_of(DIVERGING)
    assert shader_of(other).legendSettings().suffix() == " ppt"
    low, high = expected
    assert f"cond: 2 maps from {low:.4g} to {high:.4g} mS/m" in said


def test_map_that_was_taken_away_meanwhile_is_left_out(two_maps):
    project = QgsProject.instance()
    shares, told = to_share(project), []
    looks = shared_looks(shares, told.append)
    assert told == [0.0, 0.5]
    project.removeMapLayer(two_maps[0][1].id())
    assert "1 maps from" in show_shared(project, shares, looks)


def test_cancel_ends_the_reading_of_maps(two_maps):
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        same_colours(QgsProject.instance(), stop)


def test_range_about_zero_keeps_zero_in_its_middle(tmp_path):
    a = raster(tmp_path, "a", np.linspace(-2, 8, 400).reshape(20, 20), look=(-1.0, 1.0, DIVERGING))
    b = raster(tmp_path, "b", np.linspace(-1, 4, 400).reshape(20, 20), look=(-3.0, 3.0, DIVERGING))
    same_colours(QgsProject.instance())
    low, high = limits_of(a)
    assert low == -high
    assert limits_of(b) == (low, high)
    middle = [item for item in shader_of(a).colorRampItemList() if abs(item.value) < high / 30]
    assert all(item.color.lightness() > 200 for item in middle)


def test_own_ramp_of_a_person_is_kept(tmp_path, two_maps):
    layers, _ = two_maps
    shader = shader_of(layers[0])
    shader.setSourceColorRamp(QgsGradientColorRamp(QColor("#102030"), QColor("#f0e0d0")))
    shader.setClassificationMode(QgsColorRampShader.ClassificationMode.EqualInterval)
    shader.classifyColorRamp(7)
    same_colours(QgsProject.instance())
    assert end_colours(layers[0]) == ("#102030", "#f0e0d0")
    assert len(shader_of(layers[0]).colorRampItemList()) == 7
    assert shader_of(layers[0]).sourceColorRamp().color1().name() == "#102030"
    np.testing.assert_allclose(limits_of(layers[0]), limits_of(layers[1]))


def test_grey_and_back_keeps_ramps_and_the_range_of_now(two_maps):
    layers, _ = two_maps
    project = QgsProject.instance()
    before = [limits_of(layer) for layer in layers]
    assert set_grey(project, True) == "2 maps are in greys now."
    assert [limits_of(layer) for layer in layers] == before
    assert [end_colours(layer) for layer in layers] == [ends_of(QUIET)] * 2
    assert shader_of(layers[0]).legendSettings().suffix() == " mS/m"
    assert is_grey(project)
    assert set_grey(project, True) == "0 maps are in greys now."
    same_colours(project)
    assert end_colours(layers[0]) == ends_of(QUIET)
    shared = limits_of(layers[0])
    assert set_grey(project, False) == "2 maps are in their colours again."
    assert [end_colours(layer) for layer in layers] == [ends_of(SEQUENTIAL)] * 2
    for layer in layers:
        np.testing.assert_allclose(limits_of(layer), shared)
    assert not is_grey(project)


def test_grey_survives_saving_the_project(tmp_path, two_maps):
    project = QgsProject.instance()
    set_grey(project, True)
    path = str(tmp_path / "kept.qgz")
    assert project.write(path)
    project.clear()
    assert project.read(path)
    assert is_grey(project)
    set_grey(project, False)
    assert {end_colours(layer) for layer in project.mapLayers().values()} == {ends_of(SEQUENTIAL)}


def test_project_without_maps_is_told():
    with pytest.raises(EngineError, match="holds no map whose band carries the name of a channel"):
        same_colours(QgsProject.instance())


# Points that catch the pointer


def test_click_near_a_point_gives_the_point_and_far_from_it_the_pointer(canvas):
    canvas.setLayers([point_layer(SQUARE)])
    tool, got = PointTool(canvas), []
    tool.clicked.connect(got.append)
    click(tool, SQUARE[1], beside=(5, -4))
    assert (got[0].x(), got[0].y()) == SQUARE[1]
    click(tool, SQUARE[1], beside=(40, 0))
    assert got[1].distance(QgsPointXY(*SQUARE[1])) == pytest.approx(40 * canvas.mapUnitsPerPixel(), rel=0.05)


def test_points_of_a_layer_in_another_crs_catch_where_they_are_on_the_map(canvas):
    way = QgsCoordinateTransform(crs(), crs(UTM32), QgsProject.instance())
    place = way.transform(QgsPointXY(*SQUARE[0]))
    canvas.setLayers([point_layer([(place.x(), place.y())], UTM32)])
    tool, got = PointTool(canvas), []
    tool.clicked.connect(got.append)
    click(tool, SQUARE[0], beside=(6, 3))
    assert got[0].distance(QgsPointXY(*SQUARE[0])) < 1e-3


# Corners of a grid


@pytest.fixture
def marking(canvas):
    canvas.setLayers([point_layer(SQUARE)])
    tool = CornersTool(canvas)
    got, told = [], []
    tool.ready.connect(got.append)
    tool.told.connect(told.append)
    canvas.setMapTool(tool)
    yield SimpleNamespace(tool=tool, got=got, told=told)
    canvas.unsetMapTool(tool)
    tool.leave()


def test_four_clicks_give_a_grid_in_the_order_of_its_corners(marking):
    assert marking.told[-1] == "Click the corner start of the grid."
    for place in SQUARE:
        click(marking.tool, place, beside=(3, 3))
    assert [[(p.x(), p.y()) for p in grid] for grid in marking.got] == [list(SQUARE)]
    assert marking.tool.points == []


def test_right_click_ends_with_two_or_three_corners_but_not_with_one(marking):
    click(marking.tool, SQUARE[0])
    click(marking.tool, SQUARE[0], button=Qt.MouseButton.RightButton)
    assert marking.got == []
    click(marking.tool, SQUARE[1])
    click(marking.tool, SQUARE[2])
    click(marking.tool, SQUARE[2], button=Qt.MouseButton.RightButton)
    assert [len(grid) for grid in marking.got] == [3]


@pytest.mark.parametrize("key", [Qt.Key.Key_Backspace, Qt.Key.Key_Escape])
def test_key_takes_the_last_corner_back(marking, key):
    for place in SQUARE[:2]:
        click(marking.tool, place)
    assert press(marking.tool, key)
    assert [(p.x(), p.y()) for p in marking.tool.points] == [SQUARE[0]]
    assert marking.told[-1].startswith("Click the corner baseline of the grid.")
    press(marking.tool, key)
    assert marking.tool.points == []
    assert not press(marking.tool, Qt.Key.Key_A)


def test_escape_without_corners_leaves_the_tool(marking, canvas):
    press(marking.tool, Qt.Key.Key_Escape)
    assert canvas.mapTool() is not marking.tool


def test_band_follows_the_pointer_and_its_length_is_told(marking):
    for place in SQUARE[:2]:
        click(marking.tool, place)
    hover(marking.tool, SQUARE[2])
    shape = marking.tool._band.asGeometry()
    assert shape.area() == pytest.approx(SIDE_M**2 / 2, abs=1e-4)  # half a square of 20 m: geometry
    assert "20.00 m from baseline." in marking.told[-1]
    press(marking.tool, Qt.Key.Key_Backspace)
    hover(marking.tool, SQUARE[1])
    assert marking.tool._band.asGeometry().length() == pytest.approx(SIDE_M, abs=1e-4)


def test_same_corner_twice_counts_once(marking):
    click(marking.tool, SQUARE[0])
    click(marking.tool, SQUARE[0], beside=(4, 4))
    assert len(marking.tool.points) == 1


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
        Corner("A", name, *place, f"Corners, grid A, row {n}") for n, (name, place) in enumerate(zip(NAMES, SQUARE), 1)
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


def test_layer_that_takes_nothing_is_told():
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


# Measures of a grid


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


def test_diagonal_too_long_by_a_tenth_tells_the_angle():
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


def test_swapped_corners_and_unknown_size_are_told():
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


# A plan image


IMAGE_PX = 200
# Upper left is the head of the grid, lower left its start: a plan with 0.1 m a pixel.
IMAGE_POINTS = ((0, IMAGE_PX), (IMAGE_PX, IMAGE_PX), (IMAGE_PX, 0), (0, 0))


def pairs(places, image=IMAGE_POINTS):
    return [Pair(*spot, *place) for spot, place in zip(image, places)]


@pytest.mark.parametrize("method", [TURN, SKEW])
def test_plan_lands_where_geometry_puts_it(method):
    found = fit_plan(pairs(SQUARE), method)
    assert found.pixel_m == pytest.approx(0.1, abs=1e-8)
    assert max(found.residuals_m) < 1e-6
    centre = gdal.ApplyGeoTransform(found.geotransform, IMAGE_PX / 2, IMAGE_PX / 2)
    assert centre == pytest.approx(SQUARE_CENTRE, abs=1e-6)


def test_residuals_of_a_plan_are_those_of_the_fit():
    places = np.add(SQUARE, ERRORS_M)
    turned = fit_plan(pairs(places))
    assert turned.residuals_m == pytest.approx(np.hypot(*RESIDUALS_M.T).tolist(), abs=1e-6)
    assert turned.pixel_m == pytest.approx(0.999988006 * 0.1, abs=1e-9)
    skewed = fit_plan(pairs(places), SKEW)
    # An affine fit of four corners of a rectangle leaves each the same: a quarter of their sum with changing signs.
    assert skewed.residuals_m == pytest.approx([SKEW_RESIDUAL_M] * 4, abs=1e-6)
    control = [gdal.GCP(x, y, 0, *spot) for spot, (x, y) in zip(IMAGE_POINTS, (places - SQUARE[0]).tolist())]
    by_gdal = gdal.GCPsToGeoTransform(control, False)
    np.testing.assert_allclose(
        np.subtract(skewed.geotransform, by_gdal)[[1, 2, 4, 5]], 0.0, atol=1e-9, err_msg="GDAL's own fit to points"
    )
    np.testing.assert_allclose(np.subtract(skewed.geotransform, by_gdal)[[0, 3]], SQUARE[0], atol=1e-6)


def test_coordinates_of_millions_keep_their_digits():
    far = np.add(SQUARE, (100000.0, 5600000.0))
    assert max(fit_plan(pairs(far)).residuals_m) < 1e-6


@pytest.mark.parametrize(
    ("given", "method", "said"),
    [
        (pairs(SQUARE)[:1], TURN, "1 points are given; this needs 2 or more"),
        (pairs(SQUARE)[:2], SKEW, "2 points are given; this needs 3 or more"),
        ([Pair(5, 5, *SQUARE[0]), Pair(5, 5, *SQUARE[1])], TURN, "at one place or on one line of the image"),
        ([Pair(5, 5, *SQUARE[0]), Pair(9, 5, *SQUARE[0])], TURN, "at one place or on one line of the map"),
        (
            [Pair(n, n, x, y) for n, (x, y) in enumerate(SQUARE[:3])], SKEW, "at one place or on one line of the image"
        ),
        (pairs([SQUARE[1], SQUARE[0], SQUARE[3], SQUARE[2]]), SKEW, "the image would lie mirrored"),
    ],
)  # fmt: skip
def test_points_that_hold_no_image_are_told(given, method, said):
    with pytest.raises(EngineError, match=said):
        fit_plan(given, method)


def write_image(path, values, driver="PNG", palette=False):
    bands = values if values.ndim == 3 else values[None]
    data = gdal.GetDriverByName("MEM").Create("", bands.shape[2], bands.shape[1], bands.shape[0])
    for number, band in enumerate(bands, 1):
        data.GetRasterBand(number).WriteRaster(0, 0, band.shape[1], band.shape[0], band.astype(np.uint8).tobytes())
    if palette:
        table = gdal.ColorTable()
        for number, colour in enumerate(((255, 255, 255), (200, 30, 10), (10, 60, 200))):
            table.SetColorEntry(number, colour)
        data.GetRasterBand(1).SetColorTable(table)
    gdal.GetDriverByName(driver).CreateCopy(str(path), data)
    return path


def quarters(values):
    image = np.zeros((IMAGE_PX, IMAGE_PX), np.uint8)
    half = IMAGE_PX // 2
    image[:half, :half], image[:half, half:], image[half:, :half], image[half:, half:] = values
    return image


def sample(path, x, y):
    data = gdal.Open(str(path))
    column, row = map(int, gdal.ApplyGeoTransform(gdal.InvGeoTransform(data.GetGeoTransform()), x, y))
    return tuple(data.ReadRaster(column, row, 1, 1)), data.GetGeoTransform(), data.RasterCount


def on_map(u, v):
    """Where local metres of the square lie: the geometry above."""
    cos, sin = math.cos(math.radians(30)), math.sin(math.radians(30))
    return SQUARE[0][0] + u * cos - v * sin, SQUARE[0][1] + u * sin + v * cos


@pytest.mark.parametrize(("driver", "suffix"), [("PNG", "png"), ("GTiff", "tif")])
def test_placed_image_is_north_up_and_shows_each_part_in_its_place(tmp_path, driver, suffix):
    image = write_image(tmp_path / f"plan.{suffix}", quarters((10, 80, 150, 220)), driver)
    before = image.read_bytes()
    path = place_plan(image, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert path == tmp_path / "plan_placed.tif"
    # Upper left quarter of the plan = first half of the baseline, second half of the traverses, and so on.
    for value, (u, v) in ((10, (5, 15)), (80, (15, 15)), (150, (5, 5)), (220, (15, 5))):
        (grey, alpha), (_, width, turn, _, turn_too, height), bands = sample(path, *on_map(u, v))
        assert (grey, alpha, bands, turn, turn_too) == (value, 255, 2, 0.0, 0.0)
        assert (width, height) == pytest.approx((0.1, -0.1), abs=1e-6)
    assert sample(path, SQUARE[3][0] + 0.3, SQUARE[0][1] + 0.3)[0][1] == 0  # outside of the plan
    assert QgsCoordinateReferenceSystem(gdal.Open(str(path)).GetProjection()).authid() == UTM31
    assert image.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([image.name, path.name])


def test_second_placing_takes_a_new_name(tmp_path):
    image = write_image(tmp_path / "plan.png", quarters((10, 80, 150, 220)))
    placement = fit_plan(pairs(SQUARE[:2]))
    first = place_plan(image, placement, crs().toWkt())
    kept = first.read_bytes()
    assert place_plan(image, placement, crs().toWkt()).name == "plan_placed2.tif"
    assert first.read_bytes() == kept


def test_colours_of_a_palette_and_of_a_photograph_are_kept(tmp_path):
    drawn = write_image(tmp_path / "drawn.png", quarters((0, 1, 2, 1)), palette=True)
    path = place_plan(drawn, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert sample(path, *on_map(15, 15))[0] == (200, 30, 10, 255)
    grey = quarters((10, 80, 150, 220))
    photo = write_image(tmp_path / "photo.png", np.stack([grey, 255 - grey, grey // 2, np.full_like(grey, 255)]))
    path = place_plan(photo, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert sample(path, *on_map(15, 15))[0] == (80, 175, 40, 255)


def test_file_that_is_no_image_is_told(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("no image")
    with pytest.raises(EngineError, match=r"The image notes\.txt cannot be read"):
        place_plan(path, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


class Window:
    """As much of the desktop as the tools use."""

    def __init__(self, iface, canvas):
        self._iface, self._canvas, self.menu, self.said = iface, canvas, [], []

    def mainWindow(self):  # noqa: N802 (names fixed by QGIS)
        return self._iface.mainWindow()

    def mapCanvas(self):  # noqa: N802
        return self._canvas

    def messageBar(self):  # noqa: N802
        return SimpleNamespace(pushMessage=lambda *words: self.said.append(words[1]))

    def addToolBar(self, title):  # noqa: N802
        return self.mainWindow().addToolBar(title)

    def addPluginToMenu(self, menu, action):  # noqa: N802
        self.menu.append(action)

    def removePluginMenu(self, menu, action):  # noqa: N802
        self.menu.remove(action)


@pytest.fixture
def window(qgis_iface, canvas):
    return Window(qgis_iface, canvas)


@pytest.fixture
def plan_dialog(window):
    return PlanDialog(window)


def test_plan_is_placed_by_clicks_on_image_and_map(tmp_path, plan_dialog, canvas):
    image = write_image(tmp_path / "plan.png", quarters((10, 80, 150, 220)))
    canvas.setLayers([point_layer(SQUARE)])
    dialog = plan_dialog
    dialog.image.resize(QSize(300, 300))
    dialog.open(str(image))
    assert not dialog.go.isEnabled()
    for spot, place in zip(IMAGE_POINTS, SQUARE):
        dialog.image_tool.clicked.emit(dialog._on_image(*spot))
        assert canvas.mapTool() is dialog.map_tool
        click(dialog.map_tool, place, beside=(3, 3))
    assert dialog.table.rowCount() == 4
    assert dialog.pairs[2] == Pair(200.0, 0.0, *SQUARE[2])
    assert canvas.mapTool() is not dialog.map_tool
    assert dialog.message.text() == "The points agree to 0.000 m. A pixel is 0.1 m."
    dialog.place()
    (layer,) = QgsProject.instance().mapLayersByName("plan_placed")
    assert (layer.extent().width(), layer.extent().height()) == pytest.approx(
        (27.32, 27.32), abs=0.11
    )  # 20 (sin + cos)
    dialog.leave()


def test_corners_of_the_image_are_taken_in_turn_and_a_wrong_point_is_named(tmp_path, plan_dialog, canvas):
    image = write_image(tmp_path / "plan.png", quarters((10, 80, 150, 220)))
    canvas.setLayers([point_layer(SQUARE)])
    dialog = plan_dialog
    dialog.open(str(image))
    dialog.use_corners()
    for place in (SQUARE[3], SQUARE[2], SQUARE[1]):
        click(dialog.map_tool, place)
    assert dialog.message.text() == "Click on the map where the marked point of the image is."
    click(dialog.map_tool, SQUARE[0], beside=(30, 0))
    assert re.match(r"Point \d is \d\.\d\d m off\. Click it again, or take it away\.", dialog.message.text())
    dialog.take_away()
    assert max(dialog.fitted().residuals_m) < 1e-6
    assert len(canvas.scene().items()) > 0
    dialog.leave()


# The actions


@pytest.fixture
def tools(window):
    made = Tools(window, "Turnrow")
    yield made
    made.leave()


def test_every_action_has_icon_and_tooltip_and_goes_again(window):
    tools = Tools(window, "Turnrow")
    assert len(window.menu) == len(tools.actions) == 5
    for action in window.menu:
        assert not action.icon().pixmap(16, 16).isNull()
        assert action.text()
        assert action.toolTip() != action.text()
    tools.leave()
    assert window.menu == []


def test_marked_grid_comes_into_the_project_and_is_offered_for_measuring(tools, window, canvas, monkeypatch):
    monkeypatch.setattr(GridDialog, "exec", lambda self: GridDialog.DialogCode.Accepted)
    canvas.setLayers([point_layer(SQUARE)])
    tools.actions["corners"].trigger()
    assert canvas.mapTool() is tools.corners
    for place in SQUARE:
        click(tools.corners, place)
    (layer,) = corner_layers(QgsProject.instance())
    assert window.said == ["Grid A: 4 corners are in the layer Corners."]
    for place in SQUARE:
        click(tools.corners, place)
    assert window.said[1] == "Grid B: 4 corners are in the layer Corners."
    tools.measure()
    assert tools.measuring.grids.currentText() == "B"
    assert tools.measuring.table.rowCount() == 7
    tools.actions["corners"].trigger()
    assert canvas.mapTool() is not tools.corners


def test_map_in_degrees_gives_no_tool(tools, window, canvas):
    canvas.setDestinationCrs(crs("EPSG:4326"))
    tools.actions["corners"].trigger()
    assert not tools.actions["corners"].isChecked()
    assert "counts in degrees" in window.said[0]


def test_grey_action_shows_what_the_project_is(tools, window, two_maps):
    tools.actions["grey"].trigger()
    assert window.said == ["2 maps are in greys now."]
    assert tools.actions["grey"].isChecked()
    QgsProject.instance().clear()
    assert not tools.actions["grey"].isChecked()
    tools.actions["grey"].trigger()
    assert "holds no map" in window.said[1]
    assert not tools.actions["grey"].isChecked()


def test_same_colours_are_read_in_the_background(tools, window, two_maps, monkeypatch):
    from turnrow.plugin.map_tools import shared_colours as colours

    threads, read = [], colours.read_raster
    monkeypatch.setattr(colours, "read_raster", lambda path: threads.append(threading.get_ident()) or read(path))
    before = [limits_of(layer) for layer in two_maps[0]]
    tools.actions["same_colours"].trigger()
    end = time.monotonic() + 20
    while not window.said and time.monotonic() < end:
        QgsApplication.processEvents()
        time.sleep(0.01)
    assert "cond: 2 maps" in window.said[0]
    assert threading.get_ident() not in threads
    assert limits_of(two_maps[0][0]) == limits_of(two_maps[0][1]) != before[0]
    QgsProject.instance().clear()
    tools.actions["same_colours"].trigger()
    assert "holds no map" in window.said[1]


def test_names_of_corners_are_those_of_the_contract():
    assert CORNERS == NAMES
