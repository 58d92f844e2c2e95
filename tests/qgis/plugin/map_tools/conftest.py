"""A canvas, a square of corners, maps and plan images for the tools on the map."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.gui import QgsMapCanvas, QgsMapMouseEvent
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QPoint, QSize, Qt
from turnrow.processing_provider.bridge.raster.geotiff import write_raster
from turnrow.processing_provider.bridge.style.ramps import SEQUENTIAL
from turnrow.processing_provider.bridge.style.renderers import style_raster
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.frame import Corner
from turnrow.processing_provider.engine.geometry.lattice import Lattice

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


def raster(folder, name, values, band="cond", unit="mS/m", look=(0.0, 1.0, SEQUENTIAL)):
    rows, cols = values.shape
    path = folder / f"{name}.tif"
    lattice = Lattice(500000.0, 6000000.0, 1.0, rows, cols)
    write_raster(path, BlockRaster.of(values, lattice), crs().toWkt(), unit=unit, name=band)
    layer = QgsRasterLayer(str(path), name)
    style_raster(layer, *look[:2], unit, look[2])
    QgsProject.instance().addMapLayer(layer)
    return layer


@pytest.fixture
def two_maps(tmp_path):
    rng = np.random.default_rng(4)
    values = [rng.normal(20, 3, (30, 40)), rng.normal(30, 5, (20, 20))]
    values[0][:5, :5] = np.nan
    layers = [raster(tmp_path, f"map{n}", v, look=(n, n + 5.0, SEQUENTIAL)) for n, v in enumerate(values)]
    return layers, np.concatenate([v[np.isfinite(v)] for v in values])


IMAGE_PX = 200


# Upper left is the head of the grid, lower left its start: a plan with 0.1 m a pixel.
IMAGE_POINTS = ((0, IMAGE_PX), (IMAGE_PX, IMAGE_PX), (IMAGE_PX, 0), (0, 0))


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
