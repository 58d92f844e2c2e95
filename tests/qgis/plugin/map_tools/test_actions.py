"""The actions on the map."""

from __future__ import annotations

import threading
import time

import pytest
from qgis.core import QgsApplication, QgsProject
from turnrow.plugin.map_tools.actions import Tools
from turnrow.plugin.map_tools.corner_layers import corner_layers
from turnrow.plugin.map_tools.grid_name_dialog import GridDialog
from turnrow.plugin.map_tools.shared_colours import limits_of

from .conftest import SQUARE, click, crs, point_layer

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


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
