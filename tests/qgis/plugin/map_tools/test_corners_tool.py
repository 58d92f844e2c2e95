"""Corners of a grid, marked by clicks."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from qgis.PyQt.QtCore import QEvent, Qt
from qgis.PyQt.QtGui import QKeyEvent
from turnrow.plugin.map_tools.corners_tool import CornersTool

from .conftest import SIDE_M, SQUARE, click, hover, point_layer

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


def press(tool, key):
    pressed = QKeyEvent(QEvent.Type.KeyPress, key, Qt.KeyboardModifier.NoModifier)
    pressed.ignore()
    tool.keyPressEvent(pressed)
    return pressed.isAccepted()


@pytest.fixture
def marking(canvas):
    canvas.setLayers([point_layer(SQUARE)])
    tool = CornersTool(canvas)
    got, words = [], []
    tool.ready.connect(got.append)
    tool.hint.connect(words.append)
    canvas.setMapTool(tool)
    yield SimpleNamespace(tool=tool, got=got, words=words)
    canvas.unsetMapTool(tool)
    tool.leave()


def test_four_clicks_give_a_grid_in_the_order_of_its_corners(marking):
    assert marking.words[-1] == "Click the corner start of the grid."
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
    assert marking.words[-1].startswith("Click the corner baseline of the grid.")
    press(marking.tool, key)
    assert marking.tool.points == []
    assert not press(marking.tool, Qt.Key.Key_A)


def test_escape_without_corners_leaves_the_tool(marking, canvas):
    press(marking.tool, Qt.Key.Key_Escape)
    assert canvas.mapTool() is not marking.tool


def test_band_follows_the_pointer_and_its_length_is_reported(marking):
    for place in SQUARE[:2]:
        click(marking.tool, place)
    hover(marking.tool, SQUARE[2])
    shape = marking.tool._band.asGeometry()
    assert shape.area() == pytest.approx(SIDE_M**2 / 2, abs=1e-4)  # half a square of 20 m: geometry
    assert "20.00 m from baseline." in marking.words[-1]
    press(marking.tool, Qt.Key.Key_Backspace)
    hover(marking.tool, SQUARE[1])
    assert marking.tool._band.asGeometry().length() == pytest.approx(SIDE_M, abs=1e-4)


def test_same_corner_twice_counts_once(marking):
    click(marking.tool, SQUARE[0])
    click(marking.tool, SQUARE[0], beside=(4, 4))
    assert len(marking.tool.points) == 1
