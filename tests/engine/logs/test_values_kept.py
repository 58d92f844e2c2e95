"""A value that is none does not take its reading away: it is blank, counted and flagged."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import LogLayout, read_log
from turnrow.processing_provider.engine.logs.layout import LogColumn
from turnrow.processing_provider.engine.logs.overrange import settle_overrange
from turnrow.tests.engine.logs.log_files import BARE, COLUMNS, NUMBERED, codes, write

GROUND = np.round(20 + 5 * np.sin(np.arange(40) / 5), 2)
"""Values of ordinary ground, mS/m."""


def test_a_value_bad_in_one_channel_is_blank_there_only(tmp_path):
    result = read_log(write(tmp_path, "1,1,0,5,6", "1,2,0,five,7", "1,3,0,x,y", "1,4,0,6,8"), BARE)
    readings = result.readings
    np.testing.assert_array_equal(readings.station, [1, 2, 3, 4])
    np.testing.assert_array_equal(readings.channels["cond"], [5, np.nan, np.nan, 6])
    np.testing.assert_array_equal(readings.channels["inphase"], [6, 7, np.nan, 8])
    assert readings.has_flag("missing").tolist() == [False, False, True, False]
    assert codes(result) == ["readings-missing", "value-unreadable", "value-unreadable"]
    assert "2 values of cond cannot be read, first in row 2 ('1,2,0,five,7')" in result.findings[1].found


@pytest.mark.parametrize(
    ("mark", "shown"),
    [("OL", ""), ("OVERLOAD", ""), ("over range", ""), (">200", ""), ("inf", ""), ("-99.99", "(-99.99)"),
     ("9999.99", "(9999.99)"), ("1E+32", "(1e+32)")],
)  # fmt: skip
def test_marks_of_overrange_are_no_values(tmp_path, mark, shown):
    rows = [f"1,{k},0,{mark if 10 <= k < 13 else value},6" for k, value in enumerate(GROUND)]
    result = read_log(write(tmp_path, *rows), BARE)
    np.testing.assert_array_equal(np.isnan(result.readings.channels["cond"]), np.isin(np.arange(40), [10, 11, 12]))
    assert not result.readings.flag.any()
    assert codes(result) == ["overrange"]
    assert "3 values of cond" in result.findings[0].found
    found = result.findings[0].found
    assert shown in found if shown else "(" not in found


def test_overrange_in_all_channels_is_a_flag(tmp_path):
    result = read_log(write(tmp_path, "1,1,0,OL,OL", "1,2,0,OL,*", "1,3,0,*,*", "1,4,0,5,OL"),
                      LogLayout(header=False, columns=NUMBERED, missing=("*",)))  # fmt: skip
    assert result.readings.flag_counts() == {"overrange": 2, "missing": 1, "in use": 1}


def test_strong_ground_and_metal_are_values():
    """A kiln, a pipe twice read the same, and a clipped but adjoining top of the range are kept."""
    for values in (np.append(GROUND, [180.0, -60.0]), np.append(GROUND, [90.0, 90.0]), np.minimum(GROUND, 22.0)):
        assert not settle_overrange(values, "mS/m")[1].any()


@pytest.mark.parametrize(("unit", "over"), [("mS/m", True), ("ppt", False), ("", False)])
def test_what_no_ground_gives_is_overrange_in_mS_per_m_only(unit, over):
    assert settle_overrange(np.append(GROUND, 2e5), unit)[1].tolist() == [False] * 40 + [over]


def test_a_log_without_the_header_that_its_layout_expects_keeps_its_first_reading(tmp_path):
    result = read_log(write(tmp_path, "1,1,0,5,6", "1,2,0,6,7"), LogLayout(columns=NUMBERED))
    assert result.readings.row.tolist() == [1, 2]
    assert "row 1 holds a reading where the layout expects names" in result.findings[0].found


def test_a_second_header_in_another_order_is_refused(tmp_path):
    rows = ["line,station,time,cond,inphase", "1,1,0,5,6", "line,station,time,inphase,cond", "1,2,0,6,7"]
    with pytest.raises(EngineError, match=r"row 3 names the columns in another order.*Split the log"):
        read_log(write(tmp_path, *rows), LogLayout(columns=COLUMNS))


@pytest.mark.parametrize(
    ("columns", "sentences"),
    [
        (NUMBERED, []),
        (NUMBERED[1:], ["no lines"]),
        ([NUMBERED[0], *NUMBERED[2:]], ["no stations"]),
        ([*NUMBERED[:2], *NUMBERED[3:]], ["no times"]),
        (NUMBERED[3:], ["no lines", "no stations", "no times"]),
    ],
)
def test_what_is_not_in_the_log_is_said(tmp_path, columns, sentences):
    remarks = read_log(write(tmp_path, "1,1,0,5,6"), LogLayout(header=False, columns=columns)).remarks
    assert [word in remark for word, remark in zip(sentences, remarks)] == [True] * len(remarks)
    assert len(remarks) == len(sentences)


def test_opening_rows_without_a_station_are_said(tmp_path):
    layout = LogLayout(header=False, line_start="^L (?P<line>[0-9]+)", columns=(LogColumn(1, "channel"),))
    remarks = read_log(write(tmp_path, "L 4", "5", "6", "L 5", "7"), layout).remarks
    assert "no stations: they will be counted by the pattern" in remarks[0]
