"""What single algorithms leave in a project: named after what it shows, and in colours that mean something."""

import numpy as np
import pytest
from qgis.core import (
    QgsFeature,
    QgsGraduatedSymbolRenderer,
    QgsProject,
    QgsRasterLayer,
    QgsRenderContext,
    QgsSingleBandPseudoColorRenderer,
)

pytestmark = pytest.mark.usefixtures("turnrow_provider", "qgis_new_project")
SCHEME = {"GRID": "A", "LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}


@pytest.fixture
def load(monkeypatch):
    from qgis import processing

    monkeypatch.setattr("processing.gui.Postprocessing.iface", None, raising=False)

    def run(name, **parameters):
        done = processing.runAndLoadResults(f"turnrow:{name}", parameters)
        layers = QgsProject.instance().mapLayers().values()
        return done, {layer.name(): layer for layer in layers}

    return run


@pytest.fixture
def placed(survey_files, load):
    done, _ = load("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT="TEMPORARY_OUTPUT")
    corners = f"delimitedtext://file://{survey_files.corners}?type=csv&geomType=none"
    done, _ = load("placereadings", INPUT=done["OUTPUT"], CORNERS=corners, TARGET_CRS="EPSG:32631",
                   OUTPUT="TEMPORARY_OUTPUT", **SCHEME)  # fmt: skip
    return done["OUTPUT"]


def test_placed_readings_are_named_and_may_be_seen_by_value(placed):
    layer = QgsProject.instance().mapLayer(placed)
    assert layer.name() == "Placed readings A"
    assert sorted(layer.styleManager().styles()) == ["by cond", "by flag"]
    assert layer.styleManager().currentStyle() == "by flag"
    layer.styleManager().setCurrentStyle("by cond")
    renderer = layer.renderer()
    assert isinstance(renderer, QgsGraduatedSymbolRenderer)
    context = QgsRenderContext()
    renderer.startRender(context, layer.fields())
    seen = {}
    for flag, value in (("", -1e6), ("", 1e6), ("outlier", 15.0)):
        feature = QgsFeature(layer.fields())
        feature["flag"], feature["cond"] = flag, value
        context.expressionContext().setFeature(feature)
        symbol = renderer.symbolForFeature(feature, context)
        seen[flag, value] = symbol and symbol.color().name()
    renderer.stopRender(context)
    assert seen["outlier", 15.0] is None
    assert seen["", -1e6] == renderer.ranges()[0].symbol().color().name()
    assert seen["", 1e6] == renderer.ranges()[-1].symbol().color().name()


def test_maps_are_named_by_channel_and_unit_and_keep_their_colours(placed, load, tmp_path):
    path = str(tmp_path / "map.tif")
    _, layers = load("interpolatereadings", INPUT=placed, CHANNEL="cond", OUTPUT=path,
                     STANDARD_ERROR=str(tmp_path / "se.tif"))  # fmt: skip
    named = [name for name, layer in layers.items() if isinstance(layer, QgsRasterLayer)]
    assert sorted(named) == ["cond (mS/m)", "cond standard error (mS/m)"]
    high = np.percentile([f["cond"] for f in QgsProject.instance().mapLayer(placed).getFeatures()], 98)
    for name in named:
        assert isinstance(layers[name].renderer(), QgsSingleBandPseudoColorRenderer)
    assert layers["cond (mS/m)"].renderer().classificationMax() == pytest.approx(high, rel=0.1)
    assert layers["cond standard error (mS/m)"].renderer().classificationMin() == 0.0
    again = QgsRasterLayer(path, "again")
    assert again.renderer().classificationMax() == pytest.approx(layers["cond (mS/m)"].renderer().classificationMax())


def test_the_local_response_has_its_zero_in_the_middle(placed, load, tmp_path):
    path = str(tmp_path / "map.tif")
    load("interpolatereadings", INPUT=placed, CHANNEL="cond", OUTPUT=path)
    _, layers = load("splitresponse", INPUT=path, WIDTH=3, REGIONAL=str(tmp_path / "r.tif"),
                     LOCAL=str(tmp_path / "l.tif"))  # fmt: skip
    local = layers["cond local (mS/m)"].renderer()
    assert local.classificationMin() == pytest.approx(-local.classificationMax())
