"""One recording at a time: which of notes, opening row, count and pattern decides, and where the coils are.

Expected positions follow from a drawing of the grid: u to the right along the baseline, v away from it; a person who
walks towards +u has +v to the left.
"""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.place.plan import BACK, OUT, log, place, scheme


@pytest.mark.parametrize(("noted", "shift"), [(1.4, 0), (0.6, 0), (2, 1), (0, -1), (1.6, 0.6)])
def test_a_noted_start_counts_from_half_a_station_on(noted, shift):
    plain, placed = place(log((1, OUT)))[0], place(log((1, OUT)), notes=[Note("A", 1, start_station=noted)])
    np.testing.assert_allclose(placed[0].v_m - plain.v_m, shift / 8, atol=1e-12)
    assert [f.code for f in placed[2]] == ["setting-corrected"] * (shift != 0)


def test_a_start_noted_at_the_stop_of_the_log_moves_no_line():
    placed, _, findings = place(log((1, OUT)), notes=[Note("A", 1, start_station=80, stop_station=80)])
    np.testing.assert_allclose(placed.v_m, (np.arange(80) + 0.5) / 8)
    assert findings == []


def test_the_opening_row_counts_more_than_the_count():
    placed, _, findings = place(log((1, OUT), heading=np.full(80, -1)))
    assert set(placed.heading) == {-1}
    np.testing.assert_allclose(placed.v_m, 10 - (np.arange(80) + 0.5) / 8)
    assert [f.code for f in findings] == ["setting-corrected"]


def test_two_noted_stations_count_more_than_the_opening_row():
    note = Note("A", 1, start_station=80, stop_station=1)
    placed, _, _ = place(log((1, BACK), heading=np.ones(80)), notes=[note])
    assert set(placed.heading) == {-1}
    np.testing.assert_allclose(placed.v_m, 10 - (np.arange(80) + 0.5) / 8)


def test_a_noted_word_counts_more_than_two_noted_stations():
    placed, _, _ = place(log((1, BACK)), notes=[Note("A", 1, start_station=1, stop_station=80, heading=-1)])
    assert set(placed.heading) == {-1}


@pytest.mark.parametrize("count", [3, 7, 10, 30])
def test_a_reading_on_the_edge_is_no_overrun(count):
    """Sensors half an interval ahead: the last reading lies on the edge, to the rounding of decimal fractions."""
    plan = scheme(readings_per_m=count, length_m=0.7 if count == 10 else 7, sensor_ahead_m=0.5 / count)
    last = plan.readings_per_line
    placed, _, _ = place(log((1, np.arange(1, last + 2))), plan)
    assert placed.v_m[last - 1] == pytest.approx(plan.length_m, abs=1e-12)
    np.testing.assert_array_equal(np.flatnonzero(placed.has_flag("overrun")), [last])


@pytest.mark.parametrize("kind", ["dummy", "void"])
def test_a_line_that_is_not_used_may_lie_outside_the_grid(kind):
    placed, _, findings = place(log((17, OUT)), notes=[Note("A", 17, kind=kind)])
    assert findings == []
    assert set(placed.u_m) == {0.25 + 16 * 0.5}


@pytest.mark.parametrize("hand", [1.0, -1.0])
@pytest.mark.parametrize("way", [1, -1])
def test_coils_on_a_tie_line(hand, way):
    """Walking along +u, ahead is +u and the right hand is towards the baseline; away from it where v leads right."""
    plan, stations = scheme(sensor_ahead_m=0.2, sensor_right_m=0.1), np.arange(1, 33)[::way]
    note = Note("A", 90, position_m=5.0, kind="tie", heading=way)
    placed, _, _ = place(log((90, stations)), plan, [note], hand)
    np.testing.assert_allclose(placed.u_m, (stations - 0.5) / 8 + 0.2 * way)
    np.testing.assert_allclose(placed.v_m, 5.0 - 0.1 * way * hand)


def test_an_obstacle_on_all_lines_is_none_of_a_tie_line():
    notes = [Note("A", 90, position_m=5.0, kind="tie"), Note("A", None, None, 10, 20, kind="obstacle")]
    placed, _, _ = place(log((1, OUT), (90, np.arange(1, 33))), notes=notes)
    assert np.count_nonzero(placed.has_flag("obstacle")) == 11
    assert not placed.has_flag("obstacle")[80:].any()


def test_fiducials_count_more_than_noted_ends_where_the_pace_goes_by_marks():
    mark = np.zeros(81)
    mark[[0, 20, 80]] = 1
    note = Note("A", 1, start_station=1, stop_station=81)
    placed, _, _ = place(log((1, np.arange(1, 82)), extras={"mark": mark}), scheme(pace="marks"), [note])
    np.testing.assert_allclose(placed.v_m[[0, 19, 20, 79]], [0.125, 4.875, 5 + 5 / 120, 10 - 5 / 120])


def test_an_even_pace_between_the_outer_of_three_fiducials():
    mark = np.zeros(81)
    mark[[0, 20, 80]] = 1
    placed, _, findings = place(log((1, np.arange(1, 82)), extras={"mark": mark}), scheme(pace="ends"))
    np.testing.assert_allclose(placed.v_m, (np.arange(81) + 0.5) / 8)
    assert findings == []


@pytest.mark.parametrize(("kind", "flagged"), [("redo", [0]), ("void", [0])])
def test_redo_is_about_the_last_recording_and_void_about_the_first(kind, flagged):
    twice = log((1, OUT), (1, OUT), run=np.repeat([1, 2], 80))
    placed, record, _ = place(twice, notes=[Note("A", 1, kind=kind)])
    assert [row.kind for row in record.table] == (["survey", "redo"] if kind == "redo" else ["void", "survey"])
    assert [i for i in (0, 1) if not placed.in_use[80 * i : 80 * i + 80].any()] == flagged


def test_a_note_that_names_the_recording_counts_more():
    twice = log((1, OUT), (1, OUT), run=np.repeat([1, 2], 80))
    notes = [Note("A", 1, kind="redo"), Note("A", 1, run=2, kind="void")]
    assert [row.kind for row in place(twice, notes=notes)[1].table] == ["survey", "void"]


def test_a_redo_between_two_lines_replaces_neither():
    placed, _, _ = place(log((1, OUT), (2, BACK), (41, OUT)), notes=[Note("A", 41, position_m=0.5, kind="redo")])
    assert placed.in_use.all()


def test_of_two_redos_under_other_numbers_both_stay():
    notes = [Note("A", n, position_m=0.25, kind="redo") for n in (41, 42)]
    placed, _, _ = place(log((1, OUT), (41, OUT), (42, OUT)), notes=notes)
    assert placed.has_flag("redone")[:80].all()
    assert placed.in_use[80:].all()


@pytest.mark.parametrize(("first", "left"), [(4, 0), (5, 1), (8, 4)])
def test_a_redo_that_starts_late_replaces_half_a_metre_before_it(first, left):
    """Readings lie 0.125 m from each other, so that the three before it lie less than half a metre away."""
    again = np.arange(first, 81)
    both = log((1, OUT), (1, again), run=np.repeat([1, 2], [80, len(again)]))
    placed, _, _ = place(both, notes=[Note("A", 1, kind="redo")])
    assert np.flatnonzero(placed.in_use[:80]).tolist() == list(range(left))
