"""What is missing in a log or cannot be read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout
from turnrow.processing_provider.engine.logs.reader import read_log
from turnrow.tests.engine.logs.log_files import BARE, LAYOUT, NUMBERED, OPENED, codes, write


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
        "1,1,9:00,5,6", "1,2,9:00,5", "1,3,9:00,5,6,7", "1,four,9:00,5,6", "1.5,5,9:00,5,6", ",6,9:00,5,6",
        "1,7,9:99,5,6", "1,8,9:00,5,6",
    ]  # fmt: skip
    layout = LogLayout(header=False, columns=NUMBERED)
    result = read_log(write(tmp_path, *rows), layout)
    assert result.readings.station.tolist() == [1, 8]
    assert result.readings.row.tolist() == [1, 8]
    reasons = [
        "has 4 values where 5 are expected",
        "has 6 values where 5 are expected",
        "has 'four' in column 2 (station), which is no number",
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
    rows = ["1,1,0,5,6" if k % 2 else "1,bad value that goes on " + "and on " * 30 + ",0,5,6" for k in range(100)]
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
         r"No row of log.csv fits the layout plain: row 2 has 1 value where 5 are expected \('1;1;0;5;6'\)"),
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


@pytest.mark.parametrize("bad", [20, 21])
def test_a_layout_that_most_rows_do_not_fit_is_one_finding(tmp_path, bad):
    """Of 21 bad rows and 20 good ones: more than half, and more than are named one by one."""
    rows = ["1,1,9:00,5,6", *["1,four,9:00,5,6"] * bad, *["1,1,9:00,5,6"] * 19]
    layout = LogLayout(header=False, columns=NUMBERED)
    result = read_log(write(tmp_path, *rows), layout)
    assert codes(result) == (["row-unreadable"] * 20 if bad == 20 else ["layout-questioned"])
    assert len(result.readings) == 20
    if bad == 21:
        assert "21 of 41 rows cannot be read, the first of them row 2, which has 'four'" in result.findings[0].found
        assert "row-unreadable" in codes(read_log(tmp_path / "log.csv", replace(layout, confirmed=True)))
