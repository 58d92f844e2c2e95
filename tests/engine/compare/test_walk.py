"""Direction and count of lines, and readings lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import SCHEME, Line, changed, clean_lines, compared, only, stations


def test_forgotten_direction():
    finding = only(compared(changed(4, station=stations(-9, 90))), "direction")
    assert (finding.line, finding.severity) == (4, "error")
    assert finding.found == "The log has the line walked out, from station -9 to 90."
    assert "note heading back and start_station 90, or near it" in finding.advice
    assert finding.advice.endswith("If out, note heading out.")


def test_direction_of_the_opening_row_counts_too():
    finding = only(compared(changed(4, heading=1, station=stations(-9, 90))), "direction")
    assert finding.expected == "walked back from near station 90"


def test_noted_direction_against_the_pattern_is_looked_at_and_left():
    finding = only(compared(changed(4, station=stations(-9, 90)), [Note("A", 4, heading=1)]), "direction")
    assert (finding.severity, finding.action) == ("warning", "")
    assert compared(changed(4, station=stations(90, -9)), [Note("A", 4, heading=-1)]) == []


def test_noted_direction_against_log_and_pattern_is_asked_about():
    finding = only(compared(changed(4, station=stations(90, -9)), [Note("A", 4, heading=1)]), "note-disagrees")
    assert (finding.severity, finding.action) == ("warning", "ask")


def test_noted_direction_mends_a_forgotten_setting():
    notes = [Note("A", 4, heading=-1, start_station=90)]
    finding = only(compared(changed(4, station=stations(-9, 90)), notes), "note-disagrees")
    assert finding.found == "By the log the line was walked out and started at station -9."
    assert finding.expected == "walked back and started at station 90 (the notes)"
    assert finding.severity == "note"


@pytest.mark.parametrize(
    ("log_scheme", "advice"),
    [
        (replace(SCHEME, pattern="one-way"), "pattern one-way, first_heading out is right"),
        (replace(SCHEME, first_heading="back"), "pattern alternate, first_heading back is right"),
    ],
)
def test_wrong_pattern_in_the_register_makes_one_finding(log_scheme, advice):
    finding = only(compared(clean_lines(log_scheme), confirmed=True), "direction")
    assert finding.line is None
    assert finding.expected == "pattern alternate, first_heading out"
    assert advice in finding.advice


def test_step_of_the_wrong_sign():
    finding = only(compared(changed(4, heading=-1, station=stations(-9, 90))), "step-sign")
    assert finding.found == "The log has the line walked back, but counts from station -9 to 90."
    assert finding.expected == "a count down from near station 90"
    assert compared(changed(4, heading=-1)) == []


def test_logger_that_ran_on_while_turning():
    both = np.concatenate([stations(-9, 90), stations(89, -9)])
    finding = only(compared(changed(3, station=both, duration_s=25)), "step-sign")
    assert finding.found == "The recording of line 3 has 199 readings; the stations grow 99 times and fall 99 times."
    assert finding.action == "ask"  # All its ground is covered.


def test_logger_that_counted_both_ways_without_covering_the_line():
    both = np.concatenate([stations(-9, 40), stations(39, -9)])
    findings = compared(changed(3, station=both, duration_s=12.5))
    assert [(f.code, f.action) for f in findings] == [("line-short", "walk"), ("step-sign", "walk")]


@pytest.mark.parametrize(
    ("lost", "code", "severity", "again"), [(4, "station-jump", "note", False), (5, "line-short", "error", True)]
)
def test_station_jump_wider_than_half_a_metre_is_walked_again(lost, code, severity, again):
    station = np.concatenate([stations(-9, 40), stations(41 + lost, 90)])
    finding = only(compared(changed(3, station=station)), code)
    assert (finding.severity, finding.walk_again) == (severity, again)
    assert finding.found.startswith(
        f"The station jumps from 40 to {41 + lost}. Readings over {lost / 8:.1f} m are lost."
    )


def test_station_jump_at_an_obstacle_in_the_overrun_or_walked_again_is_no_finding():
    station = np.concatenate([stations(-9, 40), stations(61, 90)])
    lines = changed(3, station=station)
    assert compared(lines, [Note("A", 3, start_station=41, stop_station=60, kind="obstacle")]) == []
    assert compared(changed(3, station=np.concatenate([stations(-29, -15), stations(-4, 90)]))) == []
    again = [*lines, Line(3, stations(35, 65), 4, run=2)]
    assert compared(again, [Note("A", 3, run=2, kind="redo")]) == []


def test_station_that_falls_back_within_a_line():
    station = np.concatenate([stations(-9, 40), stations(31, 90)])
    finding = only(compared(changed(3, station=station)), "station-jump")
    assert finding.found == "The station goes from 40 to 31 within the line."


def test_stations_that_do_not_count_readings():
    lines = [replace(x, station=x.station * 0.125) for x in clean_lines(replace(SCHEME, pattern="one-way"))]
    findings = compared(lines, scheme=replace(SCHEME, pattern="one-way"), confirmed=True)
    jump = [f for f in findings if f.code == "station-jump"]
    assert [f.found for f in jump] == ["The stations change by 0.125 from one reading to the next."]
    assert len(findings) <= 2
