"""One cause is one finding: the register, the numbers and the counts as a whole before single lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare import compare_notes, grid_questioned
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import SCHEME, changed, clean_lines, compared, log_of, only, stations, timed

TWENTY = replace(SCHEME, width_m=20)


def numbered(lines, **new):
    """The lines under other numbers, by their own (``l3``)."""
    return [replace(x, line=new.get(f"l{x.line}", x.line)) for x in lines]


@pytest.mark.parametrize("noted", [False, True])
def test_half_a_grid(noted):
    lines = [x for x in clean_lines(TWENTY) if x.line <= 10]
    notes = [Note("A", n) for n in range(1, 11)] if noted else []
    finding = only(compared(lines, notes, TWENTY), "line-missing")
    assert (finding.line, finding.action) == (None, "ask")
    assert "width_m to 10 in the register" in finding.advice
    assert finding.advice.endswith("If not, walk lines 11 to 20.")


def test_lines_that_the_notes_name_are_not_half_a_grid():
    lines = [x for x in clean_lines(TWENTY) if x.line <= 10]
    finding = only(compared(lines, [Note("A", n) for n in range(1, 21)], TWENTY), "line-missing")
    assert (finding.line, finding.action, finding.also) == (None, "ask", tuple(range(11, 21)))
    assert finding.advice.startswith("Ask for the log of lines 11 to 20. If it is another file,")


def test_three_lines_missing_at_the_end_are_walked_again():
    findings = compared(clean_lines()[:-3])
    assert [(f.line, f.action) for f in findings] == [(n, "walk") for n in (8, 9, 10)]


def test_another_spacing():
    finding = only(compared(clean_lines(TWENTY)), "line-outside")
    assert finding.line is None
    assert "spacing_m is 0.5, or width_m 20." in finding.advice


@pytest.mark.parametrize(("length", "code"), [(20, "line-short"), (6.5, "line-long")])
def test_size_that_all_lines_contradict(length, code):
    finding = only(compared(clean_lines(), scheme=replace(SCHEME, length_m=length)), code)
    assert (finding.line, finding.severity, finding.action) == (None, "error", "ask")
    # The lines were walked at 1 m/s with 8 readings a metre: the length errs.
    rate = f"{80 / length:.3g}"
    assert finding.advice.startswith(
        "Ask the books whether length_m is 10. If not, ask whether readings_per_m is " + rate
    )


def at_rate(rate, speed=1.0, scheme=SCHEME):
    """Lines as walked with so many readings a metre, at a speed in m/s."""
    return timed(clean_lines(replace(scheme, readings_per_m=rate)), rate * speed)


@pytest.mark.parametrize("noted", [False, True])
@pytest.mark.parametrize("rate", [2, 4, 5, 16, 20])
def test_another_number_of_readings_a_second(rate, noted):
    """At 1 m/s as many readings a second as a metre; the notes keep the stations that were planned."""
    notes = [Note("A", n, start_station=1 if n % 2 else 80, stop_station=80 if n % 2 else 1) for n in range(1, 11)]
    finding = only(compared(at_rate(rate), notes if noted else []), "reading-rate")
    assert (finding.line, finding.severity, finding.action) == (None, "error", "ask")
    assert finding.advice.startswith(f"Ask the books whether readings_per_m is {rate}.")
    assert f"they have {rate} readings a second: 8 readings a metre are a walk at {rate / 8:.2f} m/s" in finding.found
    assert f"{rate} are one at 1.00 m/s." in finding.found
    assert grid_questioned([finding])


@pytest.mark.parametrize(("rate", "speed"), [(4, 1.46), (12, 0.8)])
def test_times_that_fit_both_leave_both_open(rate, speed):
    """A walk at 1.46 m/s with half the readings is one at 0.73 m/s by the register: nobody can say which."""
    finding = only(compared(at_rate(rate, speed)), "line-short" if rate < 8 else "line-long")
    assert f"whether length_m is {10 * rate / 8:g}, or readings_per_m {rate}." in finding.advice
    assert f"a walk at {speed * rate / 8:.2f} m/s" in finding.found


def test_size_without_times_leaves_both_open():
    lines = clean_lines()
    log = log_of(lines, time_s=np.full(sum(len(x.station) for x in lines), np.nan))
    finding = only(compare_notes(log, replace(SCHEME, length_m=20)), "line-short")
    assert finding.advice.startswith("Ask the books whether length_m is 10, or readings_per_m 4.")
    assert "readings a second" not in finding.found


@pytest.mark.parametrize("rate", [4, 16])
def test_another_rate_in_a_log_without_stations(rate):
    lines = timed([replace(x, station=x.station[10:-10]) for x in at_rate(rate)], rate)
    log = log_of(lines, station=np.full(sum(len(x.station) for x in lines), np.nan))
    assert only(compare_notes(log, SCHEME), "reading-rate").advice.startswith(
        "Ask the books whether readings_per_m is "
    )


def test_lines_of_a_grid_of_another_size_are_not_held_against_each_other():
    assert grid_questioned(compared(clean_lines(), scheme=replace(SCHEME, length_m=20)))
    assert not grid_questioned(compared([x for x in clean_lines(TWENTY) if x.line <= 10], scheme=TWENTY))
    assert not grid_questioned(compared(changed(3, station=stations(-9, 60))))


def test_number_that_the_logger_skipped():
    lines = numbered(clean_lines(), l8=9, l9=10, l10=11)
    finding = only(compared(lines), "line-missing")
    assert (finding.line, finding.action) == (8, "ask")
    assert "line 11 is beyond" in finding.found


def test_two_numbers_that_the_logger_skipped():
    lines = numbered(clean_lines(), l4=5, l5=6, l6=7, l7=9, l8=10, l9=11, l10=12)
    one, two = compared(lines)
    assert [(f.code, f.line, f.action) for f in (one, two)] == [("line-missing", n, "ask") for n in (4, 8)]
    assert "lines 5 to 7 lie 1 m nearer" in one.advice
    assert "lines 9 to 12 lie 2 m nearer" in two.advice


@pytest.mark.parametrize(
    ("number", "remedy"),
    [(lambda n: 2 * n - 1, "line_step is 2"), (lambda n: n + 10, "first_line is 11"),
     (lambda n: 10 * n, "first_line is 10 and line_step is 10")],
)  # fmt: skip
def test_lines_evenly_numbered_otherwise(number, remedy):
    scheme = replace(SCHEME, width_m=12)
    lines = [replace(x, line=number(x.line)) for x in clean_lines(scheme)]
    finding = only(compared(lines, scheme=scheme), "line-outside")
    assert (finding.line, finding.severity) == (None, "error")
    assert finding.advice.startswith(f"Ask the books whether {remedy}.")


def test_line_that_went_on_after_a_pause_and_was_counted_anew():
    lines = clean_lines()
    piece = lines[2].station
    one, two = replace(lines[2], station=piece[:50]), replace(lines[2], run=2, station=piece[: len(piece) - 50])
    finding = only(compared([*lines[:2], one, two, *lines[3:]]), "start-station")
    assert (finding.line, finding.run, finding.action) == (3, 2, "ask")
    assert f"note recording 2 with start_station {piece[50]:g}." in finding.advice
    # Half a line and then a whole one is a false start.
    false_start = compared([*lines[:2], one, replace(lines[2], run=2), *lines[3:]])
    assert "start-station" not in [f.code for f in false_start]


def test_first_line_under_the_number_of_the_dummy():
    lines = clean_lines()
    dummy, second = replace(lines[0], line=0), replace(lines[0], line=0, run=2)
    finding = only(compared([dummy, second, *lines[1:]], [Note("A", 0, kind="dummy")]), "line-missing")
    assert (finding.line, finding.action, finding.also) == (1, "ask", (0,))
    assert compared([dummy, second, *lines], [Note("A", 0, kind="dummy")]) == []


def test_number_beside_the_grid_where_headings_show_that_none_was_skipped():
    lines = [x for x in clean_lines() if x.line != 8]
    lines.append(replace(clean_lines()[9], line=11, station=stations(-9, 90)))
    assert ("line-missing", 8, "walk") in [(f.code, f.line, f.action) for f in compared(lines)]


def test_line_under_another_number_in_its_turn():
    finding = only(compared(numbered(clean_lines(), l4=44)), "line-missing")
    assert (finding.line, finding.action) == (4, "ask")
    assert finding.advice.startswith("Ask the books whether line 4 was recorded as 44.")


def test_line_under_the_number_of_a_later_one():
    lines = numbered(clean_lines(), l4=8)
    lines[7] = replace(lines[7], run=2)
    finding = only(compared(lines), "line-missing")
    assert (finding.line, finding.action, finding.also) == (4, "ask", (8,))


def test_other_number_walked_the_wrong_way_is_not_the_missing_line():
    lines = [replace(x, station=stations(-9, 90)) if x.line == 44 else x for x in numbered(clean_lines(), l4=44)]
    assert ("line-missing", 4, "walk") in [(f.code, f.line, f.action) for f in compared(lines)]


@pytest.mark.parametrize(("number", "missing"), [(4, 5), (5, 4)])
def test_recording_that_was_not_stopped_holds_two_lines(number, missing):
    lines = clean_lines()
    both = replace(lines[3], line=number, station=np.concatenate([lines[3].station, lines[4].station]), duration_s=26)
    finding = only(compared([*lines[:3], both, *lines[5:]]), "line-missing")
    assert (finding.line, finding.action, finding.also) == (missing, "ask", (number,))


@pytest.mark.parametrize("two", [(4, 5), (3, 8), (5, 7)])
def test_two_lines_in_each_others_turn(two):
    one, other = two
    findings = compared(numbered(clean_lines(), **{f"l{one}": other, f"l{other}": one}))
    finding = only(findings, "line-order")
    assert (finding.line, finding.also, finding.action) == (one, (other,), "ask")


def test_stations_counted_from_nought():
    lines = [replace(x, station=x.station - 1) for x in clean_lines()]
    finding = only(compared(lines), "start-station")
    assert finding.line is None
    assert finding.advice.startswith("Ask the books whether first_station is 0.")


def test_line_mostly_beyond_the_edge_whatever_the_notes_say():
    lines = changed(3, station=stations(71, 170))
    note = Note("A", 3, start_station=71, stop_station=170)
    finding = only(compared(lines, [note]), "start-station")
    assert (finding.severity, finding.action) == ("error", "ask")
    assert "start_station -9, or near it, if it was walked out" in finding.advice
    assert "heading back and start_station 90 if it was walked back" in finding.advice


def test_line_started_late_is_walked_again():
    finding = only(compared(changed(3, station=stations(13, 100)), [Note("A", 3, start_station=13)]), "start-station")
    assert finding.action == "ask"  # It runs as far past the other edge as it starts late.
    late = compared(changed(3, station=stations(13, 92)), [Note("A", 3, start_station=13)])
    assert only(late, "line-short").action == "walk"


def test_line_logged_at_half_the_rate():
    finding = only(compared(changed(3, station=stations(-4, 45))), "line-short")
    assert finding.action == "ask"
    assert "line 3 has 4 readings a metre" in finding.advice


def test_a_line_that_goes_on_from_farther_back_after_a_pause_is_left():
    lines = changed(3, station=np.concatenate([stations(-9, 40), stations(33, 90)]), duration_s=13.5)
    readings = log_of(lines)
    time = readings.time_s.copy()
    time[np.flatnonzero(readings.line == 3)[50:]] += 60
    finding = only(compare_notes(readings.replace(time_s=time), SCHEME), "station-jump")
    assert (finding.severity, finding.action) == ("note", "")
    assert finding.advice.startswith("Leave it. After a pause line 3 went on from farther back.")


def test_station_that_falls_back_without_a_pause_is_asked_about():
    lines = changed(3, station=np.concatenate([stations(-9, 40), stations(33, 90)]), duration_s=13)
    finding = only(compared(lines), "station-jump")
    assert finding.action == "ask"


def test_rows_of_the_notes_that_differ():
    rows = [Note("A", 3, heading=1, where="notes, row 4"), Note("A", 3, heading=-1, where="notes, row 9")]
    finding = only(compared(clean_lines(), rows), "notes-differ")
    assert (finding.line, finding.severity, finding.action) == (3, "error", "ask")
    assert "notes, row 4 and notes, row 9" in finding.found
    assert compared(clean_lines(), [rows[0], Note("A", 3, start_station=-9)]) == []


def test_rows_without_run_are_taken_in_the_order_of_the_recordings():
    lines = clean_lines()
    lines.insert(3, replace(lines[2], run=2))
    rows = [Note("A", 3, start_station=-9), Note("A", 3, kind="dummy")]
    assert compared(lines, rows) == []
    assert compared(lines, [Note("A", 3, start_station=-9), Note("A", 3, start_station=-9)]) == []


@pytest.mark.parametrize(
    ("ends", "outside"), [((-20, 0), True), ((-20, 1), False), ((80, 90), False), ((81, 90), True)]
)
def test_obstacle_outside_the_line(ends, outside):
    note = Note("A", 3, kind="obstacle", start_station=ends[0], stop_station=ends[1])
    assert [(f.code, f.line, f.action) for f in compared(clean_lines(), [note])] == [("position", 3, "ask")] * outside


DOWN = replace(SCHEME, first_line=20, line_step=-1)


def test_numbers_that_count_down_from_another_first_line():
    lines = [replace(x, line=x.line + 5) for x in clean_lines(DOWN)]
    finding = only(compared(lines, scheme=DOWN), "line-outside")
    assert finding.advice.startswith("Ask the books whether first_line is 25. If so, correct the register.")


def test_lines_beyond_the_end_of_numbers_that_count_down_are_one_finding():
    wider = replace(DOWN, width_m=16)
    finding = only(compared(clean_lines(wider), scheme=DOWN), "line-outside")
    assert finding.line is None
    assert "or width_m 16" in finding.advice


def test_lines_that_are_too_long_are_not_walked_again():
    finding = only(compared(clean_lines(), scheme=replace(SCHEME, length_m=6.5)), "line-long")
    assert "If this overrun was meant, leave it." in finding.advice
    assert "obstacle" not in finding.advice
