"""Reading logs. References: numpy's own text readers for numbers, ``datetime`` of the standard library for times."""

from datetime import datetime, timedelta

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError
from turnrow.processing_provider.engine.logs.detect import detect_layout
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout, layout_from_dict
from turnrow.processing_provider.engine.logs.reader import read_log

COLUMNS = (
    LogColumn("line", "line"),
    LogColumn("station", "station"),
    LogColumn("time", "time"),
    LogColumn("cond", "channel", unit="mS/m"),
    LogColumn("inphase", "channel", unit="ppt"),
)
LAYOUT = LogLayout(name="plain", columns=COLUMNS)
NUMBERED = tuple(LogColumn(k, c.role, c.field if c.role == "channel" else "") for k, c in enumerate(COLUMNS, 1))
BARE = LogLayout(header=False, columns=NUMBERED)
OPENED = LogLayout(
    header=False,
    line_start=r"^LINE (?P<line>-?\d+)(?: (?P<station>\S+) (?P<step>\S+))?(?: at (?P<time>\S+) ?(?P<heading>\S+)?)?$",
    mark="^FID",
    columns=(LogColumn(1, "channel", "cond"),),
)


def write(folder, *rows, name="log.csv", encoding="utf-8", end="\n"):
    path = folder / name
    path.write_bytes(end.join([*rows, ""]).encode(encoding))
    return path


def codes(result):
    return [f.code for f in result.findings]


def survey(lines=3, stations=7, seed=5):
    """Return columns of a made-up survey walked to and fro: line, station, time in s, cond, inphase."""
    rng = np.random.default_rng(seed)
    station = np.concatenate([np.arange(1, stations + 1)[:: 1 if k % 2 == 0 else -1] for k in range(lines)])
    n = len(station)
    line = np.repeat(np.arange(1, lines + 1), stations)
    time = 34200 + 0.125 * np.arange(n)
    return line, station, time, np.round(rng.normal(12, 3, n), 2), np.round(rng.normal(0, 1, n), 3)


def assert_same(readings, columns):
    line, station, time, cond, inphase = columns
    np.testing.assert_array_equal(readings.line, line)
    np.testing.assert_array_equal(readings.station, station)
    np.testing.assert_allclose(readings.time_s, time, rtol=0, atol=1e-9, equal_nan=True)
    np.testing.assert_array_equal(readings.channels["cond"], cond)
    np.testing.assert_array_equal(readings.channels["inphase"], inphase)


# ---- kinds of layout ------------------------------------------------------------------------------------------------


def test_numbers_equal_those_of_numpy(tmp_path):
    rows = [f"{a},{b},{t:.3f},{c},{d}" for a, b, t, c, d in zip(*survey(40, 30))]
    path = write(tmp_path, "line,station,time,cond,inphase", *rows)
    readings = read_log(path, LAYOUT).readings
    assert_same(readings, np.loadtxt(path, delimiter=",", skiprows=1).T)
    assert readings.units == {"cond": "mS/m", "inphase": "ppt"}
    assert readings.sources == ("log.csv",)
    np.testing.assert_array_equal(readings.row, np.arange(2, 1202))
    np.testing.assert_array_equal(readings.seq, np.tile(np.arange(30), 40))
    assert set(readings.run) == {1}
    assert set(readings.heading) == {0}
    assert np.all(readings.in_use)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le"])
def test_encodings_and_line_ends(tmp_path, end, encoding):
    columns = survey()
    rows = [f"{a},{b},{t},{c},{d}" for a, b, t, c, d in zip(*columns)]
    path = write(tmp_path, "line,station,time,cond,inphase", *rows, encoding=encoding, end=end)
    layout = LogLayout(encoding=encoding, columns=COLUMNS)
    assert_same(read_log(path, layout).readings, columns)


def test_a_byte_order_mark_is_no_text_whatever_the_layout_says(tmp_path):
    path = write(tmp_path, "line,station,time,cond,inphase", "1,1,0,5,6", encoding="utf-8-sig")
    assert len(read_log(path, LAYOUT).readings) == 1


def test_semicolons_decimal_commas_and_a_preamble(tmp_path):
    columns = survey()
    rows = [f"{a};{b};{t:.3f};{c};{d}".replace(".", ",") for a, b, t, c, d in zip(*columns)]
    path = write(tmp_path, "Messung im Käfer-Feld", "", "LINE;Station;TIME;cond;inphase", *rows, encoding="latin-1")
    layout = LogLayout(encoding="latin-1", delimiter=";", decimal=",", skip_rows=2, columns=COLUMNS)
    result = read_log(path, layout)
    assert_same(result.readings, columns)
    assert result.readings.row[0] == 4


@pytest.mark.parametrize(("delimiter", "sign"), [("tab", "\t"), ("space", "   "), ("|", " | "), (";", ";")])
def test_delimiters_comments_and_repeated_headers(tmp_path, delimiter, sign):
    columns = survey()
    rows = [sign.join(map(str, row)) for row in zip(*columns)]
    header = sign.join(["line", "station", "time", "cond", "inphase"])
    path = write(tmp_path, "# made up", header, *rows[:4], "#,1,2,3,4,5", "", header, *rows[4:])
    result = read_log(path, LogLayout(delimiter=delimiter, comment="#", columns=COLUMNS))
    assert_same(result.readings, columns)
    assert result.readings.row[[0, 3, 4]].tolist() == [3, 6, 10]
    assert result.findings == []


def test_fixed_columns_with_and_without_blanks_between(tmp_path):
    columns = survey()
    rows = [f"{a:3d}{b:03d}{t:9.3f}{c:<8}{d:6.3f}" for a, b, t, c, d in zip(*columns)]
    path = write(tmp_path, *rows)
    reference = np.genfromtxt(path, delimiter=(3, 3, 9, 8, 6)).T
    layout = LogLayout(widths=(3, 3, 9, 8, 6), header=False, columns=NUMBERED)
    assert_same(read_log(path, layout).readings, reference)


def test_quoted_values(tmp_path):
    path = write(tmp_path, '"line","station","time","cond","inphase"', '"1","2","09:00:00","4.5","5.5"')
    assert read_log(path, LAYOUT).readings.channels["inphase"].tolist() == [5.5]
    path = write(tmp_path, '"line","station","time","cond","inphase"', '"1","2","09:00:00","4,5","5,5"')
    with pytest.raises(EngineError, match="have decimal commas.*Export the log with another delimiter"):
        read_log(path, LAYOUT)
    layout = LogLayout(delimiter=";", decimal=",", columns=COLUMNS)
    path = write(tmp_path, '"line";"station";"time";"cond";"inphase"', '"1";"2";"09:00:00";"4,5";"5,5"')
    readings = read_log(path, layout).readings
    assert (readings.time_s[0], readings.channels["cond"][0], readings.channels["inphase"][0]) == (32400, 4.5, 5.5)


def test_units_factors_offsets_and_extras(tmp_path):
    path = write(tmp_path, "t,E,N,lon,lat,raw,sta", "20,500,900,7.5,51.25,30,100", "22,501,901,7.5,51.5,32,200")
    columns = (
        LogColumn("t", "temperature", factor=1.8, offset=32),
        LogColumn("E", "easting", offset=400000),
        LogColumn("N", "northing"),
        LogColumn("lon", "longitude"),
        LogColumn("lat", "latitude"),
        LogColumn("raw", "channel", "cond", "mS/m", factor=0.5, offset=-1),
        LogColumn("sta", "station", factor=0.01),
    )
    readings = read_log(path, LogLayout(columns=columns)).readings
    assert readings.channels["cond"].tolist() == [14, 15]
    assert readings.station.tolist() == [1, 2]
    # 20 and 22 degrees Celsius in Fahrenheit: definition of the scale.
    np.testing.assert_allclose(readings.extras["temperature"], [68, 71.6])
    assert readings.extras["easting"].tolist() == [400500, 400501]
    assert readings.extras["latitude"].tolist() == [51.25, 51.5]
    assert set(readings.extras) == {"temperature", "easting", "northing", "longitude", "latitude"}


def test_a_delimiter_at_the_end_of_each_row(tmp_path):
    path = write(tmp_path, "line,station,time,cond,inphase", "1,1,0,5,6,", "1,2,1,7,8,")
    assert read_log(path, LAYOUT).readings.channels["inphase"].tolist() == [6, 8]


# ---- traverses, recordings, marks -----------------------------------------------------------------------------------


def test_opening_rows_give_line_station_heading_and_time(tmp_path):
    path = write(
        tmp_path, "LINE 1 1 1 at 23:59:50 out", "10", "11", "FID", "12", "LINE 2 3 -1 at 00:00:30 back", "20", "21",
        "22", "LINE 3", "30", "LINE 2 1 1 at 00:02:00 N", "40",
    )  # fmt: skip
    result = read_log(path, OPENED, grid="A")
    readings = result.readings
    assert readings.line.tolist() == [1, 1, 1, 2, 2, 2, 3, 2]
    assert readings.run.tolist() == [1, 1, 1, 1, 1, 1, 1, 2]
    np.testing.assert_array_equal(readings.station, [1, 2, 3, 3, 2, 1, np.nan, 1])
    assert readings.heading.tolist() == [1, 1, 1, -1, -1, -1, 0, 1]
    assert readings.extras["mark"].tolist() == [0, 0, 1, 0, 0, 0, 0, 0]
    assert readings.channels["cond"].tolist() == [10, 11, 12, 20, 21, 22, 30, 40]
    assert readings.row.tolist() == [2, 3, 5, 7, 8, 9, 11, 13]
    nan = np.nan
    np.testing.assert_array_equal(readings.time_s, [86390, nan, nan, 86430, nan, nan, nan, 86520])
    assert readings.grids == ("A",)
    assert result.findings == []


def test_stations_count_on_over_a_row_that_cannot_be_read(tmp_path):
    result = read_log(write(tmp_path, "LINE 1 1 1", "10", "1o", "12"), OPENED)
    assert result.readings.station.tolist() == [1, 3]
    assert codes(result) == ["row-unreadable"]


def test_opening_rows_in_the_middle_of_named_columns(tmp_path):
    layout = LogLayout(line_start=r"Line=(?P<line>\d+) grid=(?P<grid>\w+)", columns=COLUMNS[1:])
    path = write(
        tmp_path, "# Line=4 grid=B2", "station,time,cond,inphase", "1,0,5,6", "# Line=5 grid=B3",
        "station,time,cond,inphase", "1,1,7,8",
    )  # fmt: skip
    readings = read_log(path, layout).readings
    assert readings.line.tolist() == [4, 5]
    assert [readings.grids[k] for k in readings.grid] == ["B2", "B3"]


def test_a_row_that_opens_a_traverse_may_look_like_a_comment(tmp_path):
    layout = LogLayout(header=False, comment="#", line_start=r"^# L(?P<line>\d+)", columns=(LogColumn(1, "channel"),))
    assert read_log(write(tmp_path, "# by hand", "# L4", "1", "# L6", "2"), layout).readings.line.tolist() == [4, 6]


def test_opening_rows_without_a_number_count_from_one(tmp_path):
    layout = LogLayout(header=False, line_start="^NEW", columns=(LogColumn(1, "channel"),))
    assert read_log(write(tmp_path, "NEW", "1", "2", "NEW", "3"), layout).readings.line.tolist() == [1, 1, 2]


def test_an_expression_may_offer_a_choice_or_stand_inside_the_row(tmp_path):
    layout = LogLayout(header=False, line_start=r"^X|T(?P<line>\d+)", columns=(LogColumn(1, "channel"),))
    assert read_log(write(tmp_path, ">T7", "1", "X", "2"), layout).readings.line.tolist() == [7, 2]


def test_findings_about_opening_rows(tmp_path):
    result = read_log(write(tmp_path, "9", "LINE 1", "LINE 2 x 1", "10", "LINE 3"), OPENED)
    assert codes(result) == ["opening-unreadable", "line-empty", "line-unknown"]
    assert result.readings.line.tolist() == [0, 1]
    found = " ".join(f.found for f in result.findings)
    assert "row 3 opens a traverse, but its numbers cannot be read: 'LINE 2 x 1'" in found
    assert "opens line 3, but has no readings for it" in found
    assert "1 rows stand above the first row that opens a traverse" in found


@pytest.mark.parametrize("number", ["99999999999", "-2147483648"])
def test_line_numbers_that_are_too_large(tmp_path, number):
    result = read_log(write(tmp_path, "LINE 1", "5", f"LINE {number}", "6"), OPENED)
    assert codes(result) == ["opening-unreadable"]
    assert codes(read_log(write(tmp_path, f"{number},1,0,5,6", "1,1,0,5,6"), BARE)) == ["row-unreadable"]


@pytest.mark.parametrize(("text", "time_s"), [("33000,5", 33000.5), ("9:10", 33000), ("noon", np.nan)])
def test_times_of_opening_rows(tmp_path, text, time_s):
    readings = read_log(write(tmp_path, f"LINE 1 1 1 at {text}", "5", "6"), OPENED).readings
    np.testing.assert_array_equal(readings.time_s, [time_s, np.nan])


def test_a_line_that_comes_again_is_a_further_recording(tmp_path):
    path = write(
        tmp_path, *[f"{a},{b},{k},5,6" for k, (a, b) in enumerate([(1, 1), (1, 2), (2, 2), (2, 1), (1, 1), (1, 2)])]
    )
    assert read_log(path, BARE).readings.run.tolist() == [1, 1, 1, 1, 2, 2]


@pytest.mark.parametrize("direction", [1, -1])
def test_a_line_whose_stations_start_again_is_a_further_recording(tmp_path, direction):
    stations = [*np.arange(1, 21)[::direction], *np.arange(1, 21)[::direction], *np.arange(1, 15)[::direction]]
    path = write(tmp_path, *[f"7,{s},{k},5,6" for k, s in enumerate(stations)])
    expected = [1] * 20 + [2] * 20 + ([3] * 14 if direction == 1 else [2] * 14)
    # Walked from 20 down, 14 is not near the first station: nothing proves that the line was begun again.
    assert read_log(path, BARE).readings.run.tolist() == expected


def test_doubled_and_dropped_stations_are_no_further_recording(tmp_path):
    stations = [1, 2, 3, 2, 3, 4, 4, 5, 9, 10, 11, 10, 11, 12, 13]
    path = write(tmp_path, *[f"7,{s},{k},5,6" for k, s in enumerate(stations)])
    assert set(read_log(path, BARE).readings.run) == {1}


def test_a_run_column_is_believed(tmp_path):
    layout = LogLayout(columns=(LogColumn("line", "line"), LogColumn("pass", "run"), LogColumn("c", "channel")))
    readings = read_log(write(tmp_path, "line,pass,c", "1,3,5", "2,1,6", "1,3,7"), layout).readings
    assert readings.run.tolist() == [3, 1, 3]
    assert readings.seq.tolist() == [0, 0, 1]


def test_several_grids_in_one_log(tmp_path):
    layout = LogLayout(columns=(LogColumn("grid", "grid"), LogColumn("line", "line"), LogColumn("c", "channel")))
    path = write(tmp_path, "grid,line,c", "north,1,5", "north,1,6", "east,1,7", ",1,8", "north,1,9")
    readings = read_log(path, layout, grid="spare").readings
    assert [readings.grids[k] for k in readings.grid] == ["north", "north", "east", "spare", "north"]
    assert readings.run.tolist() == [1, 1, 1, 1, 2]


def test_names_that_grow_long_far_down_are_kept_whole(tmp_path):
    layout = LogLayout(header=False, columns=(LogColumn(1, "grid"), LogColumn(2, "channel")))
    path = write(tmp_path, *["A,5"] * 3000, "the field behind the orchard,6")
    assert read_log(path, layout).readings.grids == ("A", "the field behind the orchard")


def test_lines_with_letters_before_their_number(tmp_path):
    layout = LogLayout(columns=(LogColumn("line", "line"), LogColumn("c", "channel")))
    assert read_log(write(tmp_path, "line,c", "L12,5", "Line 13,6"), layout).readings.line.tolist() == [12, 13]


@pytest.mark.parametrize(("text", "marked"), [("*", 1), ("M", 1), ("1", 1), ("0", 0), ("", 0), ("-", 0), ("no", 0)])
def test_a_mark_column(tmp_path, text, marked):
    layout = LogLayout(columns=(LogColumn("m", "mark"), LogColumn("c", "channel")))
    assert read_log(write(tmp_path, "m,c", f"{text},5"), layout).readings.extras["mark"].tolist() == [marked]


def test_a_log_without_lines_is_line_1_and_says_so(tmp_path):
    result = read_log(write(tmp_path, "5", "6"), LogLayout(header=False, columns=(LogColumn(1, "channel"),)))
    assert result.readings.line.tolist() == [1, 1]
    assert np.all(np.isnan(result.readings.station))
    assert codes(result) == ["line-unknown"]


@pytest.mark.parametrize(
    ("text", "heading"),
    [("out", 1), ("back", -1), ("up", 1), ("down", -1), ("N", 1), ("S", -1), ("+1", 1), ("-1", -1), ("0", 1),
     ("180", -1), ("45", 0)],
)  # fmt: skip
def test_headings(tmp_path, text, heading):
    readings = read_log(write(tmp_path, f"LINE 1 1 1 at 9:00 {text}", "5"), OPENED).readings
    assert readings.heading.tolist() == [heading]


# ---- times ----------------------------------------------------------------------------------------------------------

MOMENTS = [datetime(2024, 12, 31, 23, 58, 0) + timedelta(seconds=1.5 * k) for k in range(160)]
ELAPSED = [(m - datetime(2024, 12, 31)).total_seconds() for m in MOMENTS]


@pytest.mark.parametrize(
    ("pattern", "form"),
    [("%H:%M:%S.%f", ""), ("%I:%M:%S.%f %p", ""), ("%Y-%m-%dT%H:%M:%S.%f", ""), ("%d.%m.%Y %H:%M:%S.%f", ""),
     ("%H%M%S.%f", ""), ("%H%M%S.%f", "HHMMSS"), ("%H-%M-%S.%f", "%H-%M-%S.%f")],
)  # fmt: skip
@pytest.mark.parametrize("decimal", [".", ","])
def test_times_over_midnight(tmp_path, pattern, form, decimal):
    dates = "Y" in pattern
    rows = [f"{m.strftime(pattern)};5.5".replace("." if not dates else "\0", decimal) for m in MOMENTS]
    columns = (LogColumn(1, "time", format=form), LogColumn(2, "channel"))
    layout = LogLayout(delimiter=";", decimal=decimal, header=False, columns=columns)
    if dates:
        rows = [row.replace("5.5", f"5{decimal}5") for row in rows]
    readings = read_log(write(tmp_path, *rows), layout).readings
    np.testing.assert_allclose(readings.time_s, ELAPSED, rtol=0, atol=1e-6)


@pytest.mark.parametrize("factor", [1, 1000])
def test_seconds_and_milliseconds_over_midnight(tmp_path, factor):
    path = write(tmp_path, *[f"{(t % 86400) * factor:.0f},5" for t in ELAPSED])
    layout = LogLayout(header=False, columns=(LogColumn(1, "time"), LogColumn(2, "channel")))
    expected = np.array([float(f"{(t % 86400) * factor:.0f}") / factor for t in ELAPSED])
    expected[np.array(ELAPSED) >= 86400] += 86400
    np.testing.assert_allclose(read_log(path, layout).readings.time_s, expected, rtol=0, atol=1e-9)


def test_minutes_only_and_a_date_column_over_several_days(tmp_path):
    path = write(tmp_path, "5,31/12/2024,09:30", "6,31/12/2024,16:00", "7,02/01/2025,08:15", "8,,08:20")
    columns = (LogColumn(1, "channel"), LogColumn(2, "date"), LogColumn(3, "time"))
    readings = read_log(path, LogLayout(header=False, columns=columns)).readings
    first = datetime(2024, 12, 31)
    moments = [datetime(2024, 12, 31, 9, 30), datetime(2024, 12, 31, 16, 0), datetime(2025, 1, 2, 8, 15)]
    expected = [(m - first).total_seconds() for m in moments]
    np.testing.assert_array_equal(readings.time_s, [*expected, np.nan])


def test_the_notation_of_times_is_settled_once_for_the_whole_log(tmp_path, monkeypatch):
    monkeypatch.setattr("turnrow.processing_provider.engine.logs.text.BLOCK_BYTES", 900)
    clock = [datetime(2024, 5, 3, 9, 0) + timedelta(seconds=k) for k in range(400)]
    layout = LogLayout(header=False, columns=(LogColumn(1, "time"), LogColumn(2, "channel")))
    readings = read_log(write(tmp_path, *[f"{m:%H%M%S},5" for m in clock]), layout).readings
    assert readings.time_s.tolist() == [32400 + k for k in range(400)]


def test_a_format_that_times_cannot_have(tmp_path):
    layout = LogLayout(header=False, columns=(LogColumn(1, "time", format="hours"), LogColumn(2, "channel")))
    with pytest.raises(EngineError, match="Invalid format of a time: 'hours' was given"):
        read_log(write(tmp_path, "1,5"), layout)


# ---- what is missing or cannot be read ------------------------------------------------------------------------------


@pytest.mark.parametrize(("decimal", "delimiter"), [(".", ","), (",", ";")])
@pytest.mark.parametrize("clean_rows", [0, 3000])
def test_missing_marks(tmp_path, decimal, delimiter, clean_rows):
    values = [
        ["1", "1", "0", "*", "5.5"],
        ["1", "*", "1", "-9999.0", "6"],
        ["1", "3", "*", "", "*"],
        ["1", "4", "3", "nan", "-9999"],
    ]
    values += [["1", str(5 + k), "4", "1.5", "2.5"] for k in range(clean_rows)]
    rows = [delimiter.join(v).replace(".", decimal) for v in values]
    layout = LogLayout(delimiter=delimiter, decimal=decimal, header=False, missing=("*", "-9999"), columns=NUMBERED)
    result = read_log(write(tmp_path, *rows), layout)
    readings = result.readings
    np.testing.assert_array_equal(readings.channels["cond"][:4], [np.nan] * 4)
    np.testing.assert_array_equal(readings.channels["inphase"][:4], [5.5, 6, np.nan, np.nan])
    np.testing.assert_array_equal(readings.station[:4], [1, np.nan, 3, 4])
    assert np.isnan(readings.time_s[2])
    assert readings.has_flag("missing").tolist() == [False, False, True, True] + [False] * clean_rows
    assert [f.found for f in result.findings] == ["log.csv: 2 readings have no value in any channel."]


def test_a_number_that_marks_what_is_missing_goes_by_its_value_before_the_factor(tmp_path):
    layout = LogLayout(header=False, missing=("9999",), columns=(LogColumn(1, "channel", factor=0.5),))
    np.testing.assert_array_equal(
        read_log(write(tmp_path, "9999.00", "19998", "4"), layout).readings.channels["channel_1"], [np.nan, 9999, 2]
    )


def test_rows_that_cannot_be_read_are_told_and_the_rest_is_read(tmp_path):
    rows = [
        "1,1,9:00,5,6", "1,2,9:00,5", "1,3,9:00,5,6,7", "1,4,9:00,five,6", "1.5,5,9:00,5,6", ",6,9:00,5,6",
        "1,7,9:99,5,6", "1,8,9:00,5,6",
    ]  # fmt: skip
    layout = LogLayout(header=False, columns=NUMBERED)
    result = read_log(write(tmp_path, *rows), layout)
    assert result.readings.station.tolist() == [1, 8]
    assert result.readings.row.tolist() == [1, 8]
    reasons = [
        "has 4 values where 5 are expected",
        "has 6 values where 5 are expected",
        "has 'five' in column 4 (cond), which is no number",
        "has '1.5' in column 1 (line), which is no whole number",
        "has '' in column 1 (line), which is no whole number",
        "has a time or date that cannot be read",
    ]
    assert codes(result) == ["row-unreadable"] * 6
    for finding, row, reason in zip(result.findings, range(2, 8), reasons):
        assert finding.severity == "error"
        assert f"log.csv, row {row} " in finding.found
        assert reason in finding.found
        assert rows[row - 1] in finding.found


def test_many_such_rows_are_summed_up_after_the_first_20(tmp_path):
    rows = ["1,1,0,5,6" if k % 2 else "1,1,0,bad value that goes on " + "and on " * 30 + ",6" for k in range(100)]
    result = read_log(write(tmp_path, *rows), BARE)
    assert len(result.readings) == 50
    assert len(result.findings) == 21
    assert "30 more rows" in result.findings[-1].found
    assert "(50 of 100)" in result.findings[-1].found
    assert all(len(f.found) < 210 for f in result.findings)


@pytest.mark.parametrize("tail", ["", "3", " 1  3  *****  2.5"])
def test_fixed_columns_of_uneven_rows_and_marks_equal_those_of_even_rows(tmp_path, tail):
    rows = [f"{1:2d}{k:3d}{k / 8:7.3f}{k / 4:5.2f}" for k in range(1, 30)]
    layout = LogLayout(widths=(2, 3, 7, 5), header=False, missing=("*****",), columns=NUMBERED[:4])
    even = read_log(write(tmp_path, *rows), layout).readings.take(np.arange(29))
    uneven = read_log(write(tmp_path, *rows, *([tail] if tail else [])), layout).readings.take(np.arange(29))
    np.testing.assert_array_equal(even.station, np.arange(1, 30))
    for name, values in even.to_columns().items():
        np.testing.assert_array_equal(uneven.to_columns()[name], values, err_msg=name)


def test_a_last_row_that_was_cut_off(tmp_path):
    path = write(tmp_path, "1,1,0,5,6", "1,2,1,5,6")
    path.write_text(path.read_text() + "1,3,2")
    result = read_log(path, BARE)
    assert len(result.readings) == 2
    assert codes(result) == ["row-truncated"]
    assert result.findings[0].severity == "warning"
    assert "row 3 is the last and was cut off: '1,3,2'" in result.findings[0].found


def test_a_last_row_that_was_cut_off_in_fixed_columns(tmp_path):
    path = write(tmp_path, "  1   5.5", "  1   6.5")
    path.write_text(path.read_text() + "  1")
    layout = LogLayout(widths=(3, 6), header=False, columns=(LogColumn(1, "line"), LogColumn(2, "channel")))
    result = read_log(path, layout)
    assert codes(result) == ["row-truncated"]
    assert len(result.readings) == 2


def test_a_whole_last_row_needs_no_line_end(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("1,1,0,5,6\n1,2,1,5,7")
    result = read_log(path, BARE)
    assert result.findings == []
    assert len(result.readings) == 2


@pytest.mark.parametrize(
    ("content", "layout", "sentence"),
    [
        (b"", LAYOUT, "log.csv is empty"),
        (b" \r\n\n", LAYOUT, "log.csv is empty"),
        (b"\x00\x01\x02PK" * 400, LAYOUT, "is a binary file, not text. Export the readings"),
        (b"line,station,time,cond,inphase\n", LAYOUT, "holds no readings below the rows"),
        (b"a,b\n1,2\n", LAYOUT, "takes line from the column 'line', but the header of log.csv names: a, b"),
        (b"1,2\n", BARE, "takes time from column 3, but the rows of log.csv have 2 values"),
        (b"x,y,z,v,w\na,b,c,d,e\n", BARE,
         r"No row of log.csv fits the layout: row 1 has 'x' in column 1 \(line\).*Expected: 5 values delimited by ','"),
        (b"line,station,time,cond,inphase\n1;1;0;5;6\n", LAYOUT,
         r"No row of log.csv fits the layout plain: row 2 has 1 values where 5 are expected \('1;1;0;5;6'\)"),
        (b"1;1;0;5,5;6,1\n1;2;1;5;6,5\n", LogLayout(delimiter=";", header=False, columns=NUMBERED),
         r"have decimal commas, but the layout says the decimal mark is '\.' \(first in row 1.*Set the decimal mark"),
        (b"5\n6\n", OPENED, "No row of log.csv opens a traverse"),
        ("5;\xb5S\n".encode("latin-1"), LogLayout(delimiter=";", header=False, columns=OPENED.columns),
         "cannot be read as utf-8.*Set the encoding"),
    ],
)  # fmt: skip
def test_faults_of_the_whole_file(tmp_path, content, layout, sentence):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(EngineError, match=sentence):
        read_log(path, layout)
    assert path.read_bytes() == content


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(EngineError, match=r"The log gone.csv was not found in .*Check the path"):
        read_log(tmp_path / "gone.csv")
    with pytest.raises(EngineError, match="cannot be opened"):
        read_log(tmp_path, LAYOUT)


# ---- blocks, progress, equality with what was written ----------------------------------------------------------------


def test_blocks_do_not_change_what_is_read(tmp_path, monkeypatch):
    rows = []
    for k, (line, station, _, cond, _) in enumerate(zip(*survey(6, 40))):
        rows += [f"LINE {line} {station} {1 if line % 2 else -1} at 9:{line:02d}:00 out"] if k % 40 == 0 else []
        rows += ["FID"] if k % 10 == 9 else []
        rows.append("odd" if k == 133 else str(cond))
    path = write(tmp_path, *rows)
    whole = read_log(path, OPENED)
    monkeypatch.setattr("turnrow.processing_provider.engine.logs.text.BLOCK_BYTES", 60)
    fractions = []
    parts = read_log(path, OPENED, progress=fractions.append)
    assert len(fractions) > 10
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1
    assert parts.findings == whole.findings
    for name, values in whole.readings.to_columns().items():
        np.testing.assert_array_equal(parts.readings.to_columns()[name], values, err_msg=name)


def test_cancel_goes_through(tmp_path):
    def cancel(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        read_log(write(tmp_path, "1,1,0,5,6"), BARE, progress=cancel)


def test_clean_blocks_are_read_at_once_and_equal_the_reading_by_column(tmp_path, monkeypatch):
    rows = [f"{a},{b},9:00:{t % 60:06.3f},{c},{d}" for a, b, t, c, d in zip(*survey(9, 30))]
    path = write(tmp_path, *rows)
    quick = read_log(path, BARE).readings
    monkeypatch.setattr("turnrow.processing_provider.engine.logs.fields._parse_at_once", lambda rows, plan: None)
    slow = read_log(path, BARE).readings
    for name, values in quick.to_columns().items():
        np.testing.assert_array_equal(slow.to_columns()[name], values, err_msg=name)


@pytest.mark.parametrize("seed", range(12))
def test_random_readings_in_a_random_layout_come_back(tmp_path, seed):
    rng = np.random.default_rng(seed)
    columns = survey(int(rng.integers(2, 8)), int(rng.integers(4, 30)), seed)
    decimal = str(rng.choice([".", ","]))
    delimiter = str(rng.choice(["tab", "space", ";", "|"] + ([","] if decimal == "." else [])))
    sign = {"tab": "\t", "space": "  "}.get(delimiter, delimiter)
    order = rng.permutation(5)
    written = [[f"{value:g}" if k < 2 else f"{value:.3f}" for value in column] for k, column in enumerate(columns)]
    gaps = rng.random(len(columns[0])) < 0.1
    written[4] = ["-999.5" if gap else text for text, gap in zip(written[4], gaps)]
    columns[4][gaps] = np.nan
    rows = [sign.join(written[k][i] for k in order).replace(".", decimal) for i in range(len(gaps))]
    header = bool(rng.integers(2))
    skip = int(rng.integers(3))
    names = sign.join(COLUMNS[k].column for k in order)
    path = write(tmp_path, *["about this log"] * skip, *([names] if header else []), *rows)
    given = [COLUMNS[k].column if header else place for place, k in enumerate(order, 1)]
    layout = LogLayout(
        delimiter=delimiter, decimal=decimal, skip_rows=skip, header=header, missing=("-999.5",),
        columns=tuple(LogColumn(c, COLUMNS[k].role, COLUMNS[k].column if k > 2 else "") for c, k in zip(given, order)),
    )  # fmt: skip
    assert_same(read_log(path, layout).readings, columns)


def test_the_layout_is_found_out_when_none_is_given(tmp_path):
    columns = survey(4, 20)
    rows = [f"{a},{b},{t},{c},{d}" for a, b, t, c, d in zip(*columns)]
    path = write(tmp_path, "line,station,time,cond,inphase", *rows)
    result = read_log(path)
    assert (result.layout, result.remarks) == detect_layout(path)
    assert read_log(path, LAYOUT).remarks == []
    assert_same(result.readings, columns)


def test_fiducial_behind_the_last_reading_of_a_line_stays_with_it(tmp_path):
    path = tmp_path / "a.log"
    path.write_text("LINE 1\nMARK\n1.5\n2.5\nMARK\nLINE 2\nMARK\n3.5\n4.5\nMARK\n")
    given = {"delimiter": "space", "header": False, "line_start": r"LINE (?P<line>\d+)", "mark": "^MARK"}
    layout = layout_from_dict({**given, "columns": [{"column": 1, "role": "channel", "name": "eca"}]})
    readings = read_log(path, layout).readings
    assert readings.line.tolist() == [1, 1, 2, 2]
    assert readings.extras["mark"].tolist() == [1, 2, 1, 2]
