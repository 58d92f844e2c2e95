"""Lines, recordings and marks of logs."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout
from turnrow.processing_provider.engine.logs.reader import read_log
from turnrow.tests.engine.logs.log_files import BARE, COLUMNS, OPENED, codes, write


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
    assert "1 row stands above the first row that opens a traverse" in found


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
