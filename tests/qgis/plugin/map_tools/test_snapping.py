"""Points that catch the pointer."""

from __future__ import annotations

import pytest
from qgis.core import QgsCoordinateTransform, QgsPointXY, QgsProject
from turnrow.plugin.map_tools.snapping import PointTool

from .conftest import SQUARE, UTM32, click, crs, point_layer

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


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
