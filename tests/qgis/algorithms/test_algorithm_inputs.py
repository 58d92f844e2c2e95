"""What a person is told when an algorithm gets something it cannot use, and that nothing is written then."""

import json
import os
import re

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputLayerDefinition,
    QgsVectorLayer,
)
from turnrow.processing_provider.provider import ALGORITHMS

pytestmark = pytest.mark.usefixtures("turnrow_provider")
SCHEME = {"LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}


class Listener(QgsProcessingFeedback):
    """Keeps what an algorithm tells."""

    def __init__(self):
        super().__init__(False)
        self.told = []

    def pushInfo(self, info):
        self.told.append(info)

    def pushWarning(self, warning):
        self.told.append(warning)


def run(name, feedback=None, **parameters):
    from qgis import processing

    return processing.run(f"turnrow:{name}", parameters, feedback=feedback)


def refusal(name, **parameters):
    """Run an algorithm that must refuse; return its sentence."""
    with pytest.raises(QgsProcessingException) as caught:
        run(name, **parameters)
    return str(caught.value)


def table(path):
    return QgsVectorLayer(path.as_uri() + "?type=csv&geomType=none&detectTypes=yes", path.stem, "delimitedtext")


@pytest.fixture
def logs(survey_files):
    """Both grids' readings in one layer."""
    result = run("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT="memory:")["OUTPUT"]
    other = run("readlog", LOG=[str(survey_files.folder / "B.csv")], GRID="B", OUTPUT="memory:")["OUTPUT"]
    result.dataProvider().addFeatures(list(other.getFeatures()))
    return result


# --- readlog


def test_several_logs_make_one_table(survey_files):
    paths = [str(survey_files.folder / f"{grid}.csv") for grid in "AB"]
    layer = run("readlog", LOG=paths, OUTPUT="memory:", TRAVERSES="memory:")
    assert layer["OUTPUT"].featureCount() == 2 * 12 * 38
    assert {f["source"] for f in layer["OUTPUT"].getFeatures()} == {"A.csv", "B.csv"}
    assert "FINDINGS" not in layer


def test_log_that_is_not_there(survey_files):
    assert "nowhere.csv, given as logs, is not there" in refusal("readlog", LOG=["nowhere.csv"], OUTPUT="memory:")


def test_layout_that_is_not_there(survey_files):
    log = str(survey_files.folder / "A.csv")
    sentence = refusal("readlog", LOG=[log], LAYOUT="/nowhere/layout.json", OUTPUT="memory:")
    assert "/nowhere/layout.json, given as layout of the log, is not there" in sentence


def test_layout_that_is_no_text(survey_files):
    path = survey_files.folder / "layout.json"
    path.write_bytes(b"\x80\xff" * 20)
    log = str(survey_files.folder / "A.csv")
    assert "layout.json is no UTF-8 text" in refusal("readlog", LOG=[log], LAYOUT=str(path), OUTPUT="memory:")


def test_layout_in_a_folder_that_is_not_there(survey_files):
    (survey_files.folder / "taken").write_text("a file")
    target = survey_files.folder / "taken" / "layout.json"
    log = str(survey_files.folder / "A.csv")
    sentence = refusal("readlog", LOG=[log], OUTPUT="memory:", DETECTED_LAYOUT=str(target))
    assert "layout.json cannot be written" in sentence


# --- the grid that is meant


def test_several_grids_and_none_named(logs, survey_files):
    sentence = refusal("placereadings", INPUT=logs, CORNERS=table(survey_files.corners), TARGET_CRS="EPSG:32631",
                       OUTPUT="memory:", **SCHEME)  # fmt: skip
    assert "The readings are of several grids: A, B. Name one of them as Grid." in sentence


def test_grid_without_readings(logs):
    sentence = refusal("comparenotes", INPUT=logs, GRID="C", FINDINGS="memory:", **SCHEME)
    assert "There are no readings of grid C. The readings are of: A, B." in sentence


def test_one_grid_of_several_is_placed_and_the_rest_is_counted(logs, survey_files):
    listener = Listener()
    placed = run("placereadings", listener, INPUT=logs, CORNERS=table(survey_files.corners), GRID="B",
                 TARGET_CRS="EPSG:32631", OUTPUT="memory:", **SCHEME)["OUTPUT"]  # fmt: skip
    assert {f["grid"] for f in placed.getFeatures()} == {"B"}
    assert "456 readings of other grids are left out." in listener.told
    # Grid B lies 6 m east of grid A: half a spacing in from its start corner.
    first = next(f for f in placed.getFeatures() if f["line"] == 1 and f["station"] == 1)
    assert first.geometry().asPoint().x() == pytest.approx(500106.25, abs=1e-9)


def test_log_without_a_grid_takes_the_name_that_is_given(survey_files):
    layer = run("readlog", LOG=[str(survey_files.folder / "A.csv")], OUTPUT="memory:")["OUTPUT"]
    placed = run("placereadings", INPUT=layer, CORNERS=table(survey_files.corners), GRID="A",
                 TARGET_CRS="EPSG:32631", OUTPUT="memory:", **SCHEME)["OUTPUT"]  # fmt: skip
    assert {f["grid"] for f in placed.getFeatures()} == {"A"}


# --- coordinate reference systems


def corners_in_degrees():
    layer = QgsVectorLayer("Point?crs=EPSG:4326&field=grid:string&field=corner:string", "pegs", "memory")
    from qgis.core import QgsFeature, QgsGeometry, QgsPointXY

    for corner, x, y in (("start", 21.001, -33.5), ("head", 21.001, -33.499)):
        feature = QgsFeature(layer.fields())
        feature.setAttributes(["A", corner])
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        layer.dataProvider().addFeature(feature)
    return layer


def test_degrees_are_answered_with_the_zone_of_the_place(logs):
    """Zone = floor((longitude + 180) / 6) + 1, EPSG 327xx in the south (EPSG registry, UTM on WGS 84)."""
    sentence = refusal("placereadings", INPUT=logs, GRID="A", CORNERS=corners_in_degrees(), OUTPUT="memory:", **SCHEME)
    assert "EPSG:4326 of the survey counts in degrees" in sentence
    assert "UTM zone 34 south (EPSG:32734)" in sentence


def test_feet_are_answered_with_the_zone_of_the_place(logs, survey_files):
    """EPSG:2263 counts in feet; its false easting of 300000 m lies on longitude 74 W (EPSG registry): zone 18."""
    for row in survey_files.read(survey_files.corners):
        changed = {"x": 984250.0, "y": 200000.0 + float(row["y"]) - 6000100}
        survey_files.change(survey_files.corners, {"grid": row["grid"], "corner": row["corner"]}, **changed)
    sentence = refusal("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners),
                       TARGET_CRS="EPSG:2263", OUTPUT="memory:", **SCHEME)  # fmt: skip
    assert re.search("EPSG:2263 of the survey counts in .*feet", sentence)
    assert "UTM zone 18 north (EPSG:32618)" in sentence


def test_corners_of_an_unknown_crs(logs, survey_files):
    sentence = refusal("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners), OUTPUT="memory:",
                       **SCHEME)  # fmt: skip
    assert "The CRS of the survey is not known" in sentence


def test_corner_that_is_no_number(logs, survey_files):
    survey_files.change(survey_files.corners, {"grid": "A", "corner": "head"}, x="east")
    sentence = refusal("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners),
                       TARGET_CRS="EPSG:32631", OUTPUT="memory:", **SCHEME)  # fmt: skip
    assert "Invalid x in corners, row 5: 'east' was given" in sentence


def test_exchanged_axes_of_the_grid_that_is_placed(logs, survey_files):
    survey_files.write(survey_files.corners, [{**row, "x": row["y"], "y": row["x"]} if row["grid"] == "A" else row
                                              for row in survey_files.read(survey_files.corners)])  # fmt: skip
    sentence = refusal("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners),
                       TARGET_CRS="EPSG:32631", OUTPUT="memory:", **SCHEME)  # fmt: skip
    assert "Ask the books for easting and northing" in sentence
    assert "easting from x, northing from y" in sentence


def test_site_outside_the_area_of_its_crs_is_a_finding(logs, survey_files):
    """On the equator 400 km east of its central meridian a site lies 0.6 degrees past the edge of a UTM zone."""
    for row in survey_files.read(survey_files.corners):
        moved = {"x": float(row["x"]) + 4e5, "y": float(row["y"]) - 6e6}
        survey_files.change(survey_files.corners, {"grid": row["grid"], "corner": row["corner"]}, **moved)
    found = run("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners), TARGET_CRS="EPSG:32631",
                OUTPUT="memory:", FINDINGS="memory:", **SCHEME)["FINDINGS"]  # fmt: skip
    (finding,) = (f for f in found.getFeatures() if f["code"] == "crs-area")
    assert "UTM zone 32 north (EPSG:32632)" in finding["advice"]


# --- rasters


@pytest.fixture
def placed(logs, survey_files):
    return run("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners), TARGET_CRS="EPSG:32631",
               OUTPUT="memory:", **SCHEME)["OUTPUT"]  # fmt: skip


def test_field_that_is_no_channel(placed, survey_files):
    target = survey_files.folder / "map.tif"
    sentence = refusal("interpolatereadings", INPUT=placed, CHANNEL="u_m", OUTPUT=str(target))
    assert "'u_m' was given. The readings carry: cond" in sentence
    assert not target.exists()


def test_raster_of_another_format_is_refused(placed, survey_files):
    target = survey_files.folder / "map.asc"
    sentence = refusal("interpolatereadings", INPUT=placed, CHANNEL="cond", OUTPUT=str(target))
    assert "map.asc cannot be written: rasters are GeoTIFFs" in sentence
    assert not target.exists()


def test_wide_lines_are_mapped_to_their_edges(survey_files):
    """Lines 6 m apart stand for 3 m on either side: ten of them cover 60 m."""
    import numpy as np
    from qgis.core import QgsCoordinateReferenceSystem
    from turnrow.processing_provider.bridge.vector.layers import write_readings
    from turnrow.processing_provider.engine.core.readings import Readings

    u, v = (axis.ravel() for axis in np.meshgrid(3 + 6.0 * np.arange(10), 0.5 + np.arange(40), indexing="ij"))
    readings = Readings.build(np.repeat(np.arange(1, 11), 40), {"eca": u / 10}, grids=("A",), u_m=u, v_m=v,
                              x=500100 + u, y=6000100 + v, heading=np.tile([1] * 40 + [-1] * 40, 5))  # fmt: skip
    layer = QgsVectorLayer("Point?crs=EPSG:32631", "wide", "memory")

    def make(fields, geometry, crs):
        layer.dataProvider().addAttributes(fields.toList())
        layer.updateFields()
        return layer.dataProvider()

    write_readings(readings, make, QgsCoordinateReferenceSystem("EPSG:32631"))
    target = survey_files.folder / "wide.tif"
    run("interpolatereadings", INPUT=layer, CHANNEL="eca", CELL_SIZE=1, OUTPUT=str(target))
    assert (gdal.Open(str(target)).ReadAsArray() != -9999).sum() == 60 * 40


def test_balance_tells_its_figures_in_a_sentence(placed):
    listener = Listener()
    run("balancetraverses", listener, INPUT=placed, OUTPUT="memory:")
    start = "cond: no difference between the walking directions is proven, offsets of the lines scatter by "
    assert any(told.startswith(start) and told.endswith(" mS/m (standard deviation).") for told in listener.told)


@pytest.mark.parametrize("name", ["flagoutliers", "alignopposing", "balancetraverses"])
def test_cancelled_corrections_write_nothing(placed, survey_files, name):
    feedback = QgsProcessingFeedback()
    feedback.cancel()
    target = survey_files.folder / "out.gpkg"
    assert run(name, feedback, INPUT=placed, OUTPUT=str(target)).get("OUTPUT") is None
    assert not target.exists()


@pytest.mark.parametrize("name", ["flagoutliers", "alignopposing", "balancetraverses"])
def test_inputs_stay_as_they_were(placed, name):
    before = [f.attributes() for f in placed.getFeatures()]
    run(name, INPUT=placed, OUTPUT="memory:")
    assert [f.attributes() for f in placed.getFeatures()] == before


@pytest.mark.parametrize("wrapped", [False, True])
def test_input_is_never_written_to(survey_files, wrapped):
    source = survey_files.folder / "logged.gpkg"
    run("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT=str(source))
    before = source.read_bytes()
    target = QgsProcessingOutputLayerDefinition(str(source)) if wrapped else str(source)
    sentence = refusal("flagoutliers", INPUT=str(source), OUTPUT=target)
    assert "logged.gpkg is an input, and inputs are never changed. Choose another name for OUTPUT." in sentence
    assert source.read_bytes() == before


@pytest.mark.parametrize("link", ["symlink_to", "hardlink_to"])
def test_a_link_to_an_input_is_never_written_to(survey_files, link):
    log, other = survey_files.folder / "A.csv", survey_files.folder / "other.csv"
    before = log.read_bytes()
    if link == "symlink_to":
        other.symlink_to(log)
    else:
        os.link(log, other)
    assert "is an input" in refusal("readlog", LOG=[str(log)], OUTPUT="memory:", TRAVERSES=str(other))
    assert log.read_bytes() == before


def test_a_table_of_the_file_of_an_input_is_written_unless_it_is_the_input(logs, survey_files):
    source = survey_files.folder / "placed.gpkg"
    run("placereadings", INPUT=logs, GRID="A", CORNERS=table(survey_files.corners), TARGET_CRS="EPSG:32631",
        OUTPUT=str(source), **SCHEME)  # fmt: skip
    for given in (str(source), f"{source}|layername=placed"):
        same = f"ogr:dbname='{source}' table=\"placed\""
        sentence = refusal("flagoutliers", INPUT=given, OUTPUT=same)
        assert f"Table placed of {source} is an input" in sentence
    run("flagoutliers", INPUT=str(source), OUTPUT=f"ogr:dbname='{source}' table=\"flagged\" (geom)")
    counts = {name: QgsVectorLayer(f"{source}|layername={name}").featureCount() for name in ("placed", "flagged")}
    assert counts["placed"] == counts["flagged"] > 0


@pytest.mark.parametrize("side", [".qml", ".tif.aux.xml"])
def test_what_belongs_to_an_input_is_never_written_to(survey_files, side):
    raster = survey_files.folder / "map.tif"
    target = gdal.GetDriverByName("GTiff").Create(str(raster), 40, 40, 1, gdal.GDT_Float32)
    target.SetGeoTransform((500000, 1, 0, 6000040, 0, -1))
    target.SetProjection(QgsCoordinateReferenceSystem("EPSG:32631").toWkt())
    target.GetRasterBand(1).WriteArray(np.random.default_rng(1).normal(size=(40, 40)))
    del target
    (survey_files.folder / f"map{side}").write_text("<mine/>")
    regional = survey_files.folder / "regional.tif"
    for name in (f"map{side}", "map.img") if side == ".qml" else (f"map{side}",):
        target = str(survey_files.folder / name)
        said = refusal("splitresponse", INPUT=str(raster), WIDTH=5, REGIONAL=str(regional), LOCAL=target)
        assert "belongs to the input" in said
        assert not regional.exists()
    assert (survey_files.folder / f"map{side}").read_text() == "<mine/>"


def test_the_logs_of_a_register_are_never_written_to(survey_files):
    log = survey_files.folder / "A.csv"
    before = log.read_bytes()
    given = {k: v for k, v in survey_files.parameters().items() if k not in ("OUTPUT_FOLDER", "CELL_SIZE")}
    assert "is an input" in refusal("eveningcheck", **given, FINDINGS=str(log))
    assert log.read_bytes() == before


def test_log_is_never_written_to(survey_files):
    log = survey_files.folder / "A.csv"
    before = log.read_bytes()
    assert "is an input" in refusal("readlog", LOG=[str(log)], OUTPUT="memory:", TRAVERSES=str(log))
    assert log.read_bytes() == before


def test_scipy_missing_is_said_in_a_sentence(turnrow_provider, monkeypatch):
    from turnrow.processing_provider import base

    monkeypatch.setattr(base.importlib.util, "find_spec", lambda name: None)
    for algorithm in ALGORITHMS:
        done, sentence = turnrow_provider.algorithm(algorithm.NAME).canExecute()
        assert not done
        assert "needs the Python package scipy. Install it" in sentence


def test_register_in_a_folder_with_a_space(survey_files, tmp_path):
    """The address of a text layer writes a space as %20 (RFC 3986)."""
    folder = tmp_path / "my site"
    folder.mkdir()
    for path in survey_files.folder.glob("*.csv"):
        path.rename(folder / path.name)
    result = run("processregister", REGISTER=table(folder / "register.csv"), CORNERS=table(folder / "corners.csv"),
                 TARGET_CRS="EPSG:32631", OUTPUT_FOLDER=str(tmp_path / "out put"))  # fmt: skip
    assert result["GRIDS_DONE"] == 2
    recipe = json.loads((tmp_path / "out put" / "recipe.json").read_text())
    assert {"register.csv", "corners.csv", "A.csv"} <= {entry["path"] for entry in recipe["inputs"]}


def test_an_output_in_a_place_that_is_not_there_is_no_fault_of_the_program(survey_files):
    place = "/dev/null/x.gpkg"
    said = refusal("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT=place)
    assert "The output OUTPUT cannot be written. Choose another place for it." in said


def test_empty_rows_are_counted_only_where_the_table_can_be_read(tmp_path):
    from turnrow.processing_provider.bridge.vector.layers import _empty_rows

    path = tmp_path / "notes.csv"
    path.write_text('grid,comment\nA,"' + "x\n" * 100_000, "utf-8")
    assert _empty_rows(path, 3) == []
