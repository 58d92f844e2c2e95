"""A whole survey in one run: what it writes, and what a person is told when something is wrong."""

import importlib
import json
import shutil
from functools import partial
from html import unescape

import numpy as np
import pytest
from osgeo import gdal, ogr
from turnrow.processing_provider.engine.core import store
from turnrow.processing_provider.engine.core.store import GridStore
from turnrow.processing_provider.engine.interpolate.tiles import interpolate_grids

PROCESS_SURVEY = importlib.import_module("turnrow.processing_provider.engine.workflow.process_survey")
MAPS = importlib.import_module("turnrow.processing_provider.engine.workflow.maps")

pytestmark = pytest.mark.usefixtures("turnrow_provider")


def run(parameters):
    from qgis import processing

    return processing.run("turnrow:processregister", parameters)


def table(path, layer):
    source = ogr.Open(str(path))
    return [feature.items() for feature in source.GetLayerByName(layer)]


def failure(files, grid="A"):
    """Run a survey of which one grid is spoilt; return the sentence about it."""
    result = run(files.parameters())
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (1, 1)
    found = [f for f in table(files.output / "survey.gpkg", "findings") if f["code"] == "grid-failed"]
    assert [f["grid"] for f in found] == [grid]
    return found[0]["found"]


def findings(files, code, **changes):
    run(files.parameters(**changes))
    return [f for f in table(files.output / "survey.gpkg", "findings") if f["code"] == code]


def test_log_and_report_say_the_same_of_each_step(survey_files):
    from qgis import processing
    from qgis.core import QgsProcessingFeedback

    log = QgsProcessingFeedback()
    processing.run("turnrow:processregister", survey_files.parameters(), feedback=log)
    report = unescape((survey_files.output / "report.html").read_text("utf-8"))
    for words in ("Shift applied: ", "the steps along 1 shared edge"):
        sentence = next(line for line in log.textLog().splitlines() if words in line)
        assert sentence in report


def test_writes_every_file_of_a_processed_survey(survey_files):
    result = run(survey_files.parameters())
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"], result["WALK_AGAIN"]) == (2, 0, 0)
    names = {p.relative_to(survey_files.output).as_posix() for p in survey_files.output.rglob("*") if p.is_file()}
    expected = {"survey.gpkg", "report.html", "recipe.json", "site.qgz"}
    expected |= {"site_cond.tif", "site_cond.qml", "site_cond_raw.tif", "site_cond_se.tif"}
    expected |= {"grids/A_cond.tif", "grids/B_cond.tif"}
    expected |= {"layouts/A.json", "layouts/B.json"}
    assert expected <= names
    assert not [n for n in names if "tmp" in n or n.startswith(".")]


def test_map_shows_the_ground(survey_files):
    run(survey_files.parameters())
    raster = gdal.Open(str(survey_files.output / "site_cond.tif"))
    values = raster.ReadAsArray().astype(float)
    west, cell, _, north, _, _ = raster.GetGeoTransform()
    x, y = np.meshgrid(
        west + cell * (np.arange(values.shape[1]) + 0.5), north - cell * (np.arange(values.shape[0]) + 0.5)
    )
    valid = values != -9999
    assert valid.sum() == 12 * 8 / 0.25**2
    # The corrections may level the lines by less than a noise unit; the shape has to stay.
    assert np.abs(values - survey_files.ground(x, y))[valid].max() < 0.15


def test_readings_are_complete_and_flagged(survey_files):
    run(survey_files.parameters())
    rows = table(survey_files.output / "survey.gpkg", "readings")
    assert len(rows) == 2 * 12 * 38
    assert sum(r["flag"] == "overrun" for r in rows) == 2 * 12 * 6
    assert {"cond", "cond_raw", "u_m", "v_m", "heading", "source", "row"} <= set(rows[0])


def with_base_readings(files, spots):
    """Walk the survey anew with stripes, and sets of base readings (line 99) that read ``spots`` by grid."""
    rng = np.random.default_rng(1)
    for grid, shift in (("A", 0.0), ("B", 2.0)):
        log = files.folder / f"{grid}.csv"
        rows, out = files.read(log), []
        stripes = {str(n): rng.normal(0, 0.2) for n in range(1, 13)}
        for n in range(1, 13):
            mine = [r for r in rows if r["line"] == str(n)]
            hour, minute, second = (float(part) for part in mine[0]["time"].split(":"))
            begun = hour * 3600 + minute * 60 + second - 9
            for k in range(24 if n % 4 == 1 else 0):
                t = begun + k / 4
                time = f"{int(t // 3600):02d}:{int(t % 3600 // 60):02d}:{t % 60:05.2f}"
                value = spots[grid] + shift + rng.normal(0, 0.05)
                out.append({"line": 99, "station": k + 1, "time": time, "cond": f"{value:.3f}"})
            for row in mine:
                value = float(row["cond"]) + shift + stripes[str(n)] + rng.normal(0, 0.05)
                out.append({**row, "cond": f"{value:.3f}"})
        files.write(log, out)
    files.write(files.notes, [{"grid": g, "line": 99, "kind": "base"} for g in "AB"])


def test_base_readings_on_one_spot_level_the_grids(survey_files):
    with_base_readings(survey_files, {"A": 9.0, "B": 9.0})
    run(survey_files.parameters())
    report = (survey_files.output / "report.html").read_text()
    assert "base readings on one spot also determine the levels of 2 grids" in report


def test_base_readings_on_two_spots_level_nothing(survey_files):
    with_base_readings(survey_files, {"A": 9.0, "B": 14.0})
    run(survey_files.parameters())
    report = (survey_files.output / "report.html").read_text()
    assert "those of grids A, B are not known to be of one" in report


def test_recipe_repeats_the_run(survey_files):
    run(survey_files.parameters())
    first = gdal.Open(str(survey_files.output / "site_cond.tif")).ReadAsArray()
    again = survey_files.folder / "again"
    recipe = survey_files.folder / "recipe.json"
    shutil.copy(survey_files.output / "recipe.json", recipe)
    run(survey_files.parameters(RECIPE=str(recipe), OUTPUT_FOLDER=str(again), CELL_SIZE=None, TARGET_CRS=None))
    np.testing.assert_array_equal(gdal.Open(str(again / "site_cond.tif")).ReadAsArray(), first)
    content = json.loads(recipe.read_text())
    assert {i["path"] for i in content["inputs"]} >= {"A.csv", "B.csv", "register.csv", "corners.csv", "notes.csv"}


def test_recipe_of_other_inputs_is_told(survey_files):
    run(survey_files.parameters())
    recipe = survey_files.folder / "recipe.json"
    shutil.copy(survey_files.output / "recipe.json", recipe)
    survey_files.write_log("A", 0.0, shift=1.0)
    run(survey_files.parameters(RECIPE=str(recipe)))
    found = [f for f in table(survey_files.output / "survey.gpkg", "findings") if f["code"] == "input-changed"]
    assert len(found) == 1
    assert "A.csv is not the file that the recipe was written for" in found[0]["found"]


def test_failed_grid_that_was_fixed_does_not_stop_the_others(survey_files):
    run(survey_files.parameters())
    recipe = survey_files.folder / "recipe.json"
    content = json.loads((survey_files.output / "recipe.json").read_text())
    balance = next(s for s in content["steps"] if s["step"] == "balancegrids")
    balance["options"]["fixed_grid"] = "A"
    recipe.write_text(json.dumps(content))
    (survey_files.folder / "A.csv").write_text("")
    result = run(survey_files.parameters(RECIPE=str(recipe)))
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (1, 1)
    found = [f for f in table(survey_files.output / "survey.gpkg", "findings") if f["code"] == "fixed-grid-failed"]
    assert [f["grid"] for f in found] == ["A"]
    assert "Grid A was to keep its level, but it could not be placed" in found[0]["found"]
    kept = json.loads((survey_files.output / "recipe.json").read_text())
    # Once the grid is mended, the recipe holds it again.
    assert [s["options"]["fixed_grid"] for s in kept["steps"] if s["step"] == "balancegrids"] == ["A"]


# --- bad input: each test reads the sentence that a person gets


def test_empty_log(survey_files):
    (survey_files.folder / "A.csv").write_text("")
    assert "A.csv is empty" in failure(survey_files)


def test_log_of_another_survey(survey_files):
    survey_files.change(survey_files.register, {"grid": "A"}, first_line="501")
    found = findings(survey_files, "wrong-log", NOTES=None)
    assert [f["grid"] for f in found] == ["A"]


def test_wrong_layout(survey_files):
    layout = {"name": "other", "delimiter": ";", "columns": [{"column": "x", "role": "channel", "name": "cond"}]}
    (survey_files.folder / "other.json").write_text(json.dumps(layout))
    survey_files.change(survey_files.register, {"grid": "A"}, layout="other.json")
    assert "A.csv" in failure(survey_files)


def test_binary_file(survey_files):
    (survey_files.folder / "A.csv").write_bytes(bytes(range(256)) * 40)
    assert "A.csv is a binary file" in failure(survey_files)


def test_wrong_decimal_mark(survey_files):
    text = (survey_files.folder / "A.csv").read_text()
    lines = [line.replace(",", ";").replace(".", ",") for line in text.splitlines()]
    (survey_files.folder / "A.csv").write_text("\n".join(lines) + "\n")
    columns = [
        {"column": n, "role": r, "name": n} for n, r in (("line", "line"), ("station", "station"), ("cond", "channel"))
    ]
    layout = {"name": "dots", "delimiter": ";", "decimal": ".", "columns": columns}
    (survey_files.folder / "dots.json").write_text(json.dumps(layout))
    survey_files.change(survey_files.register, {"grid": "A"}, layout="dots.json")
    assert "decimal" in failure(survey_files)


def test_truncated_last_row(survey_files):
    path = survey_files.folder / "A.csv"
    path.write_text(path.read_text().rstrip()[:-12])
    found = findings(survey_files, "row-truncated")
    assert [f["grid"] for f in found] == ["A"]
    assert "A.csv, row 457" in found[0]["found"]


def test_duplicated_file(survey_files):
    shutil.copy(survey_files.folder / "A.csv", survey_files.folder / "B.csv")
    assert "B.csv of grid B holds the same readings as A.csv of grid A" in failure(survey_files, "B")


def test_missing_corners(survey_files):
    rows = [r for r in survey_files.read(survey_files.corners) if r["grid"] == "B" or r["corner"] == "start"]
    survey_files.write(survey_files.corners, rows)
    assert "Of grid A only 1 of 4 corners are known" in failure(survey_files)


def test_two_corners_swapped(survey_files):
    survey_files.change(survey_files.corners, {"grid": "A", "corner": "start"}, corner="spare")
    survey_files.change(survey_files.corners, {"grid": "A", "corner": "baseline"}, corner="start")
    survey_files.change(survey_files.corners, {"grid": "A", "corner": "spare"}, corner="baseline")
    sentence = failure(survey_files)
    assert "Two corners of grid A are swapped" in sentence
    assert "start and baseline" in sentence or "baseline and start" in sentence


def test_corners_in_degrees(survey_files):
    for row in survey_files.read(survey_files.corners):
        if row["grid"] == "A":
            values = {"x": float(row["x"]) / 1e6, "y": float(row["y"]) / 1e6}
            survey_files.change(survey_files.corners, {"grid": "A", "corner": row["corner"]}, **values)
    assert "The corners of grid A are in degrees" in failure(survey_files)


def test_register_with_an_unknown_file(survey_files):
    survey_files.change(survey_files.register, {"grid": "A"}, log="nowhere.csv")
    assert "The log nowhere.csv of grid A (register, row 2) is not in the folder" in failure(survey_files)


def test_two_grids_of_one_name(survey_files):
    survey_files.change(survey_files.register, {"grid": "B"}, grid="A")
    with pytest.raises(Exception, match="Grid A stands more than once: register, row 2 and register, row 3"):
        run(survey_files.parameters())


def test_crs_without_metres(survey_files):
    with pytest.raises(Exception, match="degrees.*UTM|UTM.*"):
        run(survey_files.parameters(TARGET_CRS="EPSG:4326"))
    assert not survey_files.output.exists() or not list(survey_files.output.iterdir())


def test_all_grids_failing_leaves_nothing(survey_files):
    for grid in "AB":
        (survey_files.folder / f"{grid}.csv").write_text("")
    with pytest.raises(Exception, match="No grid could be placed"):
        run(survey_files.parameters())
    assert not survey_files.output.exists() or not list(survey_files.output.iterdir())


def test_cancelled_run_leaves_nothing(survey_files, monkeypatch):
    from qgis import processing
    from qgis.core import QgsProcessingFeedback

    feedback = QgsProcessingFeedback()
    feedback.progressChanged.connect(lambda percent: feedback.cancel() if percent > 50 else None)
    processing.run("turnrow:processregister", survey_files.parameters(), feedback=feedback)
    assert not survey_files.output.exists() or not list(survey_files.output.iterdir())


@pytest.fixture
def by_the_grid(monkeypatch):
    """A run that keeps nothing in memory but the grid in hand, and makes rasters in tiles."""
    monkeypatch.setattr(PROCESS_SURVEY, "GridStore", partial(GridStore, most_bytes=0))
    monkeypatch.setattr(MAPS, "interpolate_grids", partial(interpolate_grids, most_readings=1))


def test_survey_grid_by_grid_gives_the_same_files(survey_files, by_the_grid):
    run(survey_files.parameters())
    with pytest.MonkeyPatch.context() as usual:
        usual.setattr(PROCESS_SURVEY, "GridStore", GridStore)
        usual.setattr(MAPS, "interpolate_grids", interpolate_grids)
        whole = survey_files.folder / "whole"
        run(survey_files.parameters(OUTPUT_FOLDER=str(whole)))
    assert {p.relative_to(whole) for p in whole.rglob("*")} == {
        p.relative_to(survey_files.output) for p in survey_files.output.rglob("*")
    }
    for layer in ("readings", "traverses", "grids", "corners", "findings"):
        assert table(survey_files.output / "survey.gpkg", layer) == table(whole / "survey.gpkg", layer)
    for name in ("site_cond", "site_cond_raw", "site_cond_se", "grids/A_cond"):
        one, other = (gdal.Open(str(folder / f"{name}.tif")) for folder in (survey_files.output, whole))
        np.testing.assert_allclose(one.ReadAsArray(), other.ReadAsArray(), rtol=1e-6)
    one, other = (json.loads((f / "recipe.json").read_text())["results"] for f in (survey_files.output, whole))
    assert one == other


@pytest.mark.parametrize("percent", [20, 35, 50, 70])
def test_cancelled_run_grid_by_grid_leaves_nothing(survey_files, by_the_grid, percent):
    from qgis import processing
    from qgis.core import QgsProcessingFeedback

    feedback = QgsProcessingFeedback()
    feedback.progressChanged.connect(lambda done: feedback.cancel() if done > percent else None)
    processing.run("turnrow:processregister", survey_files.parameters(), feedback=feedback)
    assert not survey_files.output.exists()


def test_failed_run_grid_by_grid_leaves_nothing(survey_files, by_the_grid, monkeypatch):
    def fail(*_, **__):
        raise OSError("No space left on device")

    monkeypatch.setattr(store.np, "save", fail)
    with pytest.raises(Exception, match="scratch folder .* cannot be written: No space left on device"):
        run(survey_files.parameters())
    assert not survey_files.output.exists()


def test_inputs_stay_as_they_were(survey_files):
    before = {p.name: p.read_bytes() for p in survey_files.folder.iterdir() if p.is_file()}
    run(survey_files.parameters())
    assert {p.name: p.read_bytes() for p in survey_files.folder.iterdir() if p.is_file()} == before


def test_channel_that_cannot_be_mapped_does_not_stop_the_others(survey_files):
    for grid in "AB":
        path = survey_files.folder / f"{grid}.csv"
        rows = survey_files.read(path)
        for row in rows:
            row["inphase"] = "0.5" if (grid, row["line"]) == ("A", "3") else ""
        survey_files.write(path, rows)
    columns = {"line": "line", "station": "station", "time": "time", "cond": "channel", "inphase": "channel"}
    layout = {"delimiter": ",", "columns": [{"column": name, "role": role} for name, role in columns.items()]}
    (survey_files.folder / "both.json").write_text(json.dumps(layout))
    for grid in "AB":
        survey_files.change(survey_files.register, {"grid": grid}, layout="both.json")
    result = run(survey_files.parameters())
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (2, 0)
    assert (survey_files.output / "site_cond.tif").exists()
    assert not (survey_files.output / "site_inphase.tif").exists()
    found = [f for f in table(survey_files.output / "survey.gpkg", "findings") if f["code"] == "not-interpolated"]
    assert len(found) == 1
    assert "(inphase)" in found[0]["found"]


# --- where the survey lies


def exchange_axes(files, grid=""):
    files.write(files.corners, [{**row, "x": row["y"], "y": row["x"]} if grid in ("", row["grid"]) else row
                                for row in files.read(files.corners)])  # fmt: skip


def test_exchanged_axes_are_refused(survey_files):
    from qgis.core import QgsProcessingException

    exchange_axes(survey_files)
    with pytest.raises(QgsProcessingException, match="Ask the books for easting and northing of the corners"):
        run(survey_files.parameters())
    assert not survey_files.output.exists()


@pytest.mark.parametrize("grid", "AB")
def test_only_the_grid_with_exchanged_axes_is_left_out(survey_files, grid):
    exchange_axes(survey_files, grid)
    assert findings(survey_files, "grid-far") == []
    (found,) = (f for f in table(survey_files.output / "survey.gpkg", "findings") if f["code"] == "axes-exchanged")
    assert (found["grid"], found["severity"], found["action"]) == (grid, "error", "ask")


def test_grid_a_thousand_kilometres_away_is_left_out(survey_files):
    survey_files.write(survey_files.corners, [{**row, "y": float(row["y"]) - 1e6 * (row["grid"] == "B")}
                                              for row in survey_files.read(survey_files.corners)])  # fmt: skip
    result = run(survey_files.parameters())
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (1, 1)
    (found,) = (f for f in table(survey_files.output / "survey.gpkg", "findings") if f["code"] == "grid-far")
    assert (found["grid"], found["action"]) == ("B", "ask")
    raster = gdal.Open(str(survey_files.output / "site_cond.tif"))
    assert raster.RasterYSize <= 40  # 8 m by 0.25 m, and a few cells


def test_corners_by_easting_and_northing(survey_files):
    survey_files.write(survey_files.corners, [
        {"grid": r["grid"], "corner": r["corner"], "Easting": r["x"], "Northing": r["y"]}
        for r in survey_files.read(survey_files.corners)])  # fmt: skip
    assert run(survey_files.parameters())["GRIDS_DONE"] == 2


def test_scale_of_the_crs_is_said_before_what_it_spoils(survey_files):
    """At 54.1 degrees north, spherical Mercator stretches by 1.7, so that no grid can fit its corners."""
    from qgis.core import QgsProcessingException, QgsVectorLayer

    corners = QgsVectorLayer(
        f"file://{survey_files.corners}?xField=x&yField=y&crs=EPSG:32631", "corners", "delimitedtext"
    )
    with pytest.raises(QgsProcessingException, match="a metre on the ground is 1.7.*in EPSG:3857.*times as far apart"):
        run(survey_files.parameters(CORNERS=corners, TARGET_CRS="EPSG:3857"))


def test_site_far_from_the_layers_of_the_project(survey_files):
    from qgis.core import QgsFeature, QgsGeometry, QgsPointXY, QgsProject, QgsVectorLayer

    layer = QgsVectorLayer("Point?crs=EPSG:32631", "trenches", "memory")
    feature = QgsFeature()
    feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(500100, 6050100)))
    layer.dataProvider().addFeature(feature)
    layer.updateExtents()
    QgsProject.instance().removeAllMapLayers()  # those of other tests lie on the site
    QgsProject.instance().addMapLayer(layer)
    try:
        (found,) = findings(survey_files, "site-far")
    finally:
        QgsProject.instance().removeMapLayer(layer)
    assert "50 km from the nearest other layer of the project (trenches)" in found["found"]
    assert findings(survey_files, "site-far") == []


def test_what_a_log_does_not_have_is_said_where_a_layout_was_given_too(survey_files):
    from qgis import processing
    from qgis.core import QgsProcessingFeedback

    columns = [{"column": "line", "role": "line"}, {"column": "cond", "role": "channel", "unit": "mS/m"}]
    (survey_files.folder / "bare.json").write_text(json.dumps({"columns": columns}))
    survey_files.change(survey_files.register, {"grid": "A"}, layout="bare.json")
    log = QgsProcessingFeedback()
    processing.run("turnrow:processregister", survey_files.parameters(), feedback=log)
    assert "A.csv has no stations: they will be counted by the pattern of the grid." in log.textLog()
    assert "A.csv has no times: pace and drift cannot be checked." in log.textLog()
