"""The map beside the workbench: what is pointed at and clicked on it."""

import numpy as np
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsGeometry, QgsPointXY
from qgis.gui import QgsMapToolPan
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QPoint, Qt
from qgis.PyQt.QtTest import QTest
from turnrow.plugin.map_tools.corners_tool import CornersTool
from turnrow.plugin.map_view.line_picker import LinePicker

from ...conftest import CRS, RATE
from ..conftest import LEFT, NONE, hover, line_rows, until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


def test_pointer_marks_the_place_on_the_map(bench):
    bench.desk.choose_lines([("B", 3, 1)])
    bench.link.canvas.setDestinationCrs(QgsCoordinateReferenceSystem(CRS))
    bench.pane.profile.point_at(20)
    place = bench.pane.profile.content.traces[0].position[20]
    marker = bench.link._marker
    assert marker.isVisible()
    assert (marker.center().x(), marker.center().y()) == pytest.approx(tuple(place), abs=1e-6)
    assert "B, line 3" in bench.pane.readout.text()
    bench.pane.profile.point_at(None)
    assert not marker.isVisible()


def on_map(bench, x, y):
    """Where a place in the survey's CRS is on the canvas."""
    pixel = bench.link.canvas.getCoordinateTransform().transform(QgsPointXY(x, y))
    return QPoint(round(pixel.x()), round(pixel.y()))


@pytest.fixture
def over_map(bench):
    """The map zoomed to a grid under a dock that is seen."""
    canvas = bench.link.canvas
    canvas.setDestinationCrs(QgsCoordinateReferenceSystem(CRS))
    canvas.resize(700, 500)
    bench.iface.mainWindow().show()
    bench.setVisible(True)
    bench.grids.chosen.emit("B")
    bench.buttons["pick"].trigger()
    return bench


def test_click_on_the_map_chooses_the_line(over_map):
    bench = over_map
    viewport = bench.link.canvas.viewport()
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 7)[25]
    QTest.mouseClick(viewport, LEFT, NONE, on_map(bench, table.x[row], table.y[row]))
    assert bench.desk.keys == [("B", 7, 1)]
    pointed = bench.pane.profile.content.traces[0].position[bench.pane.profile.pointer]
    assert np.hypot(*(pointed - (table.x[row], table.y[row]))) < 1 / RATE
    QTest.mouseClick(viewport, LEFT, NONE, QPoint(350, 3))
    assert bench.message.text() == "No line was walked there."


def test_line_under_the_pointer_is_shown_lightly_and_one_that_is_looked_at_in_the_profile(over_map):
    bench = over_map
    viewport = bench.link.canvas.viewport()
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 7)[25]
    bench.desk.choose_lines([("B", 3, 1)])
    hover(viewport, on_map(bench, table.x[row], table.y[row]), Qt.MouseButton.NoButton)
    until(lambda: bench.link._hover is not None)
    shown = bench.link._hover.asGeometry()
    assert shown.distance(QgsGeometry.fromPointXY(QgsPointXY(table.x[row], table.y[row]))) < 1e-6
    assert bench.pane.readout.text() == "B, line 7: click to see it."
    assert bench.desk.keys == [("B", 3, 1)]
    row = line_rows(table, 3)[12]
    hover(viewport, on_map(bench, table.x[row], table.y[row]), Qt.MouseButton.NoButton)
    until(lambda: bench.link._hover is None)
    assert bench.pane.profile.pointer is not None
    QCoreApplication.sendEvent(viewport, QEvent(QEvent.Type.Leave))
    until(lambda: bench.pane.profile.pointer is None)


@pytest.mark.parametrize("tool", [QgsMapToolPan, LinePicker])
def test_pointer_is_followed_with_tools_that_only_look(over_map, tool):
    bench = over_map
    canvas = bench.link.canvas
    made = tool(canvas)
    canvas.setMapTool(made)
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 9)[25]
    hover(canvas.viewport(), on_map(bench, table.x[row], table.y[row]), Qt.MouseButton.NoButton)
    until(lambda: bench.link._hover is not None)
    canvas.unsetMapTool(made)


def test_pointer_is_left_alone_while_another_tool_works_or_the_dock_is_hidden(over_map):
    bench = over_map
    canvas = bench.link.canvas
    seen = []
    bench.pointer.clicked.connect(seen.append)
    bench.pointer.hovered.connect(seen.append)
    other = CornersTool(canvas)
    canvas.setMapTool(other)
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 9)[25]
    place = on_map(bench, table.x[row], table.y[row])

    def use():
        hover(canvas.viewport(), place, Qt.MouseButton.NoButton)
        QTest.mouseClick(canvas.viewport(), LEFT, NONE, place)
        QTest.qWait(120)

    use()
    assert seen == []
    canvas.setMapTool(bench.picker)
    bench.hide()
    use()
    assert seen == []
    bench.show()
    use()
    assert len(seen) == 2
    other.leave()
