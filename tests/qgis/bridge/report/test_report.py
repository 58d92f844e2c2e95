"""The report of a survey: complete, self-contained, and honest about what is missing."""

import base64
import re
import struct
from html.parser import HTMLParser

import numpy as np
import pytest
from turnrow.processing_provider.bridge.report import html as report
from turnrow.processing_provider.bridge.report.cautions import CAUTIONS
from turnrow.processing_provider.bridge.report.figures import map_figure, profiles_figure
from turnrow.processing_provider.bridge.report.html import ReportContent, ReportMap, report_html, write_report
from turnrow.processing_provider.bridge.style.ramps import SEQUENTIAL
from turnrow.processing_provider.engine.align.record import AlignedGrid, AlignFigures, AlignRecord
from turnrow.processing_provider.engine.balance.record import BalanceFigures, BalanceRecord, LineOffset
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.findings import Finding
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.record import MapRecord

LATTICE = Lattice(500000.0, 6000020.0, 0.5, 40, 40)


class Elements(HTMLParser):
    """Collects the elements of a page, the text of its headings, and whether every element is closed."""

    EMPTY = ("meta", "img", "br")

    def __init__(self, text):
        super().__init__()
        self.open, self.found, self.headings = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)
        if tag == "h2":
            self.headings.append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] == "h2":
            self.headings[-1] += data


@pytest.fixture(scope="module")
def content():
    pytest.importorskip("matplotlib")
    values = np.linspace(10.0, 20.0, 1600).reshape(40, 40)
    values[:3, :3] = np.nan
    line = np.repeat([1, 2, 3], 20)
    v = np.tile(np.arange(20.0), 3)
    profiles = Readings.build(
        line, {"eca": np.sin(v)}, grids=("A",), u_m=line.astype(float), v_m=v, heading=np.where(line == 2, -1, 1)
    )
    grid = {"grid": "A", "length_m": 20.0, "width_m": 20.0, "spacing_m": 0.5, "readings_per_m": 8.0,
            "largest_residual_m": 0.031, "readings": 6450, "in_use": 6400, "out_of_use": "50 overrun", "findings": 2,
            "walk_again": 1}  # fmt: skip
    return ReportContent(
        site="Meadow & <field>",
        created="1 June 2026, 18:30",
        crs="EPSG:32631 WGS 84 / UTM zone 31N",
        maps=[ReportMap("eca", "mS/m", *(BlockRaster.of(v, LATTICE) for v in (values + 1, values)), (10.5, 19.5))],
        outlines=[("A", 500000.0 + np.array([1, 19, 19, 1]), 6000000.0 + np.array([1, 1, 19, 19]))],
        grids=[grid],
        failed=["B"],
        corners=[{"grid": "A", "corner": "start", "residual_x_m": -0.03, "residual_y_m": 0.04}],
        findings=[
            Finding("note", "mirrored", "Mirrored grid.", grid="A"),
            Finding("error", "grid-failed", "B.csv is empty.", advice="Find the log.", grid="B"),
            Finding("error", "line-short", "Line 7 stops early.", "160 readings", "Walk it.", "A", 7, 1, "walk"),
        ],
        records=[
            AlignRecord({"channels": ["eca"], "shift_m": None}, AlignFigures(-0.25, -0.25, 0.02),
                        (AlignedGrid("A", 2, -0.25, 0, 0, ""),), ()),
            BalanceRecord({"method": "neighbours"}, {"eca": BalanceFigures(0.4, *[None] * 5, 0, 0, 0, None, None)},
                          (LineOffset("A", 2, 1, "eca", -1, 0.2, 0.1, 0.0, "neighbours"),)),
            MapRecord({"method": "cubic"}, {}, (), "eca"),
        ],
        inputs=[{"path": "logs/a.csv", "bytes": 123456, "sha256": "ab" * 32}],
        versions={"turnrow": "9.9.9", "gdal": "3.6.2"},
        profiles=profiles,
    )  # fmt: skip


@pytest.fixture(scope="module")
def page(content):
    return report_html(content)


def text_of(page):
    plain = re.sub(r"<style.*?</style>", "", page, flags=re.S)
    plain = re.sub(r"<[^>]+>", " ", plain)
    for entity, character in (("&lt;", "<"), ("&gt;", ">"), ("&#39;", "'"), ("&amp;", "&")):
        plain = plain.replace(entity, character)
    return re.sub(r"\s+", " ", plain)


def test_has_every_section_and_is_well_formed(page):
    elements = Elements(page)
    assert elements.headings == ["Findings", "Maps", "Grids", "Processing", "Profiles as logged", "Corners", "Cautions",
                             "Sources"]  # fmt: skip
    assert elements.open == []


def test_needs_nothing_beside_it(page):
    elements = Elements(page)
    images = [a["src"] for tag, a in elements.found if tag == "img"]
    assert len(images) == 2
    assert all(src.startswith("data:image/png;base64,") for src in images)
    assert not [tag for tag, _ in elements.found if tag in ("script", "link", "iframe", "object")]
    assert all(a["href"].startswith("#") for tag, a in elements.found if tag == "a")
    anchors = {a.get("id") for _, a in elements.found}
    assert {a["href"][1:] for tag, a in elements.found if tag == "a"} <= anchors
    assert "url(" not in page


def test_tells_the_survey_in_a_few_sentences(page):
    text = text_of(page)
    assert "1 grid is on the map. 1 grid could not be processed: B; the findings say why." in text
    assert "6 400 of 6 450 readings are in use" in text
    assert "1 line must be walked again." in text
    assert "99.2 % of the readings in use" in text


def test_lines_to_walk_again_come_first_then_errors(page):
    text = text_of(page)
    places = [text.index(t) for t in ("Line 7 stops early.", "B.csv is empty.", "Mirrored grid.")]
    assert places == sorted(places)


@pytest.mark.parametrize(("count", "opened"), [(10, True), (11, False)])
def test_many_notes_are_folded_away(content, count, opened):
    from dataclasses import replace

    notes = [Finding("note", "mirrored", f"Remark {n}.") for n in range(count)]
    elements = Elements(report_html(replace(content, findings=notes, maps=[], profiles=None)))
    first = next(attributes for tag, attributes in elements.found if tag == "details")
    assert ("open" in first) == opened


def test_names_every_option_figure_input_and_version(page):
    text = text_of(page)
    for told in ("shift (m) automatic", "shift (m) −0.25", "shift error (m) 0.02", "method neighbours",
                 "eca: direction offset 0.4", "Interpolated to rasters: eca", "logs/a.csv", "123 456", "ab" * 32,
                 "turnrow 9.9.9", "EPSG:32631", "50 overrun", "A start −0.030 +0.040 0.050",
                 "from 10.5 to 19.5 mS/m"):  # fmt: skip
        assert told in text, told


def test_shows_all_cautions(page):
    text = text_of(page)
    for heading, sentences in CAUTIONS:
        assert f"{heading} {sentences}" in text
    # What a report has to say (EAC Guidelines 2, 2015; the other cautions: common practice, no source).
    for word in ("clearance", "Absence", "licence", "Lightning", "Implanted", "Human remains", "coordinates", "law"):
        assert word in text


def test_names_are_escaped(page):
    assert "Meadow &amp; &lt;field&gt;" in page
    assert "<field>" not in page


def test_without_matplotlib_says_so_and_tells_the_rest(content, monkeypatch):
    monkeypatch.setattr(report, "matplotlib_is_there", lambda: False)
    page = report_html(content)
    assert "because the Python package matplotlib is missing" in page
    assert "<img" not in page
    assert "Line 7 stops early." in page


def test_survey_without_findings_or_profiles(content):
    from dataclasses import replace

    text = text_of(report_html(replace(content, findings=[], failed=[], profiles=None)))
    assert "No errors, no warnings, and no line to walk again." in text
    assert "Nothing must be walked again." in text
    assert "There are no placed readings to draw." in text


def test_map_alone_where_there_is_nothing_raw(content):
    from dataclasses import replace

    (item,) = content.maps
    page = report_html(replace(content, maps=[replace(item, raw=None)]))
    assert "Map of eca" in page
    assert "the same on both maps" not in page


def size(png):
    """Width and height of a PNG (W3C PNG, section 11.2.2: IHDR)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    return struct.unpack(">II", png[16:24])


def test_map_keeps_the_proportions_of_the_ground():
    pytest.importorskip("matplotlib")
    pictures = []
    for rows in (40, 80):
        lattice = Lattice(500000.0, 6000020.0, 0.5, rows, 40)
        pictures.append(
            map_figure([("Map", BlockRaster.of(np.ones((rows, 40)), lattice))], (0, 1), "mS/m", [], SEQUENTIAL)
        )
    (width, low), (same, high) = (size(p) for p in pictures)
    assert width == same
    # Twice as long a site makes the picture taller by the height of the first map: panels of 1.5 x 5.2 inches, 110 dpi.
    assert abs(high - low - 1.5 * 5.2 * 110) <= 1


def test_nowhere_placed_readings_have_no_profiles():
    pytest.importorskip("matplotlib")
    readings = Readings.build([1, 1], {"eca": [1.0, 2.0]})
    assert profiles_figure(readings, "eca", "mS/m", "Grid A") is None


def test_written_whole_as_utf8(content, tmp_path):
    write_report(tmp_path / "report.html", content)
    text = (tmp_path / "report.html").read_bytes().decode("utf-8")
    assert text.rstrip().endswith("</html>")
    assert base64.b64decode(re.search(r"base64,([^\"]+)", text).group(1))[:4] == b"\x89PNG"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_unwritable_place_fails_in_a_sentence(content, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(EngineError, match="The report report.html cannot be written to .*taken"):
        write_report(tmp_path / "taken" / "report.html", content)
