"""Habits of loggers, spreadsheets and offices, each against the values that were written."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import read_log
from turnrow.tests.engine.logs.log_files import write

NAMES = "line;station;time;cond (mS/m);ip (ppt)"


def rows_of(values, line=1):
    return [f"{line};{k};09:00:{k:02d};{value};{k / 10}" for k, value in enumerate(values, 1)]


def read(tmp_path, *rows):
    return read_log(write(tmp_path, *rows))


def flags_of(result):
    return {word: count for word, count in result.readings.flag_counts().items() if word != "in use"}


def test_a_full_register_is_over_range_above_zero_and_missing_below(tmp_path):
    rows = [f"1;{k};{20 + k % 3}.5" for k in range(1, 9)]
    rows[2], rows[5] = "1;3;32767", "1;6;-9999"
    result = read(tmp_path, "line;station;cond", *rows)
    assert flags_of(result) == {"overrange": 1, "missing": 1}
    assert np.isnan(result.readings.channels["cond"][[2, 5]]).all()


def test_zeros_of_a_lost_connection_go_by_the_channel_that_shows_them(tmp_path):
    values = [(0, "0.000") if k in (9, 10, 15) else (140.5 + k % 7, f"{k % 5 - 2.25}") for k in range(40)]
    result = read(tmp_path, NAMES, *(f"1;{k};09:00:{k:02d};{a};{b}" for k, (a, b) in enumerate(values)))
    assert flags_of(result) == {"overrange": 3}
    values[20] = (141.5, "0.000")
    result = read(tmp_path, NAMES, *(f"1;{k};09:00:{k:02d};{a};{b}" for k, (a, b) in enumerate(values)))
    assert flags_of(result) == {}


@pytest.mark.parametrize("word", [">max", "HI", "lo", "O.R.", "Überlauf", "hors gamme", "saturé", "fuera de rango"])
def test_words_of_over_range(tmp_path, word):
    result = read(tmp_path, "line;station;cond", *(f"1;{k};{word if k == 4 else 20.5 + k}" for k in range(1, 9)))
    assert flags_of(result) == {"overrange": 1}


@pytest.mark.parametrize("sign", ["'", " ", "\u00a0", "\u202f", "\u2019"])
def test_signs_at_thousands_are_no_part_of_a_value(tmp_path, sign):
    result = read(tmp_path, NAMES, *rows_of([f"1{sign}0{k}.5" for k in range(10, 20)]))
    np.testing.assert_array_equal(result.readings.channels["cond"], [1000.5 + k for k in range(10, 20)])


def test_remarks_and_checksums_behind_the_values(tmp_path):
    rows = rows_of(range(20, 30))
    rows[3] += " # wire, 2 m"
    rows[6] += "  // fence"
    np.testing.assert_array_equal(read(tmp_path, NAMES, *rows).readings.channels["ip"], np.arange(1, 11) / 10)
    sentences = [f"$EM,{k // 5 + 1},{k % 5},{20 + k * 7 % 11}.5*{k:02X}" for k in range(20)]
    np.testing.assert_array_equal(
        read(tmp_path, *sentences).readings.channels["channel_4"], np.arange(20) * 7 % 11 + 20.5
    )


def test_a_grid_that_only_its_first_row_names(tmp_path):
    rows = [f"{grid if k == 0 else ''};{1 + k // 4};{k % 4};{20 + k}.5" for grid in "AB" for k in range(8)]
    result = read(tmp_path, "grid;line;station;cond", *rows)
    assert [(run.grid, run.line, len(run.rows)) for run in result.readings.runs()] == [
        ("A", 1, 4), ("A", 2, 4), ("B", 1, 4), ("B", 2, 4)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("back", "stations"),
    [("9 BACK", [9, 0]), ("0 BACK", [0, 9]), ("9 DECREASING", [9, 0]), ("9 INCREASING", [9, 18])],
)
def test_opening_rows_that_say_no_step(tmp_path, back, stations):
    """A line of the way back counts down from the far end, or up where it starts at the near end."""
    values = [f"{20 + k}.5;{k}.25" for k in range(10)]
    result = read(tmp_path, "LINE 1 START 0 OUT", *values, f"LINE 2 START {back}", *values)
    assert result.readings.station[[10, 19]].tolist() == stations


def test_names_units_and_columns_beside(tmp_path):
    rows = [f"1;{k};{20 + k}.5;{k}.25;11.5;12.{k}" for k in range(1, 9)]
    readings = read(tmp_path, "line;station;HCP{mS/m};IP<ppt>;°C;V", *rows).readings
    assert list(readings.units.values()) == ["mS/m", "ppt"]
    assert list(read(tmp_path, "line;station;mS/m;ppt;°C;V", *rows).readings.channels) == ["mS_m", "ppt"]
    assert read(tmp_path, "line;station;Q (mV);I (mV)", *(row[:-10] for row in rows)).readings.units.keys() == {
        "Q",
        "I",
    }


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (["line;station;cond", *(f"{1 + k // 4 / 2};{k % 4};{k}.5" for k in range(16))], "column 1 numbers lines with"),
        ([f"{1 + k // 4};{k % 4};{20 + k}.5?x" + f";{k}.5" for k in range(16)], "something behind their number"),
        (["no;line;station;cond;ip", *(f"1;{k};{k}.5;{k}.25" for k in range(8))], "row 1 names 5 columns"),
        (
            [f"L{1 + k // 8:02d}P{k % 8:03d} {k * 7 % 11}.5 {k * 3 % 5}.25" for k in range(16)],
            "row 1 holds two numbers in one value",
        ),
        (["1;1;20.5;1.5"], "what they hold cannot be known"),
        (["%PDF-1.4", "1 0 obj", *(f"{k} 0 n" for k in range(9))], "a document for printing and no log"),
    ],
)
def test_what_cannot_be_known_is_refused(tmp_path, rows, words):
    with pytest.raises(EngineError, match=words):
        read(tmp_path, *rows)


def test_a_channel_of_which_most_values_cannot_be_read_questions_the_layout(tmp_path):
    values = [f"{k}.5" if k % 5 < 2 else f"{k}.5A" for k in range(10, 50)]
    result = read(tmp_path, NAMES, *(f"1;{k};09:00:{k:02d};{v};{k / 10}" for k, v in enumerate(values)))
    assert [f.code for f in result.findings if f.severity == "error"] == ["layout-questioned"]
