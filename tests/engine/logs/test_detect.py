"""Finding out layouts: the layout that the log was written in must come out, and say what was taken for what."""

from datetime import datetime, timedelta

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs.detect import detect_layout
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout, layout_from_json, layout_to_json
from turnrow.processing_provider.engine.logs.reader import read_log

RNG = np.random.default_rng(11)
LINES, STATIONS = 6, 24
LINE = np.repeat(np.arange(1, LINES + 1), STATIONS)
STATION = np.concatenate([np.arange(1, STATIONS + 1)[:: 1 if k % 2 == 0 else -1] for k in range(LINES)])
CLOCK = [datetime(2024, 5, 3, 9, 30) + timedelta(seconds=0.5 * k) for k in range(LINES * STATIONS)]
TIME = np.array([(m - datetime(2024, 5, 3)).total_seconds() for m in CLOCK])
COND = np.round(RNG.normal(12, 3, LINES * STATIONS), 2)
INPHASE = np.round(RNG.normal(0, 1, LINES * STATIONS), 3)
ROWS = range(LINES * STATIONS)


def clock(k):
    return f"{CLOCK[k]:%H:%M:%S}.{CLOCK[k].microsecond // 100000}"


def write(folder, rows, encoding="utf-8", name="log.txt"):
    path = folder / name
    path.write_bytes("\n".join([*rows, ""]).encode(encoding))
    return path


def with_opening_rows(opening, row):
    rows = []
    for k in ROWS:
        rows += [opening(k)] if k % STATIONS == 0 else []
        rows.append(row(k))
    return rows


def step(k):
    return 1 if LINE[k] % 2 else -1


LOGS = {
    "header, commas": lambda: (
        ["line,stn,time,cond (mS/m),inphase [ppt]"]
        + [f"{LINE[k]},{STATION[k]},{clock(k)},{COND[k]},{INPHASE[k]}" for k in ROWS]
    ),
    "no header": lambda: [f"{LINE[k]},{STATION[k]},{TIME[k]},{COND[k]},{INPHASE[k]}" for k in ROWS],
    "no header, another order": lambda: [f"{COND[k]}, {INPHASE[k]}, {clock(k)}, {STATION[k]}, {LINE[k]}" for k in ROWS],
    "semicolons, decimal commas, preamble": lambda: (
        ["Gerät: Eigenbau", "Messrate 2/s", "", "Linie;Punkt;Zeit;ECa;quad"]
        + [f"{LINE[k]};{STATION[k]};{clock(k)};{COND[k]};{INPHASE[k]}".replace(".", ",") for k in ROWS]
    ),
    "tabs, comments": lambda: (
        ["# made up", "# LINE\tSTATION\tTIME\tEC\tIP"]
        + [f"{LINE[k]}\t{STATION[k]}\t{CLOCK[k].isoformat()}\t{COND[k]}\t{INPHASE[k]}" for k in ROWS]
    ),
    "blanks": lambda: (
        ["Traverse Station Time Cond_mS/m Inphase_ppt"]
        + [f"{LINE[k]:4d} {STATION[k]:5d} {clock(k):>11} {COND[k]:8.2f} {INPHASE[k]:8.3f}" for k in ROWS]
    ),
    "fixed columns": lambda: [
        f"{LINE[k]:4d} {STATION[k] if k % 9 else '':>5} {clock(k):>11} {COND[k]:8.2f} {INPHASE[k]:8.3f}" for k in ROWS
    ],
    "opening rows with words": lambda: with_opening_rows(
        lambda k: f"Line={LINE[k]} station={STATION[k]} step={step(k)} heading={'out' if LINE[k] % 2 else 'back'}",
        lambda k: f"{clock(k)},{COND[k]},{INPHASE[k]}",
    ),
    "opening rows, station column": lambda: (
        ["stn;time;cond;ip"]
        + with_opening_rows(
            lambda k: f"LINE {LINE[k]} {'N' if LINE[k] % 2 else 'S'}",
            lambda k: f"{STATION[k]};{clock(k)};{COND[k]};{INPHASE[k]}",
        )
    ),
    "opening rows of another shape": lambda: with_opening_rows(
        lambda k: f"L{LINE[k]},start={STATION[k]},step={step(k)}",
        lambda k: f"{CLOCK[k]:%H%M%S}.{CLOCK[k].microsecond // 100000},{COND[k]},{INPHASE[k]}",
    ),
}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("log", LOGS.values(), ids=LOGS)
def test_what_was_written_is_found_out(tmp_path, log, encoding):
    path = write(tmp_path, log(), encoding)
    result = read_log(path)
    readings = result.readings
    np.testing.assert_array_equal(readings.line, LINE)
    station = np.where((np.arange(len(ROWS)) % 9 == 0) & bool(result.layout.widths), np.nan, STATION)
    np.testing.assert_array_equal(readings.station, station)
    np.testing.assert_allclose(readings.time_s, TIME, rtol=0, atol=1e-9)
    np.testing.assert_array_equal(list(readings.channels.values()), [COND, INPHASE])
    assert result.findings == []
    assert set(readings.run) == {1}


@pytest.mark.parametrize("log", LOGS.values(), ids=LOGS)
def test_the_layout_found_out_reads_the_same_when_given(tmp_path, log):
    path = write(tmp_path, log())
    layout, remarks = detect_layout(path)
    given = read_log(path, layout_from_json(layout_to_json(layout)))
    found = read_log(path)
    assert found.remarks == remarks
    assert found.layout == given.layout
    for name, values in found.readings.to_columns().items():
        np.testing.assert_array_equal(given.readings.to_columns()[name], values, err_msg=name)


def test_a_layout_written_by_hand_reads_the_same_as_the_one_found_out(tmp_path):
    path = write(tmp_path, LOGS["header, commas"]())
    by_hand = LogLayout(
        columns=(
            LogColumn("line", "line"),
            LogColumn("stn", "station"),
            LogColumn("time", "time"),
            LogColumn("cond (mS/m)", "channel", unit="mS/m"),
            LogColumn(5, "channel", "inphase", "ppt"),
        )
    )
    found, given = read_log(path).readings, read_log(path, by_hand).readings
    assert found.units == given.units == {"cond": "mS/m", "inphase": "ppt"}
    for name, values in found.to_columns().items():
        np.testing.assert_array_equal(given.to_columns()[name], values, err_msg=name)


def test_headings_come_from_opening_rows(tmp_path):
    expected = np.where(LINE % 2, 1, -1)
    for name in ("opening rows with words", "opening rows, station column"):
        np.testing.assert_array_equal(read_log(write(tmp_path, LOGS[name]())).readings.heading, expected)


def test_remarks_are_sentences_that_say_what_was_taken_for_what(tmp_path):
    rows = ["made up", "line;stn;wind;time;cond;ip;note"]
    rows += [f"{LINE[k]};{STATION[k]};{INPHASE[k]};{clock(k)};{COND[k]};-9999;ok" for k in ROWS]
    layout, remarks = detect_layout(write(tmp_path, rows))
    assert remarks == [
        "The log is utf-8 text with delimiter ';' and decimal mark '.'.",
        "The first row is a preamble and passed over.",
        "'-9999' stands where a value is missing.",
        "Column 1 'line' is the line, by its name.",
        "Column 2 'stn' is the station, by its name.",
        "Column 3 'wind' is a channel, as other numbers.",
        "Column 4 'time' is the time, written as HH:MM:SS, by its name.",
        "Column 5 'cond' is a channel in mS/m, by its name.",
        "Column 6 'ip' is a channel in ppt, by its name.",
        "Column 7 'note' is not used, by its name.",
    ]
    assert layout.missing == ("-9999",)
    assert layout.columns[4] == LogColumn("cond", "channel", "cond", "mS/m")


def test_behaviour_is_told_as_the_reason(tmp_path):
    _, remarks = detect_layout(write(tmp_path, LOGS["no header"]()))
    text = " ".join(remarks)
    assert "Column 1 is the line, because it steps from one run to the next." in text
    assert "Column 2 is the station, because it counts by one." in text
    assert "Column 3 is the time, written as s, because it only ever grows." in text
    assert "Column 4 is a channel" in text


@pytest.mark.parametrize("mark", ["*", "---", "NaN", "-9999", "9999", "-999.0", "N/A", "32767"])
def test_missing_marks(tmp_path, mark):
    gone = np.arange(len(ROWS)) % 7 == 0
    rows = ["line,stn,cond,ip"]
    rows += [f"{LINE[k]},{STATION[k]},{mark if gone[k] else COND[k]},{INPHASE[k]}" for k in ROWS]
    readings = read_log(write(tmp_path, rows)).readings
    np.testing.assert_array_equal(readings.channels["cond"], np.where(gone, np.nan, COND))
    np.testing.assert_array_equal(readings.channels["ip"], INPHASE)


def test_a_large_value_among_large_values_is_no_missing_mark(tmp_path):
    values = [9000 + 37 * (k % 50) for k in ROWS]
    values[5] = 9999
    rows = ["line,stn,cond", *[f"{LINE[k]},{STATION[k]},{values[k]}" for k in ROWS]]
    assert read_log(write(tmp_path, rows)).readings.channels["cond"].tolist() == values


@pytest.mark.parametrize("mark", ["MARK", "Fiducial 3", "*"])
def test_fiducial_rows(tmp_path, mark):
    rows = ["line,stn,cond"]
    for k in ROWS:
        rows += [mark] if k % 8 == 3 else []
        rows.append(f"{LINE[k]},{STATION[k]},{COND[k]}")
    result = read_log(write(tmp_path, rows))
    np.testing.assert_array_equal(result.readings.extras["mark"], np.arange(len(ROWS)) % 8 == 3)
    assert result.findings == []
    assert any("fiducial marks" in remark for remark in result.remarks)


@pytest.mark.parametrize(
    ("above", "said"),
    [
        ("1,1,09:30:00", True),
        ("1,09:30:00,20.5", False),  # no time where the readings have theirs
        ("Plot 7,3.5,09:30:00,dry", False),
        ("20,20,0.5,8", False),
        ("09:30:00", False),
    ],
)
def test_a_reading_above_the_names_is_a_finding_and_settings_are_not(tmp_path, above, said):
    rows = [f"{LINE[k]},{STATION[k]},09:{30 + k // 60:02d}:{k % 60:02d},{COND[k]}" for k in ROWS]
    result = read_log(write(tmp_path, [above, "line,stn,time,cond", *rows]))
    assert len(result.readings) == len(ROWS)
    assert [f.code for f in result.findings] == ["row-unreadable"] * said
    assert result.left_out == said
    assert result.layout.skip_rows == 1


@pytest.mark.parametrize("rest", ["?", "*", "-", "#"])
def test_a_lone_sign_may_be_what_is_left_of_a_row(tmp_path, rest):
    """One fiducial in a whole log is rare, and a damaged row is to be counted."""
    rows = ["line,stn,cond", *(f"{LINE[k]},{STATION[k]},{COND[k]}" for k in ROWS)]
    rows[12] = rest
    result = read_log(write(tmp_path, rows))
    assert len(result.readings) + result.left_out == len(ROWS)
    (finding,) = result.findings
    assert f"row 13 has 1 value where 3 are expected: '{rest}'" in finding.found


@pytest.mark.parametrize(
    ("name", "role"),
    [("Linie", "line"), ("TRAVERSE", "line"), ("Profil", "line"), ("ligne", "line"), ("sta.", "station"),
     ("Punkt", "station"),
     ("Uhrzeit", "time"), ("heure", "time"), ("fecha", "date"), ("Datum", "date"), ("FID", "mark"), ("Raster", "grid"),
     ("Temp (C)", "temperature"), ("Easting", "easting"), ("Hochwert", "northing"), ("Lon", "longitude"),
     ("LATITUDE", "latitude"), ("Line No.", "line"), ("pass", "run")],
)  # fmt: skip
def test_names_of_the_trade(tmp_path, name, role):
    values = {"time": "9:30:00", "date": "2024-05-03", "mark": "", "grid": "A"}.get(role, "4")
    others = [("ln", "line") if role != "line" else ("stn", "station")]
    rows = [f"{name};{others[0][0]};ECa", *[f"{values};{k // 9};{COND[k]}" for k in range(30)]]
    layout, _ = detect_layout(write(tmp_path, rows))
    assert layout.columns[0].role == role


def test_grids_dates_temperature_and_positions_by_name(tmp_path):
    rows = ["grid,line,station,date,time,ECa,temp,east,north,mark"]
    grids = ["A" if k < 72 else "B" for k in ROWS]
    rows += [
        f"{grids[k]},{LINE[k]},{STATION[k]},03/05/2024,{clock(k)},{COND[k]},20.5,{400 + k},{900 - k},{'M' * (k == 9)}"
        for k in ROWS
    ]
    readings = read_log(write(tmp_path, rows)).readings
    assert [readings.grids[k] for k in readings.grid] == grids
    np.testing.assert_allclose(readings.time_s, TIME, rtol=0, atol=1e-9)
    assert readings.extras["temperature"][0] == 20.5
    assert readings.extras["northing"][10] == 890
    assert np.flatnonzero(readings.extras["mark"]).tolist() == [9]
    assert list(readings.channels) == ["ECa"]


def test_a_column_that_only_counts_the_rows_is_left_out(tmp_path):
    rows = [f"{k + 1},{LINE[k]},{STATION[k]},{COND[k]}" for k in ROWS]
    layout, remarks = detect_layout(write(tmp_path, rows))
    assert [(c.column, c.role) for c in layout.columns] == [(2, "line"), (3, "station"), (4, "channel")]
    assert "Column 1 is not used, because it only counts the rows." in remarks


def test_columns_of_the_same_name_are_kept_apart(tmp_path):
    rows = ["line,stn,cond,cond", *[f"{LINE[k]},{STATION[k]},{COND[k]},{INPHASE[k]}" for k in ROWS]]
    readings = read_log(write(tmp_path, rows)).readings
    np.testing.assert_array_equal(list(readings.channels.values()), [COND, INPHASE])
    assert list(readings.channels) == ["cond", "cond_4"]


def test_a_long_log_is_found_out_from_its_first_part(tmp_path):
    rows = LOGS["no header"]() * 200
    layout, _ = detect_layout(write(tmp_path, rows))
    assert [c.role for c in layout.columns] == ["line", "station", "channel", "channel", "channel"]
    # The times start again with each copy of the log: a column that falls back is no time.


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "log.txt is empty"),
        (b"\x00\x01\x02" * 300, "log.txt is a binary file"),
        (b"Dear all,\nno survey today.\n", "No rows of numbers were found in log.txt.*give its layout"),
        (b"line,stn\n1,1\n1,2\n1,3\n", "No column of readings was found in log.txt. Give the layout"),
    ],
)
def test_logs_that_cannot_be_found_out(tmp_path, content, sentence):
    path = tmp_path / "log.txt"
    path.write_bytes(content)
    with pytest.raises(EngineError, match=sentence):
        detect_layout(path)


def test_names_under_the_letter_of_other_records_are_found(tmp_path):
    """Each row begins with its kind: D for readings, C for what the logger says now and then, and for the names."""
    rows = [f"D,{LINE[k]},{STATION[k]},{COND[k]}" for k in ROWS]
    log = write(tmp_path, ["C,Line,Station,Cond", *rows[:30], "C,battery 12.1 V", *rows[30:], "C,battery 12.0 V"])
    result = read_log(log)
    assert not result.findings
    np.testing.assert_array_equal(result.readings.line, LINE)
    np.testing.assert_array_equal(result.readings.station, STATION)
    np.testing.assert_array_equal(result.readings.channels["Cond"], COND)
    np.testing.assert_array_equal(read_log(log, result.layout).readings.station, STATION)
