"""Books and logs that disagree as a whole: lines walked last, parts of a log, rows under a wrong number."""

from __future__ import annotations

from dataclasses import replace

import pytest
from turnrow.processing_provider.engine.core.notes import UNREADABLE, Note
from turnrow.tests.engine.compare.log_lines import SCHEME, Line, clean_lines, compared, only, stations


def rows(lines, **values):
    """Full notes of the lines, in their turn."""
    return [Note("A", x.line, None, float(x.station[0]), float(x.station[-1]), heading=way(x), **values) for x in lines]


def way(line):
    return 1 if line.station[-1] > line.station[0] else -1


def second_part(count=4, first=7, whole=True):
    """The clean lines, with those from ``first`` on numbered from 1 again as second recordings."""
    lines = clean_lines()
    later = [replace(x, line=x.line - first + 1, run=2) for x in lines[first - 1 :]][:count]
    return lines[: first - 1] + later


@pytest.mark.parametrize("noted", [True, False])
def test_numbers_that_begin_again_are_one_finding(noted):
    finding = only(compared(second_part(), rows(clean_lines()) if noted else []), "line-outside")
    assert (finding.line, finding.also) == (None, (7, 8, 9, 10, 1, 2, 3, 4))
    assert finding.advice == (
        "Ask whether the second 1 to 4 are lines 7 to 10. If so, note the position_m of each of these recordings, "
        "from 6.50 on. If not, walk lines 7, 8, 9, 10."
    )


def test_second_recordings_that_have_their_positions_are_no_finding():
    notes = [Note("A", n, 2, position_m=n + 5.5) for n in range(1, 5)]
    assert compared(second_part(), notes) == []


def test_numbers_that_go_on_from_an_earlier_line():
    scheme = replace(SCHEME, width_m=20)
    lines = clean_lines(scheme)
    lines[11:] = [replace(x, line=x.line - 2, run=1 + (x.line <= 13)) for x in lines[11:]]
    finding = only(compared(lines, rows(clean_lines(scheme)), scheme), "line-outside")
    assert finding.advice.startswith("Ask whether the second 10 to 18 are lines 12 to 20. If so,")
    assert finding.advice.endswith("If not, walk lines 19, 20.")


@pytest.mark.parametrize(
    ("by", "told"), [(1, "lines 4 to 7 as noted are 3 to 6"), (-1, "lines 2 to 5 as noted are 3 to 6")]
)
def test_rows_that_slipped_by_one(by, told):
    notes = [replace(n, line=n.line + by) if 3 <= n.line <= 6 else n for n in rows(clean_lines())]
    finding = only(compared(clean_lines(), notes), "notes-differ")
    assert finding.line == (7 if by > 0 else 2)
    assert finding.advice == f"Ask whether {told}. If so, correct their numbers."


def test_one_row_under_the_number_of_another_line():
    notes = [replace(n, line=8) if n.line == 3 else n for n in rows(clean_lines())]
    finding = only(compared(clean_lines(), notes), "notes-differ")
    assert finding.advice == "Ask whether a row of line 8 is that of line 3. If so, correct its number."


def test_positions_in_each_others_row_are_asked_about():
    notes = [Note("A", 4, position_m=4.5), Note("A", 5, position_m=3.5)]
    assert {f.code for f in compared(clean_lines(), notes)} == {"position"}
    exchanged = clean_lines()
    exchanged[3], exchanged[4] = replace(exchanged[4], line=4), replace(exchanged[3], line=5)
    assert "position" not in {f.code for f in compared(exchanged, notes)}


def test_lines_that_are_noted_as_redone_do_not_begin_again():
    notes = [Note("A", n, 2, kind="redo") for n in range(1, 5)]
    assert {f.code for f in compared(second_part(), notes)} == {"line-missing"}


def test_a_block_that_is_noted_and_not_logged_is_in_another_log():
    for gone, told in ((range(7, 11), "7 to 10"), (range(1, 5), "1 to 4")):
        lines = [x for x in clean_lines() if x.line not in gone]
        notes = [*rows(clean_lines()), Note("A", 99, kind="dummy")]
        finding = only(compared(lines, notes), "line-missing")
        assert (finding.line, finding.action, finding.also) == (None, "ask", (*gone, 99))
        assert finding.advice.startswith(f"Ask for the log of lines {told}.")


def test_a_log_that_breaks_off_far_from_its_end_is_looked_for_first():
    lines = clean_lines()[:5]
    lines[4] = replace(lines[4], station=lines[4].station[:40])
    finding = only(compared(lines, rows(clean_lines())), "line-short")
    assert (finding.line, finding.action, finding.also) == (5, "ask", (6, 7, 8, 9, 10))
    assert finding.advice.endswith("If there is none, walk lines 5 to 10.")


def test_lines_walked_last_and_noted_so_are_no_finding():
    lines = clean_lines()
    lines = [x for x in lines if x.line not in (3, 4)] + lines[2:4]
    finding = only(compared(lines), "line-order")
    assert (finding.line, finding.found) == (None, "Lines 3, 4 were recorded after line 10.")
    assert compared(lines, rows(lines)) == []


@pytest.mark.parametrize(("number", "line"), [(0, 1), (99, 10)])
def test_a_dummy_noted_under_the_number_of_a_line(number, line):
    lines = clean_lines()
    dummy = Line(number, stations(-9, 90), 12.5, 35_000.0)
    notes = (
        [Note("A", line, kind="dummy"), *rows(lines)] if number == 0 else [*rows(lines), Note("A", line, kind="dummy")]
    )
    finding = only(compared([dummy, *lines] if number == 0 else [*lines, dummy], notes), "notes-differ")
    assert (finding.line, finding.action, finding.also) == (line, "ask", (number,))


def test_start_and_stop_exchanged_against_the_heading():
    finding = only(compared(clean_lines(), [Note("A", 4, None, -9.0, 90.0, heading=-1)]), "note-disagrees")
    assert finding.advice == "Ask the books whether start and stop of line 4 are exchanged. It is placed as logged."
    # Without a heading the stations say that the line was walked the other way.
    finding = only(compared(clean_lines(), [Note("A", 4, None, -9.0, 90.0)]), "note-disagrees")
    assert finding.advice.startswith("Ask the books which way line 4 was walked. It is placed as noted")


def test_obstacles_at_both_edges_of_a_line_noted_as_planned():
    lines = clean_lines()
    lines[2] = replace(lines[2], station=stations(10, 69), duration_s=7.5)
    bushes = [Note("A", 3, None, 1.0, 9.0, kind="obstacle"), Note("A", 3, None, 70.0, 80.0, kind="obstacle")]
    assert compared(lines, [*rows(clean_lines()), *bushes]) == []


def test_a_hole_beside_the_stations_of_its_obstacle():
    lines = clean_lines()
    lines[2] = replace(lines[2], station=lines[2].station[(lines[2].station < 25) | (lines[2].station > 38)])
    tree = Note("A", 3, None, 52.0, 83.0, kind="obstacle", where="notes, row 9")
    finding = only(compared(lines, [tree]), "line-short")
    assert finding.action == "walk"
    assert finding.advice.endswith("If it is the obstacle of notes, row 9, stations 52 to 83, correct that row.")


def test_a_line_of_which_a_row_cannot_be_read_is_not_asked_about_twice():
    lines = [*clean_lines(), Line(201, stations(-9, 90), 12.5, 40_000.0), Line(4, *_again(), run=2)]
    found = {f.line for f in compared(lines)}
    assert found == {4, 201}
    assert compared(lines, [Note("A", n, kind=UNREADABLE) for n in found]) == []


def _again():
    line = clean_lines()[3]
    return line.station, line.duration_s, 41_000.0


def test_many_lines_noted_against_the_pattern_are_one_finding():
    scheme = replace(SCHEME, width_m=20)
    lines = clean_lines(scheme)
    for k in range(11, 20, 2):
        lines[k] = replace(lines[k], station=lines[k].station[::-1])
    finding = only(compared(lines, rows(lines), scheme), "direction")
    assert (finding.line, finding.severity, finding.action) == (None, "warning", "")
    assert finding.found.endswith("12, 14, 16, 18, 20.")


def test_lines_turned_from_one_on_are_no_misread_stations():
    scheme = replace(SCHEME, width_m=20)
    lines = clean_lines(scheme)
    lines[10:] = [replace(x, station=x.station[::-1]) for x in lines[10:]]
    finding = only(compared(lines, scheme=scheme), "direction")
    assert finding.advice.startswith("Ask the books which way lines 11 to 20 were walked.")


def test_the_lone_line_without_a_row_is_named():
    notes = [replace(n, line=91) if n.line == 9 else n for n in rows(clean_lines())]
    finding = only(compared(clean_lines(), notes), "note-without-line")
    assert (finding.line, finding.found.endswith("Line 9 is in the log, but has no row.")) == (91, True)


def test_a_line_of_which_one_recording_has_a_row_is_not_said_to_have_none():
    """Line 9 was walked twice, and the row is of its first recording."""
    lines = [*clean_lines(), replace(clean_lines()[8], run=2, start_s=40_000.0)]
    notes = [replace(n, run=1) if n.line == 9 else n for n in rows(clean_lines())]
    found = [f.found for f in compared(lines, [*notes, Note("A", 91)]) if f.code == "note-without-line"]
    assert found == ["The notes: line 91 is noted as survey, but is not in the log."]


def test_several_lines_walked_again_beside_a_void_one_are_asked_about_as_several():
    lines = [replace(x, run=run) for x in clean_lines() for run in ((1, 2) if x.line in (2, 3) else (1,))]
    findings = compared(lines, [Note("A", 8, kind="void")])
    finding = next(f for f in findings if f.code == "line-missing")
    assert finding.found.endswith("Lines 2, 3 were, and no row is void or redo.")
    assert finding.advice.startswith("Ask which of lines 2, 3 is void, not line 8. If so, correct the row.")
