"""Colours and symbols of a survey's layers."""

import numpy as np
import pytest
from turnrow.processing_provider.bridge.raster.geotiff import write_raster
from turnrow.processing_provider.bridge.style.ramps import (
    DIVERGING,
    QUIET,
    SEQUENTIAL,
    channel_look,
    colour_at,
    shared_range,
)
from turnrow.processing_provider.bridge.vector.geopackage import rows_layer, write_geopackage
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice

pytestmark = pytest.mark.usefixtures("qgis_app")


@pytest.fixture
def raster(tmp_path):
    from osgeo import osr

    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32631)
    values = np.linspace(10.0, 20.0, 40 * 60).reshape(40, 60)
    values[0, 0] = np.nan
    write_raster(
        tmp_path / "a.tif",
        BlockRaster.of(values, Lattice(500000.0, 6000000.0, 0.5, 40, 60)),
        crs.ExportToWkt(),
        unit="mS/m",
    )
    return tmp_path / "a.tif"


def lightness(red, green, blue):
    """CIE 1976 L* of an sRGB colour (IEC 61966-2-1:1999 and CIE 15:2004)."""
    share = np.array([red, green, blue]) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    luminance = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116 * luminance ** (1 / 3) - 16 if luminance > (6 / 29) ** 3 else luminance * (29 / 3) ** 3


def test_range_is_shared_and_spikes_do_not_stretch_it():
    first, second = np.full(100, 5.0), np.full(100, 9.0)
    first[0], second[0], second[1] = 1e6, -1e6, np.nan
    assert shared_range([first, second]) == (5.0, 9.0)


def test_range_equals_percentiles_of_all_values_together():
    """Against numpy's own percentiles of the joined values."""
    parts = [np.arange(50.0), np.arange(50.0, 101.0)]
    assert shared_range(parts) == (2.0, 98.0)


@pytest.mark.parametrize(("values", "expected"), [([3.0, 3.0], (2.5, 3.5)), ([np.nan], (0.0, 1.0))])
def test_range_of_flat_or_empty_raster(values, expected):
    assert shared_range([np.array(values)]) == expected


@pytest.mark.parametrize(("low", "high", "ramp"), [(-1, 1, DIVERGING), (-1, 3, SEQUENTIAL), (5, 9, SEQUENTIAL)])
def test_only_values_about_zero_get_the_diverging_ramp(low, high, ramp):
    limits, chosen = channel_look([np.linspace(low, high, 1001)])
    assert chosen == ramp
    if ramp == DIVERGING:
        assert limits[0] == -limits[1]


def test_sequential_ramp_is_that_of_matplotlib_and_of_qgis():
    """At our nine colours, against matplotlib's table of 256 (a neighbouring row is 2 grey values off) and QGIS's."""
    from qgis.core import QgsStyle

    matplotlib = pytest.importorskip("matplotlib")
    published = matplotlib.colormaps["viridis"]
    qgis = QgsStyle.defaultStyle().colorRamp("Viridis")
    assert qgis is not None
    for share in np.linspace(0, 1, 9):
        ours = np.array(colour_at(SEQUENTIAL, share))
        assert np.abs(ours - np.array(published(share)[:3]) * 255).max() <= 2
        assert np.abs(ours - np.array(qgis.color(share).getRgb()[:3])).max() <= 2


def test_ramps_change_evenly_in_lightness():
    for ramp in (SEQUENTIAL, QUIET):
        steps = np.diff([lightness(*colour_at(ramp, s)) for s in np.linspace(0, 1, 11)])
        assert (steps > 0).all() or (steps < 0).all()
    tones = np.array([lightness(*colour_at(DIVERGING, s)) for s in np.linspace(0, 1, 11)])
    assert (np.diff(tones[:6]) > 0).all()
    assert (np.diff(tones[5:]) < 0).all()
    assert np.abs(tones - tones[::-1]).max() < 6


def test_raster_is_coloured_between_the_limits_and_the_style_comes_back(raster):
    from qgis.core import QgsPointXY, QgsRasterLayer, QgsSingleBandPseudoColorRenderer
    from turnrow.processing_provider.bridge.style.renderers import style_raster

    layer = QgsRasterLayer(str(raster), "a")
    style_raster(layer, 12.0, 18.0, "mS/m")
    layer.saveNamedStyle(str(raster.with_suffix(".qml")))
    again = QgsRasterLayer(str(raster), "again")
    renderer = again.renderer()
    assert isinstance(renderer, QgsSingleBandPseudoColorRenderer)
    assert (renderer.classificationMin(), renderer.classificationMax()) == (12.0, 18.0)
    shader = renderer.shader().rasterShaderFunction()
    assert shader.legendSettings().suffix() == " mS/m"
    for value, share in ((15.0, 0.5), (5.0, 0.0), (99.0, 1.0)):
        _, red, green, blue, alpha = shader.shade(value)
        assert np.abs(np.array([red, green, blue]) - colour_at(SEQUENTIAL, share)).max() <= 2
        assert alpha == 255
    _, known = again.dataProvider().sample(QgsPointXY(500000.25, 5999999.75), 1)
    assert not known


def test_legend_is_one_colour_bar_with_the_unit(raster):
    from qgis.core import (
        QgsColorRampLegendNode,
        QgsLayerTree,
        QgsLayerTreeModel,
        QgsNumericFormatContext,
        QgsRasterLayer,
    )
    from turnrow.processing_provider.bridge.style.renderers import style_raster

    layer = QgsRasterLayer(str(raster), "a")
    style_raster(layer, 12.0, 18.0, "mS/m")
    tree = QgsLayerTree()
    node = tree.addLayer(layer)
    model = QgsLayerTreeModel(tree)
    bars = [n for n in model.layerLegendNodes(node) if isinstance(n, QgsColorRampLegendNode)]
    assert len(bars) == 1
    assert bars[0].settings().suffix() == " mS/m"
    assert bars[0].settings().numericFormat().formatDouble(12.34567, QgsNumericFormatContext()) == "12.35"


@pytest.mark.parametrize("name", ["readings", "traverses", "grids", "corners", "findings"])
def test_style_in_the_geopackage_comes_back(tmp_path, name):
    from osgeo import osr
    from qgis.core import QgsVectorLayer
    from turnrow.processing_provider.bridge.style.renderers import VECTOR_STYLES, keep_style_in_file

    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32631)
    fields = {"grid": str, "line": int, "flag": str, "severity": str}
    kind = {"traverses": "line", "grids": "polygon"}.get(name, "point")
    path = tmp_path / "survey.gpkg"
    write_geopackage(path, [rows_layer(name, kind, [], fields)], crs.ExportToWkt())
    layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    plain = layer.renderer().dump()
    VECTOR_STYLES[name](layer)
    keep_style_in_file(layer)
    again = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    assert again.renderer().dump() == layer.renderer().dump() != plain
    assert again.labelsEnabled() == (name == "grids")
