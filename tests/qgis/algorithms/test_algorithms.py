"""The algorithms one after the other, as a person or a model chains them."""

import json

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsVectorLayer

pytestmark = pytest.mark.usefixtures("turnrow_provider")
SCHEME = {"GRID": "A", "LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}


def run(name, **parameters):
    from qgis import processing

    return processing.run(f"turnrow:{name}", parameters)


def rows(layer):
    return [dict(zip(layer.fields().names(), f.attributes())) for f in layer.getFeatures()]


@pytest.fixture
def logged(survey_files):
    return run("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT="memory:", TRAVERSES="memory:",
               FINDINGS="memory:", DETECTED_LAYOUT=str(survey_files.folder / "layout.json"))  # fmt: skip


@pytest.fixture
def placed(survey_files, logged):
    corners = f"file://{survey_files.corners}?type=csv&geomType=none"
    layer = QgsVectorLayer(corners, "corners", "delimitedtext")
    return run("placereadings", INPUT=logged["OUTPUT"], CORNERS=layer, TARGET_CRS="EPSG:32631", OUTPUT="memory:",
               FINDINGS="memory:", **SCHEME)  # fmt: skip


def test_log_is_read_and_its_layout_written(survey_files, logged):
    assert logged["OUTPUT"].featureCount() == 12 * 38
    assert [r["readings"] for r in rows(logged["TRAVERSES"])] == [38] * 12
    assert logged["FINDINGS"].featureCount() == 0
    layout = json.loads((survey_files.folder / "layout.json").read_text())
    assert {c["role"] for c in layout["columns"]} == {"line", "station", "time", "channel"}
    again = run("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT="memory:",
                LAYOUT=str(survey_files.folder / "layout.json"))  # fmt: skip
    assert rows(again["OUTPUT"]) == rows(logged["OUTPUT"])


def test_missing_line_is_found(survey_files, logged):
    layer = logged["OUTPUT"]
    clean = run("comparenotes", INPUT=layer, FINDINGS="memory:", **SCHEME)
    assert clean["WALK_AGAIN"] == 0
    layer.setSubsetString('"line" <> 7') or layer.dataProvider().deleteFeatures(
        [f.id() for f in layer.getFeatures() if f["line"] == 7]
    )
    found = run("comparenotes", INPUT=layer, FINDINGS="memory:", **SCHEME)
    assert found["WALK_AGAIN"] == 1
    assert [(r["line"], r["code"], r["walk_again"]) for r in rows(found["FINDINGS"])] == [(7, "line-missing", 1)]


def test_line_that_fits_only_turned_round_is_told(survey_files):
    rows_of_log = survey_files.read(survey_files.folder / "A.csv")
    values = [row["cond"] for row in rows_of_log if row["line"] == "6"]
    for row in rows_of_log:
        if row["line"] == "6":
            row["cond"] = values.pop()
    survey_files.write(survey_files.folder / "A.csv", rows_of_log)
    layer = run("readlog", LOG=[str(survey_files.folder / "A.csv")], GRID="A", OUTPUT="memory:")["OUTPUT"]
    found = run("comparenotes", INPUT=layer, FINDINGS="memory:", **SCHEME)
    assert [(r["line"], r["code"], r["walk_again"]) for r in rows(found["FINDINGS"])] == [(6, "line-reversed", 0)]
    assert found["WALK_AGAIN"] == 0


def test_readings_are_placed_as_points(placed):
    layer = placed["OUTPUT"]
    assert layer.crs().authid() == "EPSG:32631"
    assert placed["LARGEST_RESIDUAL"] == pytest.approx(0, abs=1e-9)
    first = next(f for f in layer.getFeatures() if f["line"] == 1 and f["station"] == 1)
    # Half a spacing and half an interval in from the start corner.
    assert first.geometry().asPoint().x() == pytest.approx(500100.25, abs=1e-9)
    assert first.geometry().asPoint().y() == pytest.approx(6000100.125, abs=1e-9)
    assert sum(r["flag"] == "overrun" for r in rows(layer)) == 12 * 6


def test_corrections_chain_to_a_raster(survey_files, placed):
    flagged = run("flagoutliers", INPUT=placed["OUTPUT"], OUTPUT="memory:")
    assert flagged["FLAGGED"] == 0
    aligned = run("alignopposing", INPUT=flagged["OUTPUT"], OUTPUT="memory:")
    assert abs(aligned["SHIFT_FOUND"]) < 0.02
    assert abs(aligned["LAG_FOUND"]) < 0.02
    balanced = run("balancetraverses", INPUT=aligned["OUTPUT"], OUTPUT="memory:", OFFSETS="memory:")
    assert {r["line"] for r in rows(balanced["OFFSETS"])} == set(range(1, 13))
    assert "cond_raw" in balanced["OUTPUT"].fields().names()
    path = survey_files.folder / "map.tif"
    error = survey_files.folder / "error.tif"
    run("interpolatereadings", INPUT=balanced["OUTPUT"], CHANNEL="cond", CELL_SIZE=0.25, OUTPUT=str(path),
        STANDARD_ERROR=str(error))  # fmt: skip
    raster = gdal.Open(str(path))
    values = raster.ReadAsArray()
    assert (values != -9999).sum() == 6 * 8 / 0.25**2
    assert raster.GetRasterBand(1).GetDescription() == "cond"
    spread = gdal.Open(str(error)).ReadAsArray()
    np.testing.assert_array_equal(spread == -9999, values == -9999)


def test_given_shift_moves_the_points(placed):
    moved = run("alignopposing", INPUT=placed["OUTPUT"], SHIFT=0.25, PER_TRAVERSE=False, OUTPUT="memory:")["OUTPUT"]
    there = {(f["line"], f["station"]): f.geometry().asPoint() for f in moved.getFeatures()}
    for feature in placed["OUTPUT"].getFeatures():
        north = there[feature["line"], feature["station"]].y() - feature.geometry().asPoint().y()
        assert north == pytest.approx(0.25 * feature["heading"], abs=1e-6)


def test_any_extent_gives_cells_on_the_same_lattice(survey_files, placed):
    path = survey_files.folder / "part.tif"
    extent = "500101.1,500103.1,6000101.1,6000103.1 [EPSG:32631]"
    run("interpolatereadings", INPUT=placed["OUTPUT"], CHANNEL="cond", CELL_SIZE=0.25, EXTENT=extent, OUTPUT=str(path))
    west, _, _, north, _, _ = gdal.Open(str(path)).GetGeoTransform()
    assert (west, north) == (500101.0, 6000103.25)


def test_layer_that_is_no_readings_layer_is_refused(survey_files):
    layer = QgsVectorLayer("Point?crs=EPSG:32631&field=name:string", "pegs", "memory")
    with pytest.raises(QgsProcessingException, match="The layer pegs has no field line"):
        run("flagoutliers", INPUT=layer, OUTPUT="memory:")


def test_unplaced_readings_cannot_be_mapped(logged):
    with pytest.raises(QgsProcessingException, match="CRS of the readings is not known"):
        run("interpolatereadings", INPUT=logged["OUTPUT"], CHANNEL="cond", OUTPUT="TEMPORARY_OUTPUT")


def test_degrees_are_refused_with_the_remedy(survey_files, logged):
    layer = QgsVectorLayer(f"file://{survey_files.corners}?type=csv&geomType=none", "corners", "delimitedtext")
    with pytest.raises(QgsProcessingException, match="EPSG:4326 of the survey counts in degrees.*UTM zone"):
        run("placereadings", INPUT=logged["OUTPUT"], CORNERS=layer, TARGET_CRS="EPSG:4326", OUTPUT="memory:", **SCHEME)


def test_corners_of_another_crs_are_transformed(survey_files, logged):
    from qgis.core import (
        QgsCoordinateReferenceSystem,
        QgsCoordinateTransform,
        QgsFeature,
        QgsGeometry,
        QgsPointXY,
        QgsProject,
    )

    here, there = (QgsCoordinateReferenceSystem(c) for c in ("EPSG:32631", "EPSG:25831"))
    transform = QgsCoordinateTransform(here, there, QgsProject.instance())
    layer = QgsVectorLayer("Point?crs=EPSG:25831&field=grid:string&field=corner:string", "pegs", "memory")
    for row in survey_files.read(survey_files.corners):
        feature = QgsFeature(layer.fields())
        feature.setAttributes([row["grid"], row["corner"]])
        point = transform.transform(QgsPointXY(float(row["x"]), float(row["y"])))
        feature.setGeometry(QgsGeometry.fromPointXY(point))
        layer.dataProvider().addFeature(feature)
    placed = run("placereadings", INPUT=logged["OUTPUT"], CORNERS=layer, TARGET_CRS="EPSG:32631", OUTPUT="memory:",
                 **SCHEME)["OUTPUT"]  # fmt: skip
    first = next(f for f in placed.getFeatures() if f["line"] == 1 and f["station"] == 1)
    assert first.geometry().asPoint().x() == pytest.approx(500100.25, abs=1e-4)


def balanced_pair(survey_files, east):
    """Return grids A and B, whose instrument reads 3 mS/m more, balanced to A, and what was found of each."""
    survey_files.write_log("B", east, shift=3.0)
    corners = [row for grid, x in (("A", 0.0), ("B", east)) for row in survey_files.corner_rows(grid, x)]
    survey_files.write(survey_files.corners, corners)
    listed = []
    for grid in "AB":
        log = run("readlog", LOG=[str(survey_files.folder / f"{grid}.csv")], GRID=grid, OUTPUT="memory:")["OUTPUT"]
        corners = QgsVectorLayer(f"file://{survey_files.corners}?type=csv&geomType=none", "corners", "delimitedtext")
        listed.append(run("placereadings", INPUT=log, CORNERS=corners, TARGET_CRS="EPSG:32631", OUTPUT="memory:",
                          **{**SCHEME, "GRID": grid})["OUTPUT"])  # fmt: skip
    listed[0].dataProvider().addFeatures(list(listed[1].getFeatures()))
    balanced = run("balancegrids", INPUT=listed[0], FIXED_GRID="A", OUTPUT="memory:", OFFSETS="memory:")
    found = {r["grid"]: r for r in rows(balanced["OFFSETS"])}
    assert (found["A"]["offset"], found["A"]["based_on"], found["B"]["neighbours"]) == (0.0, "fixed", 1)
    assert found["A"]["drift"] == 0.0
    for row in rows(balanced["OUTPUT"]):
        assert row["cond_raw"] - row["cond"] == pytest.approx(found[row["grid"]]["offset"], abs=1e-9)
    return found["B"]


def test_grids_that_overlap_come_to_one_level(survey_files):
    # Two lines of each grid lie on two of the other, and the readings have no noise.
    assert balanced_pair(survey_files, SCHEME["WIDTH"] - 1.0)["offset"] == pytest.approx(3.0, abs=0.03)


def test_a_step_at_the_only_edge_is_no_proof(survey_files):
    """It may be ground of another kind that begins there: the grid stays, and its standard error covers the step."""
    grid = balanced_pair(survey_files, SCHEME["WIDTH"])
    assert grid["offset"] == pytest.approx(0.0, abs=0.03)
    assert 1.96 * grid["standard_error"] > 3.0


def test_grid_that_does_not_exist_cannot_stay(placed):
    with pytest.raises(QgsProcessingException, match="Invalid fixed grid: 'Z' was given. The readings are of: A."):
        run("balancegrids", INPUT=placed["OUTPUT"], FIXED_GRID="Z", OUTPUT="memory:")
