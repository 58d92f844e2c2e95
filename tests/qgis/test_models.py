"""The ready-made models: they load with the provider, run, and give what the single algorithms give."""

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsApplication, QgsProcessingModelAlgorithm
from turnrow.processing_provider.provider import ALGORITHMS, MODELS

pytestmark = pytest.mark.usefixtures("turnrow_provider")
FILES = sorted(MODELS.glob("*.model3"))


def run(name, **parameters):
    from qgis import processing

    return processing.run(f"turnrow:{name}", parameters)


def of_provider(path):
    model = QgsProcessingModelAlgorithm()
    assert model.fromFile(str(path))
    return QgsApplication.processingRegistry().algorithmById(f"turnrow:{model.name()}")


def test_every_model_stands_in_the_toolbox(turnrow_provider):
    assert FILES
    assert len(turnrow_provider.algorithms()) == len(ALGORITHMS) + len(FILES)


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_model_is_whole_and_says_what_it_needs(path):
    model = of_provider(path)
    assert model.validate() == (True, [])
    assert model.destinationParameterDefinitions()
    assert model.group()
    for parameter in model.parameterDefinitions():
        assert parameter.isDestination() or parameter.help().endswith("."), parameter.name()
        assert parameter.description()[0].isupper()
    assert model.helpContent()["ALG_DESC"]


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_model_names_nothing_of_the_machine_it_was_made_on(path):
    text = path.read_text("utf-8")
    assert "/home" not in text
    assert "/tmp" not in text
    assert '<Option name="modelVariables"/>' in text


def test_model_maps_a_grid_as_the_algorithms_do(survey_files):
    def target(name):
        return str(survey_files.folder / name)

    scheme = {"GRID": "A", "LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}
    ground = {"CORNERS": str(survey_files.corners), "NOTES": str(survey_files.notes), "TARGET_CRS": "EPSG:32631"}
    logs = [str(survey_files.folder / "A.csv")]
    made = run("Map one grid", LOG=logs, CHANNEL="cond", CELL_SIZE=0.25, **scheme, **ground,
               **{"interpolate:Map": target("model.tif"), "balance:Readings": "memory:",
                  "compare:Findings": "memory:"})  # fmt: skip
    layer = run("readlog", LOG=logs, GRID="A", OUTPUT="memory:")["OUTPUT"]
    layer = run("placereadings", INPUT=layer, OUTPUT="memory:", **scheme, **ground)["OUTPUT"]
    for name in ("flagoutliers", "alignopposing", "balancetraverses"):
        layer = run(name, INPUT=layer, OUTPUT="memory:")["OUTPUT"]
    run("interpolatereadings", INPUT=layer, CHANNEL="cond", CELL_SIZE=0.25, OUTPUT=target("steps.tif"))
    by_model, by_steps = (gdal.Open(target(name)).ReadAsArray() for name in ("model.tif", "steps.tif"))
    np.testing.assert_array_equal(by_model, by_steps)
    assert (by_model != -9999).sum() == 6 * 8 / 0.25**2
    assert made["balance:Readings"].featureCount() == 12 * 38
    assert made["compare:Findings"].featureCount() == 0


def test_model_runs_without_notes(survey_files):
    made = run("Map one grid", LOG=[str(survey_files.folder / "A.csv")], CHANNEL="cond", GRID="A", LENGTH=8, WIDTH=6,
               SPACING=0.5, READINGS_PER_METRE=4, CORNERS=str(survey_files.corners), TARGET_CRS="EPSG:32631",
               **{"interpolate:Map": "TEMPORARY_OUTPUT", "balance:Readings": "memory:",
                  "compare:Findings": "memory:"})  # fmt: skip
    assert gdal.Open(made["interpolate:Map"]).RasterXSize > 0
