"""Points of other surveys, without lines, onto the same lattice."""

import numpy as np
import pytest
from qgis.core import QgsFeature, QgsField, QgsGeometry, QgsPointXY, QgsProcessingException, QgsVectorLayer
from qgis.PyQt.QtCore import QVariant
from turnrow.processing_provider.bridge.raster.geotiff import read_map

pytestmark = pytest.mark.usefixtures("turnrow_provider")


@pytest.fixture
def points():
    layer = QgsVectorLayer("Point?crs=EPSG:32631&field=name:string&field=resistance:double", "other", "memory")
    rng = np.random.default_rng(5)
    features = []
    for x, y in rng.uniform(0, 20, (600, 2)).tolist():
        feature = QgsFeature(layer.fields())
        feature["name"], feature["resistance"] = "p", float(50 + 5 * np.sin(x / 3))
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(500_000 + x, 6_000_000 + y)))
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    return layer


def grid(points, path, method):
    from qgis import processing

    return processing.run("turnrow:interpolatereadings", {
        "INPUT": points, "CHANNEL": "resistance", "METHOD": method, "CELL_SIZE": 0.5, "OUTPUT": str(path),
    })["OUTPUT"]  # fmt: skip


@pytest.mark.parametrize("method", ["minimum curvature", "kriging"])
def test_points_without_lines_are_gridded(points, tmp_path, method):
    values, lattice, _, name = read_map(grid(points, tmp_path / "map.tif", method))
    truth = 50 + 5 * np.sin((lattice.x - 500_000) / 3) * np.ones(lattice.shape)
    known = np.isfinite(values)
    assert name == "resistance"
    assert known.mean() > 0.9
    assert np.sqrt(np.mean((values - truth)[known] ** 2)) < 0.3


def test_methods_on_traverses_say_what_to_do_instead(points, tmp_path):
    with pytest.raises(QgsProcessingException, match="lie on no traverses .* minimum curvature or kriging"):
        grid(points, tmp_path / "map.tif", "cubic")
    assert not (tmp_path / "map.tif").exists()


@pytest.mark.parametrize("correction", ["flagoutliers", "alignopposing", "balancetraverses", "balancegrids"])
def test_corrections_say_of_points_with_lines_what_to_do_instead(points, tmp_path, correction):
    from qgis import processing

    points.dataProvider().addAttributes([QgsField("line", QVariant.Int)])
    points.updateFields()
    numbers = {f.id(): {points.fields().indexOf("line"): f.id() % 10} for f in points.getFeatures()}
    points.dataProvider().changeAttributeValues(numbers)
    with pytest.raises(QgsProcessingException, match="none in a grid .* by minimum curvature or kriging"):
        processing.run(f"turnrow:{correction}", {"INPUT": points, "OUTPUT": str(tmp_path / "out.gpkg")})


def test_corrections_say_of_points_without_lines_what_to_do_instead(points, tmp_path):
    from qgis import processing

    with pytest.raises(QgsProcessingException, match="no field line.* mapped by 'Interpolate readings to a raster'"):
        processing.run("turnrow:balancetraverses", {"INPUT": points, "OUTPUT": str(tmp_path / "out.gpkg")})
