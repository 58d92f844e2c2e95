"""The check of an evening: what it says first, and what the crew takes out to the grid again."""

import json
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from osgeo import ogr
from qgis.core import QgsProcessingContext, QgsProcessingException, QgsProcessingFeedback

pytestmark = pytest.mark.usefixtures("turnrow_provider", "qgis_new_project")
CASES = Path(__file__).resolve().parents[2] / "cases"
NOTES = ["grid", "line", "run", "start_station", "stop_station", "position_m", "heading", "kind", "comment"]
GPX = "{http://www.topografix.com/GPX/1/1}"


class Said(QgsProcessingFeedback):
    """Keeps what is said."""

    def __init__(self):
        super().__init__(False)
        self.infos = []

    def pushInfo(self, info):  # noqa: N802 (name fixed by QGIS)
        self.infos.append(info)


@pytest.fixture
def evening(planting, tmp_path):
    """Write a survey, with mistakes or without, check it with all outputs, and return the results and what was said."""

    def check(mistakes=(), spoil=None, **survey):
        case = {"survey": {"seed": 901, **survey}, "plant": list(mistakes), "expect": {}}
        path = tmp_path / "case.json"
        path.write_text(json.dumps(case))
        made, _ = planting.plant(path)
        planting.write(made, tmp_path)
        if spoil:
            spoil(tmp_path)
        return run(tmp_path, planting.CRS)

    return check


def run(folder, crs, **changes):
    from qgis import processing

    given = {name.upper(): str(folder / f"{name}.csv") for name in ("register", "corners", "notes")}
    given.update(TARGET_CRS=crs, FINDINGS=str(folder / "findings.csv"), AGAIN_LINES=str(folder / "again.gpkg"))
    given.update(REDO_ROWS=str(folder / "redo.csv"), SHEET=str(folder / "sheet.pdf"), GPX=str(folder / "again.gpx"))
    said = Said()
    result = processing.run("turnrow:eveningcheck", {**given, **changes}, context=QgsProcessingContext(), feedback=said)
    return result, said.infos


def rows(path):
    source = ogr.Open(str(path))
    return [feature.items() for feature in source.GetLayer(0)]


def test_a_clean_survey_has_nothing_to_walk(evening, tmp_path):
    result, said = evening()
    assert said[0] == "Nothing to walk again."
    assert result["WALK_AGAIN"] == 0
    assert rows(result["AGAIN_LINES"]) == rows(result["REDO_ROWS"]) == []
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_a_missing_and_a_short_line_are_walked_again_with_a_neighbour_and_a_tie(evening):
    plants = [
        {"what": "not_recorded", "line": 13},
        {"what": "stopped_early", "line": 7, "readings": 20, "noted": False},
    ]
    result, said = evening(plants)
    assert said[0].startswith("Walk again: A 7, A 13.")
    assert result["WALK_AGAIN"] == 2
    again = {row["line"]: row for row in rows(result["AGAIN_LINES"])}
    # Lines 7 and 13, a sound neighbour of each, and a tie.
    assert {7, 13} < set(again)
    assert len(again) == 5
    sound = sorted(set(again) - {7, 13})
    assert all(min(abs(line - 7), abs(line - 13)) <= 2 for line in sound[:2])
    # Lines 7 and 13 are odd: walked out from the baseline, whose station is 1; the grid has 10 m.
    for line in (7, 13):
        row = again[line]
        assert (row["start_edge"], row["start_station"], row["step"]) == ("baseline (S)", 1, 1)
        assert (row["from_m"], row["to_m"]) == (0, 10)
        assert len(row["why"].split()) <= 8
        # A metre a second, and the pause between lines: more than the walk of 10 s, less than 3 minutes.
        assert 0.2 < row["minutes"] < 3


def test_lines_lie_where_the_grid_is(evening, planting):
    result, _ = evening([{"what": "not_recorded", "line": 13}])
    source = ogr.Open(result["AGAIN_LINES"])
    for feature in source.GetLayer(0):
        if feature["line"] == 13:
            # Line 13 lies 6.25 m from the start corner, which is the site's origin, and leads north.
            (x0, y0), (x1, y1) = feature.geometry().GetPoints()
            east, north = planting.ORIGIN
            assert (x0, y0, x1, y1) == pytest.approx((east + 6.25, north, east + 6.25, north + 10), abs=0.01)
            return
    pytest.fail("line 13 is not among the lines")


def test_rows_for_the_notes_can_be_added_to_them(evening, planting, tmp_path):
    result, _ = evening([{"what": "not_recorded", "line": 13}])
    table = rows(result["REDO_ROWS"])
    assert list(table[0]) == NOTES
    kinds = {row["line"]: row["kind"] for row in table}
    assert kinds["13"] == "redo"
    assert list(kinds.values()).count("tie") == 1
    # The crew has walked as told: the notes with these rows are read without complaint.
    with (tmp_path / "notes.csv").open("a") as notes:
        notes.writelines((tmp_path / "redo.csv").read_text().splitlines(keepends=True)[1:])
    assert run(tmp_path, planting.CRS)[0]["WALK_AGAIN"] == 1


def test_gpx_is_wgs84_and_says_what_it_is_not_for(evening):
    result, _ = evening([{"what": "not_recorded", "line": 13}])
    root = ElementTree.parse(result["GPX"]).getroot()
    assert "not for pegs" in root.find(f"{GPX}metadata/{GPX}desc").text
    names = [route.find(f"{GPX}name").text for route in root.findall(f"{GPX}rte")]
    assert "A 13" in names
    point = root.find(f"{GPX}wpt")
    # 500100 E, 6000100 N of UTM zone 31 north is 100 m east of the meridian of 3 degrees, at 54.15 degrees north.
    assert float(point.get("lon")) == pytest.approx(3.0015, abs=0.0002)
    assert float(point.get("lat")) == pytest.approx(54.148, abs=0.002)


def test_a_grid_that_cannot_be_read_is_named_and_the_others_are_checked(evening):
    result, said = evening(grids="AB", spoil=lambda folder: (folder / "B.csv").unlink())
    assert said[0].startswith("Nothing to walk again in what could be read.")
    assert "Not checked: B." in said[0]
    found = [row["found"] for row in rows(result["FINDINGS"]) if row["code"] == "grid-failed"]
    assert len(found) == 1
    assert "B.csv" in found[0]


def test_a_survey_that_cannot_be_read_at_all_is_refused_with_the_reason(evening):
    with pytest.raises(QgsProcessingException, match=r"No grid could be checked\. .*A\.csv"):
        evening(spoil=lambda folder: (folder / "A.csv").unlink())


def test_an_unknown_crs_is_refused_with_what_to_give(evening, tmp_path):
    evening()
    with pytest.raises(QgsProcessingException, match="counts in degrees"):
        run(tmp_path, "EPSG:4326")


def test_every_output_may_be_left_out(evening, tmp_path, planting):
    evening([{"what": "not_recorded", "line": 13}])
    outputs = dict.fromkeys(("FINDINGS", "AGAIN_LINES", "REDO_ROWS", "SHEET", "GPX"))
    result, said = run(tmp_path, planting.CRS, **outputs)
    assert said[0].startswith("Walk again: A 13.")
    assert result == {"WALK_AGAIN": 1}


def test_the_sheet_has_its_words_as_text_and_none_below_seven_points(evening):
    import shutil
    import subprocess

    result, _ = evening([{"what": "not_recorded", "line": 13}])
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    said = subprocess.run(
        ["pdftotext", "-bbox", result["SHEET"], "-"], capture_output=True, text=True, check=True
    ).stdout
    words = {word.strip(":;.,").lower() for word in re.findall(r">([^<]+)</word>", said)}
    assert {"walk", "13", "6.25", "tape", "tie", "ordnance"} <= words
    # What pdftotext calls the height of a word is that of the font's box: 1.164 times the size in DejaVu Sans, and at
    # least the size in any other.
    boxes = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)"', said)
    assert min(float(bottom) - float(top) for top, bottom in boxes) >= 7


def test_exchanged_axes_are_refused_and_those_of_one_grid_leave_it_out(evening):
    everywhere = [{"what": "axes_exchanged", "grid": grid} for grid in "AB"]
    with pytest.raises(QgsProcessingException, match="Ask the books for easting and northing of the corners"):
        evening(everywhere, grids="AB")
    result, said = evening(everywhere[1:], grids="AB")
    assert "Not checked: B." in said[0]
    (found,) = (row for row in rows(result["FINDINGS"]) if row["code"] == "axes-exchanged")
    assert (found["grid"], found["action"]) == ("B", "ask")


@pytest.mark.parametrize(
    ("mistake", "rate"),
    [
        ({"what": "rate_was", "lines": [], "rate": 4}, 4),
        ({"what": "rate_was", "lines": [], "rate": 2}, 2),
        ({"what": "registered", "readings_per_m": 4}, 8),
        ({"what": "registered", "readings_per_m": 16}, 8),
    ],
)
def test_another_rate_than_noted_is_one_question_about_the_grid(evening, mistake, rate):
    """Lines were walked at 1 m/s, so that there are as many readings a second as a metre."""
    result, said = evening([mistake])
    assert said[0] == "Nothing to walk again. Ask: A."
    (found,) = rows(result["FINDINGS"])
    assert (found["code"], found["line"]) == ("reading-rate", "")
    assert found["advice"].startswith(f"Ask the books whether readings_per_m is {rate}.")
    assert f"they have {rate} readings a second: " in found["found"]


def test_no_place_of_a_line_to_measure_is_left_blank():
    """Where a line is wrong: at the place that is implied, else anywhere else; what is about no line says so."""
    from turnrow.processing_provider.bridge.rewalk_sheet.sheet import _places
    from turnrow.processing_provider.engine.workflow import Measure

    assert _places(Measure(9, 4.25, 3.75, "Measure.")) == ("4.25", "3.75")
    assert _places(Measure(9, 4.25, None, "Measure.")) == ("4.25", "anywhere else")
    assert _places(Measure(None, None, None, "Measure.")) == ("see what to do", "see what to do")


def test_place_if_wrong_is_known_where_the_notes_speak_of_the_line(evening, tmp_path, planting):
    """A line walked on the ground of the next one, with full notes: nothing is proposed, but the place is known."""
    import csv

    from turnrow.processing_provider.engine.workflow import gather_sources, plan_rewalk, read_grids

    evening([{"what": "on_other_ground", "line": 12, "position_m": 6.25}], seed=141)
    tables = [list(csv.DictReader((tmp_path / f"{n}.csv").open())) for n in ("register", "corners", "notes")]
    sources = gather_sources(*tables, tmp_path)
    results = list(read_grids(sources.grids, sources.notes))
    plans = plan_rewalk(results, [f for r in results for f in r.findings], sources.notes)
    measures = [m for plan in plans for m in plan.measures]
    # Line 12 belongs at 5.75 m.
    assert [(m.line, m.right_m, m.wrong_m) for m in measures] == [(12, 5.75, 6.25)]
