"""Which lines there are: missing, doubled, out of turn, and none of the grid's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.findings import walk_again_count
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import SCHEME, Line, clean_lines, compared, log_of, only, stations


def test_missing_line_must_be_walked_again():
    finding = only(compared([x for x in clean_lines() if x.line != 4]), "line-missing")
    assert (finding.line, finding.severity, finding.walk_again) == (4, "error", True)
    assert finding.found == "The line is not in the log."
    assert finding.advice.startswith("Walk line 4 again, at 3.50 m along the baseline.")


def test_every_missing_line_counts():
    findings = compared(clean_lines()[:7])
    assert [f.line for f in findings] == [8, 9, 10]
    assert walk_again_count(findings) == 3


def test_line_redone_under_another_number_is_not_missing():
    lines = [*(x for x in clean_lines() if x.line != 4), replace(clean_lines()[3], line=50)]
    assert compared(lines, [Note("A", 50, position_m=3.5, kind="redo")]) == []


def test_line_redone_at_another_place_is_still_missing():
    lines = [*(x for x in clean_lines() if x.line != 4), replace(clean_lines()[3], line=50)]
    assert only(compared(lines, [Note("A", 50, position_m=4.0, kind="redo")]), "line-missing").line == 4


def test_void_line_not_redone_must_be_walked_again():
    finding = only(compared(clean_lines(), [Note("A", 4, kind="void")]), "line-missing")
    assert finding.found == "The line is void and was not walked again."
    assert finding.walk_again


def test_void_line_redone_makes_no_finding():
    lines = clean_lines()
    lines.insert(4, replace(lines[3], run=2))
    assert compared(lines, [Note("A", 4, run=1, kind="void")]) == []
    elsewhere = [*clean_lines(), replace(clean_lines()[3], line=50)]
    notes = [Note("A", 4, kind="void"), Note("A", 50, position_m=3.5, kind="redo")]
    assert compared(elsewhere, notes) == []


def test_line_wholly_under_an_obstacle_is_not_missing():
    lines = [x for x in clean_lines() if x.line != 4]
    assert compared(lines, [Note("A", 4, kind="obstacle")]) == []
    assert compared(lines, [Note("A", 4, start_station=1, stop_station=80, kind="obstacle")]) == []
    half = [Note("A", 4, start_station=1, stop_station=40, kind="obstacle")]
    assert only(compared(lines, half), "line-missing").walk_again


def test_line_recorded_twice_says_which_is_taken():
    lines = clean_lines()
    lines.insert(4, replace(lines[3], run=2))
    finding = only(compared(lines), "line-twice")
    assert (finding.line, finding.run, finding.walk_again) == (4, 2, False)
    assert finding.found == "Line 4 was recorded 2 times, and the notes do not say why."
    assert finding.advice.endswith("The later recording is taken.")


@pytest.mark.parametrize(
    "note", [Note("A", 4, run=2, kind="redo"), Note("A", 4, kind="redo"), Note("A", 4, 1, kind="void")]
)
def test_line_recorded_twice_with_a_note_makes_no_finding(note):
    lines = clean_lines()
    lines.insert(4, replace(lines[3], run=2))
    assert compared(lines, [note]) == []


def test_line_stopped_and_resumed_is_not_recorded_twice():
    whole = clean_lines()[2]
    parts = [replace(whole, station=stations(-9, 40), duration_s=6), replace(whole, station=stations(38, 90),
             duration_s=6.5, run=2)]  # fmt: skip
    lines = [*clean_lines()[:2], *parts, *clean_lines()[3:]]
    assert compared(lines) == []


def test_lines_out_of_order():
    lines = clean_lines()
    lines.insert(8, lines.pop(2))
    finding = only(compared(lines), "line-order")
    assert finding.line == 3
    assert finding.found == "Line 3 was recorded after line 9."


def test_grid_walked_from_the_far_end_is_in_order():
    assert compared(clean_lines()[::-1]) == []


def test_line_outside_the_scheme():
    extra = replace(clean_lines()[3], line=40)
    lines = [*clean_lines()[:5], extra, *clean_lines()[5:]]
    finding = only(compared(lines), "line-outside")
    assert finding.found == "Line 40 is none of the grid's. It has 100 readings."
    assert finding.expected == "lines 1 to 10 (10 lines)"
    for kind in ("dummy", "base", "void"):
        assert compared(lines, [Note("A", 40, kind=kind)]) == []
    assert compared(lines, [Note("A", 40, kind="tie", position_m=5)]) == []


def test_lines_between_those_of_the_scheme_are_outside():
    scheme = replace(SCHEME, line_step=2, width_m=4)
    lines = clean_lines(scheme)
    lines.insert(2, replace(lines[1], line=4))
    assert only(compared(lines, scheme=scheme), "line-outside").expected == "lines 1, 3, 5, 7"


@pytest.mark.parametrize(("number", "place", "word"), [(0, 0, "first"), (11, 10, "last")])
def test_line_before_or_after_all_others_is_likely_a_dummy(number, place, word):
    lines = clean_lines()
    lines.insert(place, Line(number, stations(1, 20), 2.5))
    finding = only(compared(lines), "dummy-likely")
    assert finding.line == number
    assert f"recorded {word} and is none of the grid's. It is probably a dummy." in finding.found
    assert compared(lines, [Note("A", number, kind="dummy")]) == []


def test_far_number_or_a_line_recorded_twice_is_no_dummy():
    tie = [*clean_lines(), Line(901, stations(-5, 85), 11)]
    assert only(compared(tie), "line-outside").line == 901
    base = [Line(900, stations(1, 12), 2), *clean_lines(), Line(900, stations(1, 12), 2, run=2)]
    assert only(compared(base), "line-outside").found == "Line 900 is none of the grid's. It has 24 readings."
    assert compared(base, [Note("A", 900, kind="base")]) == []


def test_many_lines_outside_make_one_finding():
    wide = replace(SCHEME, width_m=30)
    finding = only(compared(clean_lines(wide)), "line-outside")
    assert finding.found == "The log has 30 lines, and lines 11 to 30 (20 lines) are none of the grid's."
    assert "width_m" in finding.advice


def test_false_start_with_the_number_of_a_line_is_likely_a_dummy():
    lines = [Line(1, stations(1, 20), 2.5), replace(clean_lines()[0], run=2), *clean_lines()[1:]]
    finding = only(compared(lines), "dummy-likely")
    assert (finding.line, finding.run) == (1, 1)
    assert "A short piece of 20 readings" in finding.found
    assert compared(lines, [Note("A", 1, run=1, kind="dummy")]) == []


def test_log_of_another_grid_gives_one_finding():
    lines = [replace(x, line=x.line + 100) for x in clean_lines()]
    finding = only(compared(lines), "wrong-log")
    assert finding.found == "No line of the log is one of this grid's. It has lines 101 to 110 (10 lines)."
    assert finding.severity == "error"


def test_log_of_far_longer_lines_gives_one_finding():
    lines = clean_lines(replace(SCHEME, length_m=40))
    finding = only(compared(lines), "wrong-log")
    assert finding.found == "The lines of the log have about 340 readings each."
    assert finding.expected == "about 80 readings a line"


def test_empty_log_gives_one_finding():
    readings = log_of(clean_lines()).take(np.array([], int))
    assert only(compare_notes(readings, SCHEME), "wrong-log").found == "The log has no readings of this grid."
