"""How far lines go and from where: short, long, and a start station that was not set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import SCHEME, changed, clean_lines, compared, log_of, only, stations, timed


def test_short_line_must_be_walked_again():
    finding = only(compared(changed(3, station=stations(-9, 60))), "line-short")
    assert (finding.line, finding.severity, finding.walk_again) == (3, "error", True)
    assert finding.found == "No readings at stations 61 to 80 (2.5 m)."
    assert finding.advice.startswith("Walk line 3 again.")


@pytest.mark.parametrize(("last", "short"), [(76, False), (75, True)])
def test_line_may_miss_an_edge_by_half_a_metre(last, short):
    # 4 readings of 8 a metre are the half metre that common practice allows (no source).
    findings = compared(changed(3, station=stations(-9, last)))
    assert [f.code for f in findings] == ["line-short"] * short


def test_line_walked_back_that_stops_early_is_short_at_the_start_edge():
    finding = only(compared(changed(4, station=stations(90, 31), duration_s=7.5)), "line-short")
    assert "stations 1 to 30 (3.8 m)" in finding.found


def test_noted_stop_explains_the_log_but_not_the_ground():
    lines = changed(3, station=stations(-9, 60))
    finding = only(compared(lines, [Note("A", 3, start_station=-9, stop_station=60)]), "line-short")
    assert (finding.severity, finding.action) == ("error", "walk")
    assert finding.found == "No readings at stations 61 to 80 (2.5 m), as noted."


def test_noted_stop_elsewhere_does_not_explain_a_short_line():
    lines = changed(3, station=stations(-9, 60))
    findings = compared(lines, [Note("A", 3, start_station=-9, stop_station=85)])
    assert [(f.code, f.walk_again) for f in findings] == [("line-short", True)]


@pytest.mark.parametrize("line", [3, None])
def test_obstacle_explains_a_short_line(line):
    lines = changed(3, station=stations(-9, 60))
    assert compared(lines, [Note("A", line, start_station=61, stop_station=95, kind="obstacle")]) == []
    assert compared(lines, [Note("A", 5, start_station=61, stop_station=95, kind="obstacle")])[0].code == "line-short"


def test_line_in_two_parts_around_an_obstacle():
    whole = clean_lines()[2]
    parts = [replace(whole, station=stations(-9, 30), duration_s=5), replace(whole, station=stations(45, 90),
             duration_s=6, run=2)]  # fmt: skip
    lines = [*clean_lines()[:2], *parts, *clean_lines()[3:]]
    assert compared(lines, [Note("A", 3, start_station=31, stop_station=44, kind="obstacle")]) == []
    assert only(compared(lines), "line-short").found == "No readings at stations 31 to 44 (1.8 m)."


def test_short_line_without_stations_is_told_by_its_count():
    lines = clean_lines(overrun=0)
    lines[2] = replace(lines[2], station=lines[2].station[:60])
    nothing = np.full(sum(len(x.station) for x in lines), np.nan)
    finding = only(compare_notes(log_of(lines, station=nothing), SCHEME), "line-short")
    assert (finding.line, finding.found) == (3, "No readings at stations 61 to 80 (2.5 m).")


def test_one_cause_makes_one_finding():
    lines = timed([replace(x, station=x.station[x.station <= 60]) for x in clean_lines()])
    finding = only(compared(lines), "line-short")
    assert finding.line is None
    assert finding.found.startswith("Lines reach from station -9 to 60, most of them alike.")
    assert "length_m" in finding.advice


def test_long_line():
    lines = changed(3, station=stations(-9, 140), duration_s=18)
    finding = only(compared(lines), "line-long")
    assert finding.found == "The line has 150 readings. It runs 6.2 m farther past the edge than the others."
    assert not finding.walk_again


def test_overrun_as_long_as_that_of_the_others_is_no_finding():
    assert compared(clean_lines(overrun=32)) == []


def test_forgotten_start_station():
    finding = only(compared(changed(3, station=stations(61, 160))), "start-station")
    assert (finding.line, finding.severity, finding.walk_again) == (3, "error", False)
    assert finding.found.startswith("The line goes from station 61 to 160. Its 100 readings are enough")
    assert finding.expected == "a start near station -9 for a line walked out"
    assert "start_station -9" in finding.advice


def test_line_stopped_early_after_its_usual_overrun_has_no_forgotten_setting():
    finding = only(compared(changed(3, station=stations(-9, 70))), "line-short")
    assert finding.found == "No readings at stations 71 to 80 (1.2 m)."


def test_start_far_before_the_edge_is_a_forgotten_setting():
    finding = only(compared(changed(3, station=stations(-59, 40))), "start-station")
    assert finding.found.startswith("The line goes from station -59 to 40.")


def test_forgotten_start_station_on_the_way_back():
    finding = only(compared(changed(4, station=stations(1, -98))), "start-station")
    assert finding.expected == "a start near station 90 for a line walked back"


def test_note_mends_a_forgotten_start_station():
    lines = changed(3, station=stations(61, 160))
    finding = only(compared(lines, [Note("A", 3, start_station=-9, where="notes, row 7")]), "note-disagrees")
    assert finding.severity == "note"
    assert finding.found == "By the log the line was started at station 61."
    assert finding.expected == "started at station -9 (notes, row 7)"
