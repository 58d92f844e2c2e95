"""A log that looks misread as a whole is one sentence, before any line is accused; one read right never is."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare import compare_notes, grid_questioned
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.logs import layout_from_json, read_log
from turnrow.tests.engine.compare.log_lines import SCHEME, clean_lines, compared, log_of, only, stations

LAYOUTS = sorted((Path(__file__).resolve().parents[2] / "cases" / "layouts").glob("*.case"))
ONE_WAY = replace(SCHEME, pattern="one-way")
BACK = replace(SCHEME, first_heading="back")


def with_times(change):
    """The clean lines, the seconds since the log began as a layout that errs would have them."""
    lines = clean_lines()
    readings = log_of(lines)
    return readings.replace(time_s=change(readings.time_s))


def question(findings, about):
    finding = only(findings, "layout-questioned")
    assert (finding.line, finding.severity, finding.action) == (None, "error", "ask")
    assert finding.advice.startswith(f"Ask for the layout of the log: look at {about}.")
    assert '"confirmed": true' in finding.advice
    assert grid_questioned([finding])
    return finding


def test_lines_that_all_count_up_where_every_other_one_is_walked_back():
    finding = question(compared(clean_lines(ONE_WAY)), "stations")
    assert finding.found == "5 of 10 lines look reversed, the first of them line 2."
    assert "set pattern one-way and first_heading out in the register" in finding.advice


def test_lines_reversed_without_a_pattern():
    lines = [replace(x, station=x.station[::-1]) if x.line in (2, 5, 6, 9, 10) else x for x in clean_lines()]
    assert "in the register. Nothing" in question(compared(lines), "stations").advice


@pytest.mark.parametrize(("walked", "scheme"), [(SCHEME, BACK), (SCHEME, ONE_WAY), (BACK, ONE_WAY)])
def test_a_count_that_alternates_questions_the_register_not_the_layout(walked, scheme):
    assert only(compared(clean_lines(walked), scheme=scheme), "direction").line is None


def test_headings_that_the_notes_give_are_not_questioned():
    notes = [Note("A", n, heading=1) for n in range(1, 11)]
    assert only(compared(clean_lines(ONE_WAY), notes), "direction").severity == "warning"


@pytest.mark.parametrize("factor", [0.125, 2.0])
def test_stations_that_do_not_count_readings(factor):
    lines = [replace(x, station=x.station * factor) for x in clean_lines()]
    finding = question(compared(lines), "stations")
    assert f"Multiply the factor of the station column by {1 / factor:g}." in finding.advice


def counted_on():
    """The clean lines, their station a count of the readings of the whole log."""
    lines, before = clean_lines(), 500
    for n, x in enumerate(lines):
        lines[n] = replace(x, station=stations(before, before + len(x.station) - 1))
        before += len(x.station)
    return lines


@pytest.mark.parametrize(
    "lines", [counted_on(), [replace(x, station=x.station + 100) for x in clean_lines()]], ids=["on", "offset"]
)
def test_stations_that_are_all_beyond_the_edges(lines):
    finding = question(compared(lines), "stations")
    assert finding.found.startswith("10 of 10 lines have no station from 1 to 80, such as line 1: ")
    assert "set first_station in the register" in finding.advice


def test_starts_that_the_notes_give_settle_a_count_that_goes_on():
    """With a noted start each line lies where it was walked, whatever the logger counted."""
    notes = [Note("A", n, start_station=-9 if n % 2 else 90, stop_station=90 if n % 2 else -9) for n in range(1, 11)]
    assert {f.severity for f in compared(counted_on(), notes)} == {"note"}


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda t: t * 1000, "took 1.25e+04 s"),  # milliseconds read as seconds; a line takes 12.5 s
        (lambda t: t / 86_400, "took 0.000145 s"),  # fractions of a day read as seconds
        (lambda t: t * 10, "took 125 s"),  # tenths of a second read as seconds
        (lambda t: -t, "run backwards within 10 of 10 lines, the first of them line 1"),
        (lambda t: np.full_like(t, 45_000.0), "All readings have the same time."),
    ],
)
def test_times_that_nobody_can_have_walked(change, found):
    assert found in question(compare_notes(with_times(change), SCHEME), "times").found


@pytest.mark.parametrize("tick_s", [1.0, 60.0])
def test_a_coarse_clock_is_not_questioned(tick_s):
    """A clock in whole seconds, and one in whole minutes, which stands still within a line of 12 s."""
    assert compare_notes(with_times(lambda t: np.floor(t / tick_s) * tick_s), SCHEME) == []


@pytest.mark.parametrize("speed", [0.3, 2.5])
def test_the_slowest_and_the_fastest_walk_are_not_questioned(speed):
    lines = [replace(x, duration_s=x.duration_s / speed) for x in clean_lines()]
    assert "layout-questioned" not in [f.code for f in compared(lines)]


def test_stations_and_times_are_one_sentence():
    lines = [replace(x, duration_s=x.duration_s * 1000) for x in clean_lines(ONE_WAY)]
    question(compared(lines), "stations and times")


def test_all_lines_under_one_number():
    lines = [replace(x, line=1, run=n) for n, x in enumerate(clean_lines(), 1)]
    assert question(compared(lines), "lines").found == "All 1000 readings are of line 1."
    assert "layout-questioned" not in [f.code for f in compared(clean_lines()[:1])]


def test_a_line_number_that_counts_readings():
    every = [x for line in clean_lines() for x in line.station[:20]]
    lines = [replace(clean_lines()[0], line=n, station=stations(s, s), duration_s=0) for n, s in enumerate(every, 1)]
    assert question(compared(lines), "lines").found == "The line changes with every reading: there are 200 recordings."


def test_who_has_confirmed_the_layout_reads_of_the_lines():
    assert only(compared(clean_lines(ONE_WAY), confirmed=True), "direction").line is None


@pytest.mark.parametrize("path", LAYOUTS, ids=[path.stem for path in LAYOUTS])
def test_no_log_that_is_read_right_is_questioned(path, tmp_path):
    """Against the layouts of tests/cases and the recordings that they expect; the schemes are those of their logs."""
    head, text = path.read_text("utf-8").split("\n=== log ===\n", 1)
    case, log = json.loads(head), tmp_path / "log.txt"
    if case["expect"].get("or_refused") or "read" not in case["expect"]:
        pytest.skip("may be refused")
    text = text.replace("\n", {"crlf": "\r\n", "cr": "\r", "crcrlf": "\r\r\n"}.get(case.get("newline"), "\n"))
    log.write_bytes(text.encode(case.get("encoding", "utf-8")) + b"\0" * case.get("zero_bytes", 0))
    readings = read_log(log, layout_from_json(json.dumps(case["layout"])) if "layout" in case else None).readings
    for number, grid in enumerate(readings.grids):
        mine = readings.take(readings.grid == number)
        mine = mine.replace(grids=(grid,), grid=np.zeros(len(mine), np.int32))
        runs = mine.runs()
        longest, rate = max(len(run.rows) for run in runs), rate_of(mine, runs)
        first, count = min(run.line for run in runs), len({run.line for run in runs})
        scheme = Scheme(
            longest / rate, count, 1, rate, grid=grid, first_line=first, first_heading=heading_of(mine, runs)
        )
        questioned = [f.found for f in compare_notes(mine, scheme) if f.code == "layout-questioned"]
        step = step_of(mine, runs)
        # Stations in metres, and counts by twos, are no counts of readings: they are asked about.
        assert questioned == ([f"The stations change by {step:g} from one reading to the next."] if step != 1 else [])


def step_of(readings, runs):
    """By how much the station changes from reading to reading in most places; 1 where the log has none."""
    steps = np.abs(np.concatenate([np.diff(readings.station[run.rows]) for run in runs]))
    known = steps[np.isfinite(steps)].round(6)
    return float(np.median(known)) if len(known) else 1.0


def rate_of(readings, runs):
    """Readings a metre of someone who walks at a metre a second: readings a second, of the longest recording."""
    time = readings.time_s[max(runs, key=lambda run: len(run.rows)).rows]
    return (len(time) - 1) / (time[-1] - time[0]) if np.ptp(time) > 0 else 8.0


def heading_of(readings, runs):
    station = readings.station[runs[0].rows]
    return "back" if station[-1] < station[0] else "out"
