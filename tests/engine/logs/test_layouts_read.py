"""Reading logs of many layouts. References: numpy's own text readers for numbers."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout
from turnrow.processing_provider.engine.logs.reader import read_log
from turnrow.tests.engine.logs.log_files import COLUMNS, LAYOUT, NUMBERED, assert_same, survey, write


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
