"""Logs written in ways that are easily read wrong: they come out as they were walked, or are refused with a row."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import LogLayout, layout_from_json, read_log
from turnrow.processing_provider.engine.logs.layout import LogColumn
from turnrow.tests.engine.logs.log_files import write

LINE = np.repeat([1, 2, 3], 12)
STATION = np.concatenate([np.arange(1, 13), np.arange(12, 0, -1), np.arange(1, 13)])
COND = np.round(20 + 5 * np.sin(np.arange(36) / 4), 2)
SECONDS = 33000 + np.round(0.25 * np.arange(36) + 10 * (LINE - 1), 2)
CLOCK = [f"{int(s) // 3600:02d}:{int(s) // 60 % 60:02d}:{s % 60:05.2f}" for s in SECONDS]


def table(*columns, delimiter=","):
    return [delimiter.join(map(str, row)) for row in zip(*columns)]


def assert_read(result, station=STATION, line=LINE, time=SECONDS, channels=1):
    readings = result.readings
    np.testing.assert_array_equal(readings.line, line)
    if station is not None:
        np.testing.assert_array_equal(readings.station, station)
    if time is not None:
        np.testing.assert_allclose(readings.time_s, time, rtol=0, atol=2e-3)
    assert len(readings.channels) == channels
    np.testing.assert_array_equal(next(iter(readings.channels.values())), COND)
    assert [f.sentence() for f in result.findings if f.severity == "error"] == []


ROWS = table(LINE, STATION, CLOCK, COND)
MARKED = ["" for _ in LINE]
MARKED[4] = MARKED[20] = "1"
LOGS = {
    "a mark below the header": ["line,station,time,cond", "MARK", *ROWS],
    "names in another language": ["Linie Nr.,Meßpunkt,Uhrzeit,Leitwert [mS/m]", *ROWS],
    "an unknown name of the station": ["line,Lauf-Pos.,time,cond", *ROWS],
    "an unknown name of the line": ["Gang,station,time,cond", *ROWS],
    "distance with its unit": ["line,Distance (m),time,cond", *ROWS],
    "settings above the header": ["1,2,0.5,8", "line,station,time,cond", *ROWS],
    "names and a row of units": ["line,station,time,cond", ",,hh:mm:ss,mS/m", *ROWS],
    "marks mostly blank": ["line,station,time,cond,marker", *table(LINE, STATION, CLOCK, COND, MARKED)],
    "marks mostly blank, no names": table(LINE, STATION, CLOCK, COND, MARKED),
    "a mark that is 0 or 1": [
        "line,station,time,cond,M", *table(LINE, STATION, CLOCK, COND, [int(m or 0) for m in MARKED])],
    "day fractions": [
        "line,station,time,cond", *table(LINE, STATION, [f"{46128 + s / 86400:.8f}" for s in SECONDS], COND)],
    "milliseconds by name": ["line,station,ms,cond", *table(LINE, STATION, (1000 * SECONDS).astype(int), COND)],
    "a clock and milliseconds": ["line,station,time,ms,cond", *table(LINE, STATION, CLOCK, [100] * 36, COND)],
    "a second clock": [
        "line,station,time,uptime,cond", *table(LINE, STATION, CLOCK, np.arange(36) * 0.25 + 7 * LINE, COND)],
    "offset that changes": ["line,station,time,cond", *table(LINE, STATION, [
        f"2024-05-03T{c}+01:00" if n < 2 else
        f"2024-05-03T{int(c[:2]) + 1:02d}{c[2:]}+02:00" for n, c in zip(LINE, CLOCK)
    ], COND)],
    "stations by five, no names": table(LINE, STATION * 5, CLOCK, COND),
    "date and clock as digits": ["line,station,time,cond", *table(
        LINE, STATION, [f"20240503{c.replace(':', '')}" for c in CLOCK], COND)],
    "names again in capitals": ["line,station,time,cond", *ROWS[:20], "Line, Station, Time, Cond", *ROWS[20:]],
    "date and clock apart by a blank between tabs": ["line\tstation\ttime\tcond", *table(
        LINE, STATION, [f"03-May-2024 {c}" for c in CLOCK], COND, delimiter="\t")],
    "units below names, with semicolons": ["line;station;time;cond", ";;hh:mm:ss;mS/m", *table(
        LINE, STATION, CLOCK, COND, delimiter=";")],
    "two clocks": ["line,station,time_utc,time_local,cond", *table(LINE, STATION, CLOCK, CLOCK, COND)],
    "typeset minus and label of direction": ["line,station,time,cond", *table(
        [f"{n}{'NS'[n % 2]}" for n in LINE], STATION, CLOCK, COND)],
    "decimal commas in quotes": ["line,station,time,cond", *[
        f'{n},{s},{c},"{v}"'.replace(f'"{v}"', f'"{str(v).replace(".", ",")}"')
        for n, s, c, v in zip(LINE, STATION, CLOCK, COND)]],
}  # fmt: skip


@pytest.mark.parametrize("log", LOGS.values(), ids=LOGS)
def test_read_as_walked(tmp_path, log):
    assert_read(read_log(write(tmp_path, *log)), station=STATION * 5 if log[0].startswith("1,5,") else STATION)


@pytest.mark.parametrize(
    "opening", ["L {} {} {}", "BEGIN LINE {} STATION {} STEP {}", "LINE {} FROM {} BY {}", "line {}, start {}, step {}"]
)
def test_opening_rows_without_a_word_for_the_station(tmp_path, opening):
    rows = []
    for k, value in enumerate(COND):
        if k % 12 == 0:
            rows.append(opening.format(LINE[k], STATION[k], STATION[k + 1] - STATION[k]))
        rows.append(str(value))
    assert_read(read_log(write(tmp_path, *rows)), time=None)


@pytest.mark.parametrize("has_lines", [True, False])
def test_rows_that_name_the_grid(tmp_path, has_lines):
    """With lines in a column, and with rows that open them."""
    rows = ["line,station,cond"] if has_lines else []
    for grid in "AB":
        rows.append(f"GRID {grid}")
        for k, row in enumerate(table(LINE, STATION, COND)):
            if not has_lines and k % 12 == 0:
                rows.append(f"LINE {LINE[k]}")
            rows.append(row if has_lines else row.split(",", 1)[1])
    readings = read_log(write(tmp_path, *rows)).readings
    assert readings.grids == ("A", "B")
    np.testing.assert_array_equal(readings.grid, np.repeat([0, 1], 36))
    np.testing.assert_array_equal(readings.line, [*LINE, *LINE])
    np.testing.assert_array_equal(readings.station, [*STATION, *STATION])


AGAIN = np.tile(np.arange(1, 13), 3)


@pytest.mark.parametrize(("station", "starts"), [
    (STATION, [12, 24]), (AGAIN, [12, 24]), (5 * AGAIN, [12, 24]), (13 - AGAIN, [12, 24]),
    (np.delete(np.r_[AGAIN, 13], 7), [11, 23]), (np.r_[0:12, 9:-3:-1, 0:12], [12, 24]),
], ids=["turn", "start again", "by five", "from the end", "one lost", "turn a few off the edge"])  # fmt: skip
def test_stations_that_start_again_or_turn_make_lines(tmp_path, station, starts):
    result = read_log(write(tmp_path, "station,time,cond", *table(station, CLOCK, COND)))
    np.testing.assert_array_equal(np.flatnonzero(np.diff(result.readings.line)) + 1, starts)
    finding = next(f for f in result.findings if f.code == "line-unknown")
    assert "3 were made, counted from 1" in finding.found
    assert f"(line 2 from row {starts[0] + 2} on)" in finding.found
    assert finding.severity == "warning"


def test_marks_of_made_lines_stay_at_the_reading_below(tmp_path):
    rows = [
        row for k, row in enumerate(table(AGAIN, CLOCK, COND)) for row in (["MARK"] if k in (4, 15) else []) + [row]
    ]
    mark = read_log(write(tmp_path, "station,time,cond", *rows)).readings.extras["mark"]
    np.testing.assert_array_equal(np.flatnonzero(mark), [4, 15])


@pytest.mark.parametrize(("station", "row"), [
    (np.r_[1:21, 19:3:-1], 22), (np.cumsum(np.tile([1, 2, -1, -3, 1, 1], 6)), 4),
], ids=["one reading at the turn", "no pattern"])  # fmt: skip
def test_stations_that_turn_without_a_pattern_are_refused(tmp_path, station, row):
    with pytest.raises(EngineError, match=rf"^Add a column of lines to .*\(first in row {row}\)"):
        read_log(write(tmp_path, "station,time,cond", *table(station, CLOCK, COND)))


def test_stations_that_count_on_are_one_line(tmp_path):
    result = read_log(write(tmp_path, "station,time,cond", *table(np.arange(36), CLOCK, COND)))
    assert [(f.code, f.severity) for f in result.findings] == [("line-unknown", "warning")]
    assert set(result.readings.line) == {1}


@pytest.mark.parametrize("line", [LINE, np.ones(36, int)], ids=["three lines", "one line"])
@pytest.mark.parametrize("notation", ["{:.0f}", "{:%H%M%S}"])
def test_whole_seconds_without_names_are_no_channel(tmp_path, line, notation):
    seconds = np.floor(36000 + np.arange(36) / 3)
    clock = [datetime(2024, 5, 3) + timedelta(seconds=s) for s in seconds] if "%" in notation else seconds
    rows = table(line, STATION if len(set(line)) > 1 else np.arange(36), map(notation.format, clock), COND)
    assert_read(read_log(write(tmp_path, *rows)), time=seconds, line=line, station=None)


@pytest.mark.parametrize("delimiter", [",", ";", "|", " | "])
@pytest.mark.parametrize("top", [[], ["# logger 3"]], ids=["", "comment"])
@pytest.mark.parametrize("quote", ["", '"'])
def test_rows_that_begin_with_a_letter_of_their_kind(tmp_path, delimiter, top, quote):
    rows = []
    for k, value in enumerate(COND):
        rows += [("L", LINE[k], STATION[k], STATION[k + 1] - STATION[k])] if k % 12 == 0 else []
        rows += [("D", CLOCK[k], value)] + ([("M", 1)] if k in (4, 20) else [])
    log = [delimiter.join(f"{quote}{field}{quote}" for field in row) for row in rows]
    result = read_log(write(tmp_path, *top, *log))
    assert_read(result)
    np.testing.assert_array_equal(np.flatnonzero(result.readings.extras["mark"]), [5, 21])


def test_rows_that_begin_with_a_letter_of_their_kind_in_several_grids(tmp_path):
    rows = []
    for k, value in enumerate(COND[:24]):
        rows += [f"GRID {'AB'[k // 12]}"] if k % 12 == 0 else []
        rows += [f"L,{1 + k // 6 % 2},{STATION[k % 6]},1"] if k % 6 == 0 else []
        rows += [f"D,{CLOCK[k]},{value}"]
    readings = read_log(write(tmp_path, *rows)).readings
    assert readings.grids == ("A", "B")
    np.testing.assert_array_equal(readings.grid, np.repeat([0, 1], 12))
    np.testing.assert_array_equal(readings.line, np.tile(np.repeat([1, 2], 6), 2))
    np.testing.assert_array_equal(next(iter(readings.channels.values())), COND[:24])


def test_the_encoding_of_a_layout_is_obeyed(tmp_path):
    """Code page 850 has its own letters where Windows has signs (unicode.org, CP850.TXT, from memory)."""
    text = "line;station;cond;Température\n" + "\n".join(f"1;{k};{v};12.5" for k, v in zip(STATION[:12], COND)) + "\n"
    (tmp_path / "log.csv").write_bytes(text.encode("cp850"))
    columns = tuple(LogColumn(*c) for c in (("line", "line"), ("station", "station"), ("cond", "channel"),
                    ("Température", "temperature")))  # fmt: skip
    result = read_log(tmp_path / "log.csv", LogLayout(encoding="cp850", delimiter=";", columns=columns))
    np.testing.assert_array_equal(result.readings.extras["temperature"], 12.5)


def test_a_mean_below_each_line_is_no_reading(tmp_path):
    rows = ["line,station,time,cond", *ROWS[:12], "1,,,20.5", *ROWS[12:]]
    result = read_log(write(tmp_path, *rows))
    np.testing.assert_array_equal(result.readings.channels["cond"], COND)
    assert "row 14 has neither a station nor a time" in result.findings[0].found


def test_the_last_station_of_an_opening_row_gives_the_way(tmp_path):
    rows = [
        row
        for k, value in enumerate(COND)
        for row in ([f"LINE {LINE[k]} FROM {STATION[k]} TO {13 - STATION[k]}"] if k % 12 == 0 else []) + [str(value)]
    ]
    assert_read(read_log(write(tmp_path, *rows)), time=None)


def test_a_temperature_that_rises_is_no_clock_beside_one(tmp_path):
    rows = ["line,station,time,cond,t1", *table(LINE, STATION, CLOCK, COND, 100 + np.arange(36) // 2 * 2)]
    layout = read_log(write(tmp_path, *rows)).layout
    assert layout.one("time").column == "time"


def test_typeset_minus(tmp_path):
    rows = ["line,station,cond", *table(LINE, [f"{s - 6}".replace("-", "\N{MINUS SIGN}") for s in STATION], COND)]
    assert_read(read_log(write(tmp_path, *rows)), STATION - 6, time=None)


def test_a_row_of_names_that_comes_again_opens_a_line(tmp_path):
    rows = []
    for k, row in enumerate(table(STATION, CLOCK, COND)):
        rows += ["", "station,time,cond"] if k % 12 == 0 else []
        rows.append(row)
    result = read_log(write(tmp_path, *rows))
    assert_read(result)
    assert any("its row of names comes 3 times" in remark for remark in result.remarks)


def test_a_channel_named_like_a_field_beside_another_is_kept(tmp_path):
    rows = ["line,station,cond,cond_raw", *table(LINE, STATION, COND, COND + 1)]
    readings = read_log(write(tmp_path, *rows)).readings
    assert list(readings.channels) == ["cond", "cond_raw_4"]
    layout = LogLayout(columns=tuple(LogColumn(name, "channel") for name in ("cond", "cond_raw")))
    result = read_log(tmp_path / "log.csv", layout)
    assert list(result.readings.channels) == ["cond", "cond_raw_2"]
    np.testing.assert_allclose(result.readings.channels["cond_raw_2"], COND + 1)
    (renamed,) = (f for f in result.findings if f.code == "channel-renamed")
    assert renamed.found.startswith("Channel cond_raw is called cond_raw_2 in the results")


COMMAS = [f"{v:.2f}".replace(".", ",") for v in COND]


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        (table(LINE, STATION, COMMAS), r"row 1 \('1,1,20,00'\) seems to have decimal commas.*another delimiter"),
        (["line,station,cond", *table(LINE, STATION, COMMAS)], "row 2 .*seems to have decimal commas"),
        ([";".join(["4"] + [str(v) for v in COND[:12]])] * 3, "row 1 holds 13 values.*a row for each reading"),
        (["line,station,time,coil,cond", *[f"{n},{s},{c},{k},{v}" for n, s, c, v in zip(LINE, STATION, CLOCK, COND)
                                           for k in ("H", "V")]], "rows 2 to 3 belong to one place.*'H', 'V'.*pair"),
        (["line,station,cond", *[f"{'LT'[n // 3]}{n % 3 + n // 3},{s},{v}" for n, s, v in zip(LINE, STATION, COND)]],
         "column 1 has two lines of number 1: L1 in row 2 and 'T1' in row 26. Give each line"),
        ([f"L={n} S={s} C={v}" for n, s, v in zip(LINE, STATION, COND)], "row 1 has a name before each"),
        (["line,station,time,half,cond", *[f"{n},{s},{c},PM,{v}" for n, s, c, v in zip(LINE, STATION, CLOCK, COND)]],
         "column 4 holds AM and PM apart from the clock .row 2"),
        (["line;station;cond", *[f"{n};{s};{v}" for n, s, v in zip(LINE, STATION, ["998", "1,002", "999"] * 12)]],
         "column 3 seems to have commas at thousands .'1,002'"),
        (["line,station,time,cond", *[f"{n},{s},{c[:8]},000,{v}" for n, s, c, v in zip(LINE, STATION, CLOCK, COND)]],
         "row 2 .* has a decimal comma in its clock"),
        (["line,station,cond", *table(LINE, STATION, COND),
          "line,station,inphase,cond", *table(LINE, STATION, COND, COND)],
         "row 38 names the columns and others than the first header"),
        (["place,time,cond", *[
            f"{n}/{s},{c},{v}" for n, s, c, v in zip(LINE, STATION, CLOCK, COND)]],
         "row 2 holds two numbers in one value"),
        (["5,6,7,8,9,1"] * 30 + ROWS, "30 rows from row 1 on.*another way than those from row 31"),
        (["grid,log,length_m,width_m,spacing_m", "A,a.txt,10,10,0.5", "B,b.txt,10,10,0.5"],
         "is the register of a survey"),
        (["grid,corner,x,y", "A,start,1,2", "A,head,1,12", "B,start,3,4"],
         "is the corners of a survey"),
    ],
)  # fmt: skip
def test_what_cannot_be_known_is_refused(tmp_path, rows, sentence):
    with pytest.raises(EngineError, match=sentence):
        read_log(write(tmp_path, *rows))


def test_a_clock_of_minutes_and_seconds_grows_over_the_hour(tmp_path):
    clock = [f"{int(s) // 60 % 60:02d}:{s % 60:05.2f}" for s in SECONDS + 570]
    result = read_log(write(tmp_path, "line,station,time,cond", *table(LINE, STATION, clock, COND)))
    assert_read(result, time=SECONDS + 570 - 9 * 3600)


def test_words_for_formats_of_times_have_synonyms():
    words = ("seconds", "Seconds", "sec", "milliseconds", "days", "clock", "datetime", "hhmmss")
    forms = [LogColumn(1, "time", format=word).format for word in words]
    assert forms == ["s", "s", "s", "ms", "day", "HH:MM:SS", "date-time", "HHMMSS"]


def test_an_error_in_a_layout_names_its_file_and_the_column():
    text = '{"columns": [{"column": "clock", "role": "time", "format": "weeks"}, {"column": 2, "role": "channel"}]}'
    with pytest.raises(EngineError, match=r"Layout two.json: .*column 'clock'.*'weeks'.*s, ms, day, HHMMSS"):
        layout_from_json(text, "two.json")
    with pytest.raises(EngineError, match=r"layout two.json is no JSON"):
        layout_from_json("{", "two.json")
