"""A grid whose log looks misread: one sentence, first, and no map until a person confirms the layout."""

import json

import pytest
from osgeo import ogr
from qgis.core import QgsProcessingContext, QgsProcessingFeedback

from ..plugin.conftest import opened

pytestmark = pytest.mark.usefixtures("turnrow_provider", "qgis_new_project")
ASKED = "Grid A: Ask for the layout of the log: look at stations."


@pytest.fixture
def questionable(survey_files):
    """Lines of grid A are walked out and back, but the column that is called station counts up in all of them."""
    log = survey_files.folder / "A.csv"
    rows = survey_files.read(log)
    counts = [int(row["station"]) for row in rows if row["line"] == "1"]
    for n, row in enumerate(rows):
        row["station"] = counts[n % len(counts)]
    survey_files.write(log, rows)
    return survey_files


def run(name, **parameters):
    from qgis import processing

    said = QgsProcessingFeedback(False)
    context = QgsProcessingContext()
    return processing.run(f"turnrow:{name}", parameters, context=context, feedback=said), said.textLog()


def table(path, layer=0):
    source = ogr.Open(str(path))
    return [feature.items() for feature in source.GetLayer(layer)]


def test_the_grid_is_not_mapped_until_its_layout_is_confirmed(questionable):
    result, said = run("processregister", **questionable.parameters())
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (1, 1)
    first, *others = table(questionable.output / "survey.gpkg", "findings")
    assert (first["code"], first["grid"], first["line"]) == ("layout-questioned", "A", None)
    assert "A" not in {finding["grid"] for finding in others}
    assert ASKED in said
    assert not (questionable.output / "grids" / "A_cond.tif").exists()
    # The layout that was found out is there to be confirmed.
    layout = json.loads((questionable.output / "layouts" / "A.json").read_text("utf-8"))
    assert layout["confirmed"] is False
    (questionable.folder / "A.json").write_text(json.dumps({**layout, "confirmed": True}))
    questionable.change(questionable.register, {"grid": "A"}, layout="A.json")
    result, _ = run("processregister", **questionable.parameters())
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (2, 0)
    codes = {(f["grid"], f["line"], f["code"]) for f in table(questionable.output / "survey.gpkg", "findings")}
    assert ("A", None, "direction") in codes
    assert "layout-questioned" not in {code for _, _, code in codes}


def test_the_evening_check_says_it_next_to_what_is_not_checked(questionable):
    given = {key: questionable.parameters()[key] for key in ("REGISTER", "CORNERS", "NOTES", "TARGET_CRS")}
    result, said = run("eveningcheck", **given, FINDINGS=str(questionable.folder / "findings.csv"))
    assert said.startswith("Nothing to walk again in what could be read. Not checked: A.\n" + ASKED)
    assert [f["code"] for f in table(result["FINDINGS"])][0] == "layout-questioned"


def test_the_comparison_says_it_alone(questionable):
    readings = str(questionable.folder / "readings.gpkg")
    run("readlog", LOG=[str(questionable.folder / "A.csv")], GRID="A", OUTPUT=readings)
    scheme = table(questionable.register)[0]
    sizes = {"LENGTH": "length_m", "WIDTH": "width_m", "SPACING": "spacing_m", "READINGS_PER_METRE": "readings_per_m"}
    grid = {"INPUT": readings, "NOTES": str(questionable.notes), "GRID": "A"}
    grid |= {key: float(scheme[name]) for key, name in sizes.items()}
    grid["FINDINGS"] = str(questionable.folder / "f.csv")
    assert [f["code"] for f in table(run("comparenotes", **grid)[0]["FINDINGS"])] == ["layout-questioned"]
    confirmed = table(run("comparenotes", **grid, CONFIRMED=True)[0]["FINDINGS"])
    assert "direction" in {f["code"] for f in confirmed}


def test_the_workbench_shows_the_grid_as_read_and_the_doubt_first(questionable):
    session = opened(questionable)
    assert session.state("A").steps_done == 1
    assert session.findings()[0].code == "layout-questioned"
    assert [f.code for f in session.findings("A")] == ["layout-questioned"]
