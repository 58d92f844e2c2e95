"""Whatever grids, channels and logs are called: every output is inside its folder, whole, and says the true name."""

import json
import shutil

import pytest
from osgeo import gdal, ogr
from qgis.core import QgsProcessingFeedback, QgsProject

pytestmark = pytest.mark.usefixtures("turnrow_provider")

NAMES = ("../../../x", "/x", "A/1", "a/1", "A_1", ".", "CON", "", "<b>x</b>", "$\\frac{$", "=1+1", "é" * 120, "%41|x")
CHANNELS = ("cond", "../c", "fid", "geom", "ECA", "eca", "cond_raw", "$\\frac{$", "<img src=x>")


@pytest.fixture
def hostile(survey_files):
    """A survey of which every name is hostile; its two grids are walked again and again under other names."""
    files = survey_files
    scheme = {"length_m": 8.0, "width_m": 6.0, "spacing_m": 0.5, "readings_per_m": 4}
    layout = {
        "columns": [
            {"column": "line", "role": "line"}, {"column": "station", "role": "station"},
            {"column": "time", "role": "time"},
            *({"column": f"c{i}", "role": "channel", "name": c, "unit": "mS/m"} for i, c in enumerate(CHANNELS)),
        ]
    }  # fmt: skip
    (files.folder / "layout.json").write_text(json.dumps(layout), "utf-8")
    rows = []
    for number, name in enumerate(NAMES):
        folder = files.folder / f"logs{number}"
        folder.mkdir()
        files.write_log("A", 6.0 * number, shift=number)
        log = files.read(files.folder / "A.csv")
        if number:
            shutil.copy(files.folder / "A.csv", folder / "1.csv")
        else:
            files.write(folder / "1.csv", [{**{k: row[k] for k in ("line", "station", "time")},
                        **{f"c{i}": row["cond"] for i in range(len(CHANNELS))}} for row in log])  # fmt: skip
        rows.append({"grid": name, "log": f"logs{number}/1.csv", "layout": "" if number else "layout.json", **scheme})
    files.write(files.register, rows)
    files.write(files.corners, [c for n, name in enumerate(NAMES) for c in files.corner_rows(name, 6.0 * n)])
    files.write(files.notes, [{"grid": NAMES[0], "line": 1, "kind": "survey", "heading": "out", "comment": "<i>"}])
    return files


def test_every_output_is_inside_and_whole(hostile, tmp_path):
    from qgis import processing

    before = {p for p in tmp_path.rglob("*") if p.is_file()}
    log = QgsProcessingFeedback()
    result = processing.run("turnrow:processregister", hostile.parameters(), feedback=log)
    named = [name for name in NAMES if name]
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (len(named), 1)
    outside = {p for p in tmp_path.rglob("*") if p.is_file() and hostile.output not in p.parents}
    assert outside == before

    source = ogr.Open(str(hostile.output / "survey.gpkg"))
    assert {f["grid"] for f in source.GetLayerByName("grids")} == set(named)
    readings = source.GetLayerByName("readings")
    fields = [readings.GetLayerDefn().GetFieldDefn(i).GetName() for i in range(readings.GetLayerDefn().GetFieldCount())]
    assert {"cond", "../c", "fid_2", "geom_2", "ECA", "eca_2", "cond_raw_2"} <= set(fields)
    assert {f["grid"] for f in readings} == set(named)
    codes = [f["code"] for f in source.GetLayerByName("findings")]
    assert codes.count("channel-renamed") == 4

    rasters = sorted((hostile.output / "grids").glob("*.tif"))
    assert len(rasters) == len(named) + len(CHANNELS) - 1
    opened = [gdal.Open(str(path)) for path in hostile.output.glob("site_*.tif")]
    site = {raster.GetRasterBand(1).GetDescription() for raster in opened}
    assert {"../c", "eca_2", "ECA"} <= site
    assert max(len(path.name.encode()) for path in hostile.output.rglob("*")) <= 100
    assert len(list((hostile.output / "layouts").glob("*.json"))) == len(named) - 1

    project = QgsProject()
    assert project.read(str(hostile.output / "site.qgz"))
    assert project.mapLayers()
    assert all(layer.isValid() for layer in project.mapLayers().values())
    project.clear()
    report = (hostile.output / "report.html").read_text("utf-8")
    assert "<b>x</b>" not in report
    assert "<img src=x>" not in report
    assert "Traceback" not in log.textLog()
