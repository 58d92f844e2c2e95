"""Readings at full scale through the whole program: finding, marks in files and project, corrections of their layer."""

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import QgsProject
from turnrow.sample_project.simulator.other_laws import CASES

pytestmark = pytest.mark.usefixtures("turnrow_provider")


@pytest.fixture(scope="module")
def survey(tmp_path_factory, turnrow_provider):
    """A site of which 1 % of the readings are cut off, processed; with what is true about it."""
    from qgis import processing

    folder = tmp_path_factory.mktemp("survey")
    drawn = CASES["full scale"].walk(11)
    drawn.write(folder)
    tables = {key: f"{folder / name}.csv" for key, name in
              (("REGISTER", "register"), ("CORNERS", "corners"), ("NOTES", "notes"))}  # fmt: skip
    processing.run("turnrow:processregister", {
        **tables, "TARGET_CRS": "EPSG:32631", "OUTPUT_FOLDER": str(folder / "out"),
    })  # fmt: skip
    return folder / "out", drawn.truth


def rows(folder, layer):
    source = ogr.Open(str(folder / "survey.gpkg"))
    return [feature.items() for feature in source.GetLayerByName(layer)]


def test_every_such_reading_is_marked_and_counted(survey):
    folder, truth = survey
    cut = sum(int(np.count_nonzero(values >= truth.scale["eca_10"])) for values in truth.values["eca_10"])
    marks, readings = rows(folder, "full_scale"), rows(folder, "readings")
    assert [mark["value"] for mark in marks] == pytest.approx([truth.scale["eca_10"]] * len(marks))
    in_field = [row for row in readings if row["eca_10_full_se"] is not None]
    assert len(in_field) == cut
    assert len(marks) == sum(not row["flag"] for row in in_field)
    (finding,) = [f for f in rows(folder, "findings") if f["code"] == "full-scale"]
    assert f"{cut} of " in finding["found"]
    assert finding["severity"] == "warning"


def test_project_shows_the_marks_above_the_maps(survey):
    project = QgsProject()
    assert project.read(str(survey[0] / "site.qgz"))
    (marks,) = project.mapLayersByName("Full scale")
    order = [layer.name() for layer in project.layerTreeRoot().layerOrder()]
    assert order.index("Full scale") < order.index("eca_10, whole site")
    assert project.layerTreeRoot().findLayer(marks.id()).itemVisibilityChecked()
    project.clear()


def test_the_layer_of_readings_keeps_the_marks_through_another_correction(survey, tmp_path):
    from qgis import processing

    out, path = survey[0], tmp_path / "se.tif"
    layer = f"{out / 'survey.gpkg'}|layername=readings"
    processing.run("turnrow:balancetraverses", {"INPUT": layer, "OUTPUT": str(tmp_path / "again.gpkg")})
    source = ogr.Open(str(tmp_path / "again.gpkg"))
    again = [feature["eca_10_full_se"] for feature in source.GetLayer(0)]
    assert again == [row["eca_10_full_se"] for row in rows(out, "readings")]
    processing.run("turnrow:interpolatereadings", {
        "INPUT": layer, "CHANNEL": "eca_10", "OUTPUT": str(tmp_path / "map.tif"), "STANDARD_ERROR": str(path),
    })  # fmt: skip
    error, whole = (gdal.Open(str(p)).ReadAsArray() for p in (path, out / "site_eca_10_se.tif"))
    assert error.max() == pytest.approx(whole.max(), rel=1e-3)
    assert error.max() > 3 * np.median(error[error > 0])
