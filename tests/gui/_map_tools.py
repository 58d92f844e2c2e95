"""The tools on the map: the same colours, greys, marked corners, a measured grid, a placed plan."""

import shutil
import tempfile
from pathlib import Path

from _desktop import NAME, click, need, picture, until, wait
from qgis.core import QgsPointXY, QgsProject
from qgis.PyQt.QtCore import QPoint, QTimer
from qgis.PyQt.QtGui import QColor, QImage, QPainter, QPen
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication
from qgis.utils import iface, plugins


def with_tools(window, extent):
    """Compare colours, go grey and back, mark a grid by clicks, measure it, place a plan."""
    tools, canvas = plugins[NAME].tools, iface.mapCanvas()
    tools.actions["same_colours"].trigger()
    until(lambda: not tools.works.names, "the colours are made the same")
    tools.actions["grey"].trigger()
    canvas.waitWhileRendering()
    picture(window, "grey")
    tools.actions["grey"].trigger()
    need(not tools.actions["grey"].isChecked(), "the maps stayed grey")
    x_min, y_min, x_max, y_max = extent
    places = [QgsPointXY(*at) for at in ((x_min, y_min), (x_max, y_min), (x_max, y_max), (x_min, y_max))]
    tools.actions["corners"].trigger()
    for place in places[:3]:
        click(place)
    QTest.mouseMove(canvas.viewport(), QPoint(canvas.width() // 2, canvas.height() // 3))
    picture(window, "corners")
    need(len(tools.corners.points) == 3, "the clicks gave no corners")

    def answer():
        dialog = QApplication.activeModalWidget()
        picture(dialog, "grid_name")
        dialog.layers.setCurrentIndex(dialog.layers.count() - 1)
        dialog.accept()

    QTimer.singleShot(500, answer)
    click(places[3])
    tools.actions["corners"].trigger()
    tools.actions["measure"].trigger()
    tools.measuring.length.setValue(y_max - y_min)
    tools.measuring.width.setValue(x_max - x_min + 0.3)
    picture(tools.measuring, "measure")
    tools.measuring.close()
    place_plan(tools, places)


def place_plan(tools, places):
    """Draw a plan, and place it by two points clicked on the image and on the map."""
    canvas = iface.mapCanvas()
    image = QImage(300, 300, QImage.Format.Format_RGB32)
    image.fill(QColor("#f4f1e6"))
    painter = QPainter(image)
    painter.setPen(QPen(QColor("#8a4b1d"), 4))
    painter.drawEllipse(60, 80, 120, 90)
    painter.drawLine(20, 280, 280, 200)
    painter.end()
    folder = Path(tempfile.mkdtemp())
    image.save(str(folder / "plan.png"))
    tools.actions["plan_image"].trigger()
    tools.plan.file.setFilePath(str(folder / "plan.png"))
    tools.plan.image.waitWhileRendering()
    for spot, place in (((0, 300), places[0]), ((300, 0), places[2])):
        tools.plan.image_tool.clicked.emit(tools.plan._on_image(*spot))
        click(place)
    need(len(tools.plan.pairs) == 2, "the clicks gave no points")
    wait(500)
    picture(tools.plan, "plan_points")
    tools.plan.place()
    canvas.waitWhileRendering()
    wait(500)
    need(QgsProject.instance().mapLayersByName("plan_placed"), tools.plan.message.text())
    tools.plan.close()
    picture(iface.mainWindow(), "plan_placed")
    shutil.rmtree(folder, ignore_errors=True)
