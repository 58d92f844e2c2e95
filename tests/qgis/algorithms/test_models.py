"""The ready-made models: they load with the provider, run, and give what the single algorithms give."""

from itertools import combinations

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsApplication, QgsProcessingException, QgsProcessingFeedback, QgsProcessingModelAlgorithm
from qgis.PyQt.QtCore import QRectF
from turnrow.processing_provider.provider import ALGORITHMS, MODELS

pytestmark = pytest.mark.usefixtures("turnrow_provider")
FILES = sorted(MODELS.glob("*.model3"))


GAP = 20
"""Between boxes in the designer, pixels: room for the fold marks above and below a step."""


def run(name, **parameters):
    from qgis import processing

    return processing.run(f"turnrow:{name}", parameters)


def box(component):
    """Place of a component in the designer; its position is its middle."""
    size, middle = component.size(), component.position()
    return QRectF(0, 0, size.width() + GAP, size.height() + GAP).translated(
        middle.x() - size.width() / 2, middle.y() - size.height() / 2
    )


def rows_of(layer):
    return [feature.attributes() for feature in layer.getFeatures()]


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


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_boxes_of_the_designer_do_not_lie_on_each_other(path):
    model = of_provider(path)
    steps = model.childAlgorithms()
    boxes = {name: box(part) for name, part in model.parameterComponents().items()}
    boxes.update({name: box(step) for name, step in steps.items()})
    boxes.update({(name, o): box(part) for name, s in steps.items() for o, part in s.modelOutputs().items()})
    assert [pair for pair in combinations(boxes, 2) if boxes[pair[0]].intersects(boxes[pair[1]])] == []
    assert min(b.left() for b in boxes.values()) >= 0
    assert min(b.top() for b in boxes.values()) >= 0


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_model_stands_in_a_group_of_the_algorithms(path):
    """By its id, or the toolbox would show two groups of one name."""
    groups = {(a.GROUP, a.GROUP.lower()) for a in ALGORITHMS}
    assert (of_provider(path).group(), of_provider(path).groupId()) in groups


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_inputs_are_asked_for_as_they_stand_in_the_designer(path):
    """Row by row from the top; of itself QGIS asks in the order of the alphabet."""
    model = of_provider(path).create()
    places = {name: part.position() for name, part in model.parameterComponents().items()}
    asked = [d.name() for d in model.parameterDefinitions() if not d.isDestination()]
    assert asked == sorted(places, key=lambda name: (places[name].y(), places[name].x()))
    assert asked != sorted(asked)


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_every_output_of_a_model_has_help(path):
    model = of_provider(path)
    for output in model.destinationParameterDefinitions():
        assert model.helpContent()[output.name()].endswith("."), output.name()


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


def test_register_goes_to_a_sheet_as_by_the_algorithms(survey_files):
    """The same maps, and the same picture to the last pixel."""
    survey, folders = survey_files.parameters(), {n: str(survey_files.folder / n) for n in ("model", "steps")}
    del survey["OUTPUT_FOLDER"]
    sheets = {name: f"{folder}/sheet.png" for name, folder in folders.items()}
    run("Register to map sheet", **survey, OUTPUT_FOLDER=folders["model"], CHANNEL="cond", SITE="Field", PAPER="A4",
        SCALE="1:250", **{"sheet:Sheet": sheets["model"]})  # fmt: skip
    run("processregister", **survey, OUTPUT_FOLDER=folders["steps"])
    site = f"{folders['steps']}/site_cond"
    run("mapsheet", INPUT=[f"{site}.tif"], COMPARE=[f"{site}_raw.tif"], SITE="Field", PAPER="A4", SCALE="1:250",
        GRIDS=f"{folders['steps']}/survey.gpkg|layername=grids", OUTPUT=sheets["steps"])  # fmt: skip
    for name in ("site_cond.tif", "site_cond_raw.tif", "sheet.png"):
        by_model, by_steps = (gdal.Open(f"{folder}/{name}").ReadAsArray() for folder in folders.values())
        np.testing.assert_array_equal(by_model, by_steps)
    assert len(np.unique(by_model)) > 100


def test_sheet_waits_for_the_survey():
    """The sheet's maps are named by an expression, which QGIS does not follow to the step that writes them."""
    model = QgsApplication.processingRegistry().algorithmById("turnrow:Register to map sheet")
    assert [d.childId for d in model.childAlgorithm("sheet").dependencies()] == ["process"]
    assert "sheet" not in model.dependsOnChildAlgorithms("process")


def test_sheet_of_a_channel_that_was_not_logged_is_refused(survey_files):
    """The model ends and says at which step and why: QGIS 3.22 in the log, QGIS 3.40 and later in the error."""
    from qgis import processing

    given = survey_files.parameters(CHANNEL="cnod", SITE="Field", **{"sheet:Sheet": str(survey_files.folder / "s.png")})
    log = QgsProcessingFeedback()
    with pytest.raises(QgsProcessingException, match="Make a map sheet") as raised:
        processing.run("turnrow:Register to map sheet", given, feedback=log)
    assert "Of the layers given as maps none can be opened" in f"{log.textLog()} {raised.value}"
    assert not (survey_files.folder / "s.png").exists()


def test_many_files_are_read_as_by_the_algorithm_and_counted(survey_files):
    """Counts are those of the rows of the files."""
    layout, logs = str(survey_files.folder / "layout.json"), [str(survey_files.folder / f"{g}.csv") for g in "AB"]
    run("readlog", LOG=logs[:1], OUTPUT="memory:", DETECTED_LAYOUT=layout)
    made = run("Many files of one layout", LOG=logs, LAYOUT=layout, **{
        name: "memory:" for name in ("read:Readings", "read:Traverses", "read:Findings", "count:Files")})  # fmt: skip
    steps = run("readlog", LOG=logs, LAYOUT=layout, OUTPUT="memory:", TRAVERSES="memory:", FINDINGS="memory:")
    for name in ("Readings", "Traverses", "Findings"):
        step = steps["OUTPUT" if name == "Readings" else name.upper()]
        assert [f.name() for f in made[f"read:{name}"].fields()] == [f.name() for f in step.fields()]
        assert rows_of(made[f"read:{name}"]) == rows_of(step)
    expected = []
    for name in ("A.csv", "B.csv"):
        rows = survey_files.read(survey_files.folder / name)
        times = sorted(row["time"][:5] for row in rows)
        expected.append([name, "", len({row["line"] for row in rows}), len(rows), 0, times[0], times[-1]])
    assert sorted(rows_of(made["count:Files"])) == expected
