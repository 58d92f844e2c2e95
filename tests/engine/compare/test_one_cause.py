"""One cause is one finding: what many differences between log, notes and scheme have in common."""

from __future__ import annotations

from dataclasses import replace

import pytest
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import SCHEME, changed, clean_lines, compared, only, stations

NOTED = [Note("A", k, heading=1 if k % 2 else -1, where=f"notes, row {k + 1}") for k in range(1, 11)]


def numbered(lines, first, by):
    """The lines with the numbers from one on changed."""
    return [replace(item, line=item.line + by) if item.line >= first else item for item in lines]


def test_number_skipped_in_the_log_alone_is_asked_about():
    finding = only(compared(numbered(clean_lines(), 4, 1), NOTED), "line-missing")
    assert (finding.line, finding.action) == (4, "ask")


def test_number_given_to_two_lines_is_one_question():
    lines = numbered(clean_lines(), 5, -1)
    lines[4] = replace(lines[4], run=2)
    finding = only(compared(lines, NOTED), "line-missing")
    assert (finding.line, finding.action) == (4, "ask")
    assert "number 4 was given to two lines" in finding.advice


def test_number_of_the_line_before_alone_is_not_one_of_all_behind():
    lines = [replace(item, line=9, run=2) if item.line == 10 else item for item in clean_lines()]
    assert all("two lines" not in f.advice for f in compared(lines, NOTED))


@pytest.mark.parametrize("dummy", [True, False])
def test_log_that_breaks_off_is_looked_for_first(dummy):
    lines = changed(10, station=stations(90, 41), duration_s=6.25)
    notes = [*NOTED, *[Note("A", 99, kind="dummy")] * dummy]
    finding = only(compared(lines, notes), "line-short")
    assert (finding.line, finding.walk_again) == (10, True)
    assert ("rest of the log" in finding.advice) == dummy


def test_redo_under_another_number_is_one_question():
    lines = [*clean_lines(), replace(clean_lines()[2], line=33, start_s=90_000.0)]
    notes = [*NOTED, Note("A", 3, run=2, kind="redo")]
    finding = only(compared(lines, notes), "line-outside")
    assert finding.advice.startswith("Ask the books whether line 33 is the redo of line 3.")


def test_void_beside_a_line_recorded_twice_is_asked_about():
    again = replace(clean_lines()[5], run=2)
    lines = [*clean_lines()[:6], again, *clean_lines()[6:]]
    notes = [replace(n, kind="void") if n.line == 5 else n for n in NOTED]
    findings = compared(lines, [*notes, replace(NOTED[5])])
    assert [(f.code, f.line, f.action) for f in findings] == [("line-missing", 5, "ask")]


def test_spacing_closer_than_walked_is_one_question():
    # 20 m in 20 lines of 1 m, registered as 25 lines of 0.8 m.
    wide = replace(SCHEME, width_m=20)
    finding = only(compared(clean_lines(wide), scheme=replace(wide, spacing_m=0.8)), "line-missing")
    assert (finding.line, finding.action) == (None, "ask")
    assert "spacing_m is 1." in finding.advice


def test_noted_start_that_the_noted_stop_contradicts_does_not_move_the_line():
    # Stations 15 to 90 by the log; from 1 on, as planned, the line would end at 76 and not at the noted 90.
    lines = changed(3, station=stations(15, 90), duration_s=9.5)
    finding = only(compared(lines, [Note("A", 3, start_station=-9, stop_station=90)]), "line-short")
    assert finding.found.startswith("No readings at stations 1 to 14")
