"""Positions, pace, notes, marks and values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import (
    MARKS,
    SCHEME,
    Line,
    changed,
    clean_lines,
    compared,
    log_of,
    marked,
    only,
    skipped_log,
    stations,
    with_values,
)


def test_noted_position_against_number_and_spacing():
    finding = only(compared(clean_lines(), [Note("A", 4, position_m=3.8)]), "position")
    assert finding.found == "The line is noted at 3.80 m along the baseline."
    assert finding.expected == "3.50 m by its number and the spacing"
    assert compared(clean_lines(), [Note("A", 4, position_m=3.52)]) == []


def test_noted_position_outside_the_width():
    finding = only(compared(clean_lines(), [Note("A", 4, position_m=35)]), "position")
    assert (finding.severity, finding.expected) == ("error", "0 to 10 m")


def test_line_noted_on_the_ground_of_another_is_asked_about():
    finding = only(compared(clean_lines(), [Note("A", 4, position_m=4.5)]), "line-missing")
    assert (finding.line, finding.action) == (4, "ask")
    assert finding.found == "The notes put line 4 at 4.50 m along the baseline, where line 5 lies."
    assert "walk line 4 at 3.50 m" in finding.advice


def test_two_lines_at_one_position_between_those_of_the_grid():
    findings = compared(clean_lines(), [Note("A", 4, position_m=4.0), Note("A", 5, position_m=4.0)])
    assert "Lines 5 and 4 both lie at 4.00 m along the baseline." in [f.found for f in findings]


@pytest.mark.parametrize(
    ("position", "found"),
    [
        (None, "The notes do not say where the tie line crosses."),
        (12.0, "The tie line is noted at 12.00 m, outside the grid."),
    ],
)
def test_tie_line_without_a_place(position, found):
    lines = [*clean_lines(), Line(90, stations(-5, 85), 11)]
    assert only(compared(lines, [Note("A", 90, kind="tie", position_m=position)]), "position").found == found
    assert compared(lines, [Note("A", 90, kind="tie", position_m=9)]) == []


@pytest.mark.parametrize(("duration", "told"), [(12.5 * 1.45, False), (12.5 * 2, True), (12.5 / 2, True)])
def test_line_walked_far_slower_or_faster(duration, told):
    # 0.8 to 1.2 m/s is usual, a factor of 1.5 (common practice, no source).
    findings = compared(changed(3, duration_s=duration))
    assert [(f.code, f.line) for f in findings] == [("pace", 3)] * told
    if told:
        assert f"100 readings in {duration:.0f} s" in findings[0].found


def test_pace_is_not_asked_of_dummy_tie_base_and_void_lines():
    lines = [*clean_lines(), *(Line(90 + k, stations(1, 30), 200) for k in range(4))]
    kinds = ("dummy", "base", "void")
    notes = [Note("A", 90 + k, kind=kind) for k, kind in enumerate(kinds)]
    assert compared(lines, [*notes, Note("A", 93, kind="tie", position_m=5)]) == []


def test_times_at_which_hardly_anybody_walks():
    lines = [replace(x, duration_s=x.duration_s * 5) for x in clean_lines()]
    finding = only(compared(lines), "pace")
    assert finding.line is None
    assert "8 readings a metre, the grid was walked at 0.20 m/s" in finding.found


def test_clock_that_runs_backwards():
    readings = log_of(clean_lines())
    time = readings.time_s.copy()
    time[np.flatnonzero(readings.line == 3)[50:]] -= 5
    finding = only(compare_notes(readings.replace(time_s=time), SCHEME), "pace")
    assert (finding.line, finding.found) == (3, "The times run backwards within the line.")


def test_note_for_a_line_that_is_not_in_the_log():
    note = Note("A", 33, kind="redo", where="notes, row 3")
    finding = only(compared(clean_lines(), [note]), "note-without-line")
    assert finding.found == "notes, row 3: line 33 is noted as redo, but is not in the log."
    second = only(compared(clean_lines(), [Note("A", 3, run=2, kind="void")]), "note-without-line")
    assert "recording 2 of line 3 is noted as void" in second.found


@pytest.mark.parametrize("left_out", [2, 6, 9])
def test_line_left_out_that_renumbered_the_rest_is_told_by_the_notes(left_out):
    findings = [f for f in compared(*skipped_log(left_out)) if f.code == "line-skipped"]
    assert [(f.line, f.severity, f.walk_again) for f in findings] == [(left_out, "error", True)]
    assert f"leave out line {left_out}" in findings[0].found


def test_notes_of_all_lines_or_of_few_tell_of_no_line_left_out():
    lines = clean_lines()
    everything = [Note("A", item.line) for item in lines]
    assert compared(lines, everything) == []
    assert "line-skipped" not in {f.code for f in compared(lines[:-1], everything)}
    assert "line-skipped" not in {f.code for f in compared(lines[:-1], everything[3:])}


def test_notes_of_another_grid_are_left_aside():
    assert compared(clean_lines(), [Note("B", 33, kind="void"), Note("B", 3, kind="void")]) == []


def test_noted_stop_against_the_log():
    close = [Note("A", 3, start_station=-9, stop_station=86)]
    assert compared(clean_lines(), close) == []
    far = only(compared(clean_lines(), [Note("A", 3, start_station=-9, stop_station=84)]), "note-disagrees")
    assert (far.severity, far.found) == ("warning", "By the log the line was stopped at station 90.")
    assert far.expected == "stopped at station 84 (the notes)"


def test_marks_as_in_most_lines_make_no_finding():
    assert compared(marked(MARKS), scheme=MARKS) == []


def test_line_with_an_uneven_number_of_marks():
    finding = only(compared(marked(MARKS, l3=(10, 90)), scheme=MARKS), "marks")
    assert (finding.line, finding.found, finding.expected) == (
        3,
        "The line has 2 marks.",
        "3 marks, as most lines have",
    )
    assert compared(marked(SCHEME, l3=(10, 90))) == []


def test_log_without_marks():
    finding = only(compared(clean_lines(MARKS), scheme=MARKS), "marks")
    assert (finding.line, finding.severity, finding.found) == (None, "error", "Most lines have 0 marks.")


@pytest.mark.parametrize("speed", [0.8, 1.0, 1.2])
def test_reading_count_is_free_where_the_pace_is_not_the_rate(speed):
    # At 0.8, 1.0 and 1.2 m/s a 10 m line has 100, 80 or 67 readings at 8 a second (arithmetic).
    scheme = replace(SCHEME, pace="ends", pattern="one-way")
    count = round(80 / speed)
    lines = [replace(x, station=stations(1, count), duration_s=10 / speed) for x in clean_lines(scheme)]
    assert compared(lines, scheme=scheme) == []


def test_missing_values_are_counted():
    finding = only(compare_notes(with_values(some=[20, 150, 151, 400]), SCHEME), "values-missing")
    assert finding.found == "Readings without a value of eca: 4 of 1000."
    assert (finding.severity, finding.walk_again) == ("note", False)


def test_long_stretch_without_values_is_walked_again():
    # Line 3 starts at row 200 with station -9.
    findings = compare_notes(with_values(some=slice(240, 245)), SCHEME)
    assert [(f.line, f.walk_again) for f in findings] == [(3, True), (None, False)]
    assert findings[0].found == "No values of eca at stations 31 to 35."
    assert [f.walk_again for f in compare_notes(with_values(some=slice(240, 244)), SCHEME)] == [False]
    assert [f.walk_again for f in compare_notes(with_values(some=slice(200, 210)), SCHEME)] == [False]


@pytest.mark.parametrize(("count", "again"), [(49, False), (51, True)])
def test_line_of_100_readings_that_mostly_is_beyond_the_range_is_walked_again(count, again):
    # Line 3 starts at row 200 with station -9.
    where = np.zeros(1000, bool)
    where[215 : 215 + count] = True
    findings = compare_notes(with_values(some=where).with_flag("overrange", where), SCHEME)
    assert [f.line for f in findings if f.walk_again] == [3] * again


def test_channel_without_any_value():
    finding = only(compare_notes(with_values(all=slice(None)), SCHEME), "values-missing")
    assert (finding.severity, finding.advice) == ("error", "Ask the books for the column in the layout.")


def test_a_reset_says_nothing_of_how_its_line_was_walked():
    full = [Note("A", item.line) for item in clean_lines()]
    assert compared(clean_lines(), [Note("A", 4, kind="reset")]) == []
    assert (
        compared(clean_lines(), [*full, Note("A", 4, kind="reset"), Note("A", 4, kind="reset", start_station=40)]) == []
    )
    # The recording of a void row is bare ground, whatever happened on it.
    voided = compared(clean_lines(), [Note("A", 4, kind="reset"), Note("A", 4, kind="void")])
    assert [(f.code, f.line) for f in voided] == [("line-missing", 4)]


@pytest.mark.parametrize(("station", "run"), [(95, None), (-20, None), (40, 2)])
def test_a_reset_at_a_station_that_its_line_has_not_is_asked_about(station, run):
    findings = compared(clean_lines(), [Note("A", 4, run, kind="reset", start_station=station)])
    code = "position" if run is None else "note-without-line"
    finding = only(findings, code)
    assert (finding.line, finding.action) == (4, "ask")


def test_a_reset_before_a_line_that_is_not_in_the_log_is_asked_about():
    finding = only(compared(clean_lines(), [Note("A", 31, kind="reset")]), "note-without-line")
    assert "line 31 is noted as reset, but is not in the log" in finding.found
