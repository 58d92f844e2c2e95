"""Maps of readings on traverses, held against QGIS's own interpolators run through Processing on the same readings."""

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsFeature, QgsField, QgsGeometry, QgsPointXY, QgsVectorFileWriter, QgsVectorLayer
from qgis.PyQt.QtCore import QVariant
from turnrow.processing_provider.bridge.raster.geotiff import read_map

pytestmark = pytest.mark.usefixtures("turnrow_provider")

EAST, NORTH, SIZE_M, SPACING_M, INTERVAL_M, CELL_M = 500_000.0, 6_000_000.0, 10.0, 0.5, 0.125, 0.25
WAVE_M = 1.5
"""sin(x / WAVE_M) and its like bend by at most 1 / WAVE_M^2 in any direction."""


def plane(x, y):
    return 15.0 + 0.3 * (x - EAST) - 0.2 * (y - NORTH)


def waves(x, y):
    return 15.0 + 0.5 * np.sin((x - EAST) / WAVE_M) + 0.5 * np.cos((y - NORTH) / WAVE_M)


def readings_of(ground, folder):
    """Return a file of readings every 0.125 m on traverses half a metre apart, walked to and fro."""
    layer = QgsVectorLayer("Point?crs=EPSG:32631", "readings", "memory")
    fields = {"grid": QVariant.String, "line": QVariant.Int, "u_m": QVariant.Double, "v_m": QVariant.Double,
              "heading": QVariant.Int, "eca": QVariant.Double}  # fmt: skip
    layer.dataProvider().addAttributes([QgsField(name, kind) for name, kind in fields.items()])
    layer.updateFields()
    features = []
    for line, u in enumerate(np.arange(SPACING_M / 2, SIZE_M, SPACING_M).tolist()):
        for v in np.arange(INTERVAL_M / 2, SIZE_M, INTERVAL_M).tolist():
            feature = QgsFeature(layer.fields())
            value = float(ground(EAST + u, NORTH + v))
            feature.setAttributes(["A", line + 1, u, v, -1 if line % 2 else 1, value])
            feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(EAST + u, NORTH + v)))
            features.append(feature)
    layer.dataProvider().addFeatures(features)
    path, options = str(folder / "readings.gpkg"), QgsVectorFileWriter.SaveVectorOptions()
    written = QgsVectorFileWriter.writeAsVectorFormatV3(layer, path, layer.transformContext(), options)
    assert written[0] == QgsVectorFileWriter.NoError, written[1]
    return path


def maps_of(ground, folder, reference, **how):
    """Return our map, QGIS's and the truth on the same cells, well inside the grid."""
    from qgis import processing

    readings = readings_of(ground, folder)
    ours = processing.run("turnrow:interpolatereadings", {
        "INPUT": readings, "CHANNEL": "eca", "CELL_SIZE": CELL_M, "OUTPUT": str(folder / "ours.tif"),
    })["OUTPUT"]  # fmt: skip
    values, lattice, *_ = read_map(ours)
    west, south, east, north = lattice.extent
    place = QgsVectorLayer(readings, "readings", "ogr").fields().indexOf("eca")
    theirs = processing.run(reference, {
        "INTERPOLATION_DATA": f"{readings}::~::0::~::{place}::~::0", "PIXEL_SIZE": CELL_M,
        "EXTENT": f"{west},{east},{south},{north} [EPSG:32631]", "OUTPUT": str(folder / "theirs.tif"), **how,
    })["OUTPUT"]  # fmt: skip
    other = gdal.Open(theirs).ReadAsArray().astype(float)
    assert other.shape == values.shape
    inner = (slice(4, -4), slice(4, -4))
    return values[inner], other[inner], ground(lattice.x[None, :], lattice.y[:, None])[inner]


def rms(error):
    return float(np.sqrt(np.mean(error**2)))


def test_a_plane_comes_out_as_by_triangles(tmp_path):
    # Both reproduce planes; rasters hold single precision: 15 mS/m to 2e-6 (IEEE 754), and QGIS's triangulation works
    # on map coordinates of 6e6 m in double precision, good for 1e-9 m.
    ours, triangles, truth = maps_of(plane, tmp_path, "qgis:tininterpolation", METHOD=0)
    np.testing.assert_allclose(ours, triangles, atol=1e-5)
    np.testing.assert_allclose(ours, truth, atol=1e-5)


def test_waves_are_within_what_triangles_may_miss_and_nearer_to_the_truth(tmp_path):
    # The error of linear interpolation on a triangle is at most R^2 / 2 times the largest second derivative, R being
    # the radius of its circumcircle (Waldron, 1998, SIAM Journal on Numerical Analysis 35(3); from memory).
    most = (SPACING_M**2 + INTERVAL_M**2) / 4 / 2 / WAVE_M**2
    ours, triangles, truth = maps_of(waves, tmp_path, "qgis:tininterpolation", METHOD=0)
    assert np.abs(triangles - truth).max() <= most
    assert np.abs(ours - triangles).max() <= most
    # Splines miss by the fourth power of the spacing, triangles by its square: (0.5 / 1.5)^2 = 1/9 of the error.
    assert rms(ours - truth) <= rms(triangles - truth) / 9


def test_waves_are_nearer_to_the_truth_than_inverse_distances(tmp_path):
    ours, weighted, truth = maps_of(waves, tmp_path, "qgis:idwinterpolation", DISTANCE_COEFFICIENT=2.0)
    # A weighted mean stays between the least and the largest reading.
    assert 14.0 <= weighted.min() <= weighted.max() <= 16.0
    assert rms(ours - truth) < rms(weighted - truth) / 9


def test_a_map_of_readings_from_a_file_keeps_their_unit(tmp_path):
    # GDAL before 3.7 keeps no comments of fields, where a unit stands otherwise.
    from qgis import processing

    layer = QgsVectorLayer(readings_of(plane, tmp_path), "readings", "ogr")
    layer.setFieldAlias(layer.fields().indexOf("eca"), "eca (mS/m)")
    flagged = processing.run("turnrow:flagoutliers", {"INPUT": layer, "OUTPUT": str(tmp_path / "flagged.gpkg")})
    ours = processing.run("turnrow:interpolatereadings", {
        "INPUT": flagged["OUTPUT"], "CHANNEL": "eca", "CELL_SIZE": CELL_M, "OUTPUT": str(tmp_path / "map.tif"),
    })["OUTPUT"]  # fmt: skip
    assert gdal.Open(ours).GetRasterBand(1).GetUnitType() == "mS/m"
