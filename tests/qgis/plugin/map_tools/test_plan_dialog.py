"""Placing a plan image by clicks on image and map."""

from __future__ import annotations

import re

import pytest
from qgis.core import QgsProject
from qgis.PyQt.QtCore import QSize
from turnrow.plugin.map_tools.plan_dialog import PlanDialog
from turnrow.plugin.map_tools.plan_image import Pair

from .conftest import IMAGE_POINTS, SQUARE, click, point_layer, quarters, write_image

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


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
