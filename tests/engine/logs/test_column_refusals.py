"""Columns that mix what does not belong together, or cannot be known: refused with the row and what to do."""

from __future__ import annotations

import json

import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import layout_from_json, read_log
from turnrow.tests.engine.logs.log_files import write

PLACES = [(1 + k // 12, k % 12 + 1, f"09:05:{k:02d}") for k in range(48)]


def rows(last):
    return [f"{line},{station},{clock},{20 + k % 7}.5{last(k)}" for k, (line, station, clock) in enumerate(PLACES)]


PLAIN = rows(lambda k: "")
MIXED = {
    "units": (
        "line,station,time,cond,unit", rows(lambda k: ",mS/m" if k < 24 else ",S/m"), "'mS/m' to 'S/m' in row 26"),
    "orientations": ("line,station,time,cond,mode", rows(lambda k: ",HCP" if k < 30 else ",VCP"), "to 'VCP' in row 32"),
    "distances of the coils": (
        "line,station,time,cond,coil (m)", rows(lambda k: ",1.0" if k < 24 else ",0.5"), "'1.0' to '0.5' in row 26"),
    "parts of the response": (
        "line,station,time,cond,part", rows(lambda k: "," + "QP"[k % 2]), "'Q' to 'P' in row 3"),
    "heights": (
        "line,station,time,cond,height (m)", rows(lambda k: ",0.2" if k < 24 else ",1.0"), "'0.2' to '1.0' in row 26"),
    "a tie line with the number of a line": (
        "line,station,time,cond", ["T" + row.replace("4,", "1,", 1) if row[0] == "4" else row for row in PLAIN],
        "two lines of number 1: 1 in row 2 and 'T1' in row 38"),
    "a clock among numbers": (
        "", [f"{line}.{station}.{clock},5.{k % 7},{100 + k % 5}" for k, (line, station, clock) in enumerate(PLACES)],
        "a clock among other numbers"),
    "a sum above each line": (
        "line,station,time,cond", [
            row for k, first in enumerate(PLAIN)
            for row in ([f"{first[0]},12,{PLACES[k][2]},22.8", first] if k % 12 == 0 else [first])],
        "row 2 and 3 more"),
    "the same names again": (
        "station,cond,station,cond", [f"{k},{20 + k % 7}.5,{k},{21 + k % 5}.5" for k in range(12)], "beside each"),
    "a column for each line": (
        "station,L4,L5,L6", [f"{k},{20 + k % 7}.5,{19 + k % 7}.5,{21 + k % 5}.5" for k in range(12)], "beside each"),
    "names beside their columns": (
        "line,station,time,,cond", [row + "," for row in rows(str)], "'cond' names column 5, which is empty"),
    "a line with a letter behind": (
        "line,station,time,cond", [row.replace("3,", "2A,", 1) if row[0] == "3" else row for row in PLAIN], "'2A'"),
    "lines without a number": (
        "line,station,time,cond", ["ABCD"[int(row[0]) - 1] + row[1:] for row in PLAIN], "'A' in row 2"),
    "apostrophes before three digits": (
        "line,station,time,cond", [row.replace(".5", "'512") for row in PLAIN], "apostrophe"),
    "a mean below each line": (
        "line,station,time,cond", [
            row for k, first in enumerate(PLAIN)
            for row in ([first, f"{first[0]},12,,22.8"] if k % 12 == 11 else [first])], "row 14 and 3 more"),
}  # fmt: skip


@pytest.mark.parametrize(("names", "readings", "words"), MIXED.values(), ids=MIXED)
def test_columns_that_mix_are_refused(tmp_path, names, readings, words):
    log = write(tmp_path, *filter(None, [names]), *readings)
    with pytest.raises(EngineError, match=words):
        read_log(log)


@pytest.mark.parametrize("last", [",mS/m", ",HCP", ",1.0", ",431.2"])
def test_settings_that_stay_are_read(tmp_path, last):
    readings = read_log(write(tmp_path, "line,station,time,cond,coil", *rows(lambda k: last))).readings
    assert len(readings) == 48
    assert list(readings.channels) == ["cond"]


def wheel_m(k):
    """Metres of a wheel that is not pushed evenly; the first reading of each line at its edge."""
    station = PLACES[k][1] - 1
    return f"{0.2 * station + 0.03 * (station * (k + 5) % 4):.2f}"


SECONDS = {
    "metres of a wheel": wheel_m,
    "tenths of a metre": lambda k: f"{0.1 * PLACES[k][1]:.1f}",
    "a start that stands": lambda k: max(PLACES[k][1] - 1, 1),
    "a reading lost at the start": lambda k: PLACES[k][1] + (PLACES[k][1] > 1),
}


@pytest.mark.parametrize("station", SECONDS.values(), ids=SECONDS)
def test_two_readings_in_the_second_in_which_a_line_starts_are_no_sum(tmp_path, station):
    """Loggers that write whole seconds give the first readings of nearly every line one time."""
    rows = [f"{line},{station(k)},09:05:{k // 4:02d},{20 + k % 7}.5" for k, (line, _, _) in enumerate(PLACES)]
    assert len(read_log(write(tmp_path, "line,station,time,cond", *rows)).readings) == 48


def test_a_line_that_cannot_be_read_in_a_few_rows_is_left_out_of_these_only(tmp_path):
    damaged = [row.replace("2,", "***,", 1) if k in (15, 16, 17, 18) else row for k, row in enumerate(PLAIN)]
    result = read_log(write(tmp_path, "line,station,time,cond", *damaged))
    assert len(result.readings) == 44
    assert [f.code for f in result.findings] == ["row-unreadable"] * 4


def test_temperatures_beside_a_channel_are_no_lines(tmp_path):
    rows = [
        f"{station},{clock},{20 + k % 7}.5,21.{k % 3},22.{k % 4},23.{k % 5}"
        for k, (_, station, clock) in enumerate(PLACES)
    ]
    found = read_log(write(tmp_path, "station,time,cond,T1,T2,T3", *rows)).readings
    assert (len(found), len(found.runs())) == (48, 4)


def test_rows_out_of_order_are_refused(tmp_path):
    by_station = sorted(PLAIN, key=lambda row: int(row.split(",")[1]))
    with pytest.raises(EngineError, match=r"line changes after 1.0 readings.*row 3.*Sort the log by its time"):
        read_log(write(tmp_path, "line,station,time,cond", *by_station))
    back = [row for line in "1234" for row in PLAIN[:: -1 if line in "24" else 1] if row[0] == line]
    with pytest.raises(EngineError, match=r"times run backwards within line 2 \(from row 14 on\)"):
        read_log(write(tmp_path, "line,station,time,cond", *back))


def test_a_layout_that_takes_stations_for_lines_is_questioned(tmp_path):
    roles = {"line": "station", "station": "line", "time": "time", "cond": "channel"}
    columns = [{"column": column, "role": role} for column, role in roles.items()]
    layout = {"columns": columns}
    log = write(tmp_path, "line,station,time,cond", *PLAIN)
    (found,) = read_log(log, layout_from_json(json.dumps(layout))).findings
    assert found.code == "layout-questioned"
    assert "line changes after 1.0 readings on average (first in row 3)" in found.found
    assert found.advice.startswith("Ask for the layout of the log: look at lines.")
    assert not read_log(log, layout_from_json(json.dumps({**layout, "confirmed": True}))).findings


def test_a_line_again_at_the_same_times_is_another_channel(tmp_path):
    first = PLAIN
    other = [row.replace(".5", ".75") for row in first]
    with pytest.raises(EngineError, match=r"line 1 comes again from row 50 on, at the same times as from row 2 on"):
        read_log(write(tmp_path, "line,station,time,cond", *first, *other))
    assert len(read_log(write(tmp_path, "line,station,time,cond", *first, *first)).readings) == 96


def test_a_line_walked_again_is_none_where_the_clock_starts_again_with_each_line(tmp_path):
    """Line 3 has the times of line 1: the second recording of line 1 has them by that, not as another channel."""
    counts = [(1, 12), (2, 11), (1, 12), (3, 12)]
    rows = [f"{line},{i + 1},{0.2 * i:.1f},{20 + i % 7 + k}.5" for k, (line, n) in enumerate(counts) for i in range(n)]
    assert len(read_log(write(tmp_path, "line,station,time (s),cond", *rows)).readings) == 47


def test_readings_above_in_another_dialect_are_no_preamble(tmp_path):
    below = [row.replace(",", ";").replace(".", ",") for row in PLAIN]
    names = "line,station,time,cond"
    with pytest.raises(EngineError, match=r"48 rows from row 2 on .* another way than those from row 51 on"):
        read_log(write(tmp_path, names, *PLAIN, names.replace(",", ";"), *below, *below))
