"""Placing readings: the trade's rules for positions, and what the notes override."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.notes import UNREADABLE, Note
from turnrow.tests.engine.place.plan import BACK, OUT, log, place, scheme


def test_readings_lie_in_the_middle_of_their_intervals():
    # A national archaeological laboratory's standard-procedures annex: first and last reading half an interval in.
    placed, _, findings = place(log((1, OUT)))
    assert placed.v_m[[0, -1]].tolist() == [0.0625, 9.9375]
    assert findings == []


def test_out_and_back_agree_at_the_same_station():
    placed, _, _ = place(log((1, OUT), (2, BACK)))
    np.testing.assert_array_equal(placed.v_m[:80], placed.v_m[80:][::-1])
    assert set(placed.heading[:80]) == {1}
    assert set(placed.heading[80:]) == {-1}


def test_first_line_is_half_a_spacing_in():
    # Common practice, no source: 0.5 m lines start at 0.25 m.
    placed, _, _ = place(log((1, OUT), (8, BACK)))
    assert placed.u_m[0] == 0.25
    assert placed.u_m[-1] == 3.75


def test_line_stopped_at_86_has_six_to_trim():
    # Common practice, no source: a 10 m line at 8 readings a metre has 80.
    placed, record, _ = place(log((1, np.arange(1, 87))))
    assert placed.has_flag("overrun").sum() == 6
    assert record.figures == {"overrun": 6, "in use": 80}


def test_line_walked_back_from_80_to_minus_10_has_eleven_to_trim():
    # Common practice, no source: stations 0 to -10 lie behind the baseline.
    placed, _, _ = place(log((2, np.arange(80, -11, -1))))
    assert placed.has_flag("overrun").sum() == 11
    assert placed.v_m[-1] == pytest.approx(-10.5 / 8)


def test_no_reading_is_dropped():
    readings = log((1, np.arange(-20, 140)), (99, OUT))
    assert len(place(readings)[0]) == len(readings)


def test_log_without_stations_is_counted_from_the_edge_that_the_pattern_gives():
    placed, _, _ = place(log((1, np.full(80, np.nan)), (2, np.full(83, np.nan))))
    assert placed.v_m[[0, 79, 80]].tolist() == [0.0625, 9.9375, 9.9375]
    assert placed.has_flag("overrun").sum() == 3


def test_one_way_lines_all_lead_out():
    placed, _, _ = place(log((1, np.full(80, np.nan)), (2, np.full(80, np.nan))), scheme(pattern="one-way"))
    assert set(placed.heading) == {1}


def test_line_starting_at_an_obstacle_starts_at_its_noted_station():
    placed, _, _ = place(log((1, np.arange(45, 81))), notes=[Note("A", 1, start_station=45, stop_station=80)])
    assert placed.v_m[0] == pytest.approx(44.5 / 8)
    assert placed.flag_counts() == {"in use": 36}


def test_forgotten_start_station_is_mended_by_the_notes():
    note = Note("A", 2, start_station=80, stop_station=1, heading=-1, where="notes, row 4")
    placed, _, findings = place(log((2, OUT)), notes=[note])
    np.testing.assert_allclose(placed.v_m, 10 - (np.arange(80) + 0.5) / 8)
    assert [f.code for f in findings] == ["setting-corrected"]
    assert "notes, row 4 has it walked back from station 80" in findings[0].found


def test_forgotten_start_station_is_kept_without_notes():
    # A log's own numbering is kept unless the notes say otherwise.
    placed, _, _ = place(log((2, OUT)))
    assert placed.v_m[0] == 0.0625


def test_count_restarted_on_the_way_back_is_turned_when_only_the_heading_is_noted():
    placed, _, _ = place(log((2, np.arange(1, 86))), notes=[Note("A", 2, heading=-1)])
    assert placed.v_m[0] == 9.9375
    assert placed.has_flag("overrun").sum() == 5


def test_station_jumps_are_kept_when_the_start_is_mended():
    stations = np.r_[1:41, 51:81]
    placed, _, _ = place(log((1, stations)), notes=[Note("A", 1, start_station=11)])
    np.testing.assert_allclose(np.diff(placed.v_m), np.diff(stations) / 8)
    assert placed.v_m[0] == pytest.approx(10.5 / 8)


def test_noted_position_overrides_the_line_number():
    placed, _, _ = place(log((17, OUT)), notes=[Note("A", 17, position_m=1.9)])
    assert set(placed.u_m) == {1.9}


def test_line_outside_the_grid_is_unplaced_and_told():
    placed, _, findings = place(log((1, OUT), (17, OUT)))
    assert placed.has_flag("unplaced").sum() == 80
    assert np.isnan(placed.x[80:]).all()
    assert findings[0].code == "line-unplaced"
    assert "outside the width of 4 m" in findings[0].found


def test_redone_line_uses_the_later_recording():
    both = log((1, OUT), (2, BACK), (1, OUT), run=np.repeat([1, 1, 2], 80))
    placed, _, _ = place(both, notes=[Note("A", 1, run=2, kind="redo")])
    assert placed.flag_counts() == {"redone": 80, "in use": 160}
    assert placed.has_flag("redone")[:80].all()


def test_line_resumed_behind_an_obstacle_keeps_both_parts():
    parts = log((1, np.arange(1, 31)), (1, np.arange(45, 81)), run=np.repeat([1, 2], [30, 36]))
    assert place(parts)[0].flag_counts() == {"in use": 66}


def test_redo_under_another_number_replaces_the_line_at_its_place():
    placed, _, _ = place(log((1, OUT), (41, OUT)), notes=[Note("A", 41, position_m=0.25, kind="redo")])
    assert placed.has_flag("redone")[:80].all()
    assert placed.in_use[80:].all()


@pytest.mark.parametrize("kind", ["void", "dummy"])
def test_void_and_dummy_lines_are_flagged(kind):
    placed, _, _ = place(log((1, OUT), (2, BACK)), notes=[Note("A", 2, kind=kind)])
    assert placed.flag_counts() == {kind: 80, "in use": 80}


@pytest.mark.parametrize("notes", [[], [Note("A", 2, run=1, kind="survey")]])
def test_a_line_whose_row_cannot_be_read_is_placed_and_out_of_use(notes):
    placed, record, _ = place(
        log((1, OUT), (2, BACK), (2, BACK), run=np.repeat([1, 1, 2], 80)), notes=[*notes, Note("A", 2, kind=UNREADABLE)]
    )
    assert placed.flag_counts() == {"void": 160, "in use": 80}
    assert set(placed.u_m[80:]) == {0.75}


def test_a_position_far_outside_the_grid_is_no_position():
    placed, _, (finding,) = place(log((1, OUT), (2, BACK)), notes=[Note("A", 2, position_m=900, where="notes, row 4")])
    assert placed.flag_counts() == {"unplaced": 80, "in use": 80}
    assert (finding.code, finding.line) == ("line-unplaced", 2)
    assert "notes, row 4" in finding.found


def test_obstacle_on_every_line():
    placed, _, _ = place(log((1, OUT), (2, BACK)), notes=[Note("A", None, None, 30, 44, kind="obstacle")])
    assert placed.flag_counts() == {"obstacle": 30, "in use": 130}


def test_tie_line_runs_along_the_baseline():
    note = Note("A", 90, position_m=5.0, kind="tie")
    placed, _, _ = place(log((90, np.arange(1, 37))), notes=[note])
    assert placed.u_m[[0, -1]].tolist() == [0.0625, 35.5 / 8]
    assert set(placed.v_m) == {5.0}
    assert placed.has_flag("overrun").sum() == 4  # 4 m wide: 32 readings
    assert set(placed.to_columns()["kind"]) == {"tie"}


def test_base_readings_are_kept_but_have_no_place():
    placed, _, _ = place(log((90, OUT)), notes=[Note("A", 90, kind="base")])
    assert placed.flag_counts() == {"unplaced": 80}
    assert set(placed.to_columns()["kind"]) == {"base"}


def test_sensor_ahead_and_right_turn_with_the_walker():
    plan = scheme(sensor_ahead_m=0.2, sensor_right_m=0.1)
    placed, _, _ = place(log((1, OUT), (2, BACK)), plan)
    assert placed.v_m[0] == pytest.approx(0.0625 + 0.2)
    assert placed.v_m[80] == pytest.approx(9.9375 - 0.2)
    assert placed.u_m[0] == pytest.approx(0.25 + 0.1)
    assert placed.u_m[80] == pytest.approx(0.75 - 0.1)


def test_right_hand_is_the_walkers_in_a_mirrored_grid():
    # Facing out of a grid whose traverses lead south from an eastward baseline, the right hand is west.
    placed, _, _ = place(log((1, OUT)), scheme(sensor_right_m=0.1), hand=-1.0)
    assert placed.x[0] == pytest.approx(500 + 0.25 - 0.1)
    assert placed.y[0] == pytest.approx(300 - 0.0625)


def test_ends_stretch_a_fast_line_over_its_noted_stations():
    # Common practice, no source: at 1.2 m/s a 10 m line has 67 readings, to be spread over the line.
    plan = scheme(pace="ends")
    placed, _, findings = place(log((1, np.arange(1, 68))), plan, [Note("A", 1, start_station=1, stop_station=80)])
    np.testing.assert_allclose(placed.v_m, np.linspace(0.0625, 9.9375, 67))
    assert findings == []


def test_ends_without_notes_fall_back_and_say_so():
    placed, _, findings = place(log((1, OUT)), scheme(pace="ends"))
    assert placed.v_m[0] == 0.0625
    assert [f.code for f in findings] == ["pace-ends"]


def test_marks_mend_an_uneven_pace():
    # Fiducials at 0, 5 and 10 m; the first half was walked in 50 readings, the second in 40.
    mark = np.zeros(90)
    mark[[0, 50]] = 1
    extra = log((1, np.arange(1, 92)), (2, np.arange(91, 0, -1)), extras={"mark": np.r_[mark, 1, mark, 1]})
    placed, _, findings = place(extra, scheme(pace="marks"))
    np.testing.assert_allclose(placed.v_m[[0, 49, 50, 89]], [0.05, 4.95, 5.0625, 9.9375])
    np.testing.assert_allclose(placed.v_m[91:], 10 - placed.v_m[:91])
    assert findings == []


def test_mark_behind_the_last_reading_is_the_far_edge():
    # A line stopped on the edge: fiducials before the first reading and behind the last one, 67 readings on 10 m.
    mark = np.zeros((2, 67))
    mark[:, 0], mark[:, -1] = 1, 2
    logged = log((1, np.arange(1, 68)), (2, np.arange(80, 13, -1)), extras={"mark": mark.ravel()})
    placed, _, findings = place(logged, scheme(pace="marks"))
    np.testing.assert_allclose(placed.v_m[:67], (np.arange(67) + 0.5) * 10 / 67)
    np.testing.assert_allclose(placed.v_m[67:], 10 - placed.v_m[:67])
    assert findings == []


def test_line_with_a_lost_mark_falls_back_and_says_so():
    mark = np.zeros((3, 80))
    mark[:, [0, 40, 79]] = 1
    mark[1, 40] = 0
    logged = log((1, OUT), (2, BACK), (3, OUT), extras={"mark": mark.ravel()})
    placed, _, findings = place(logged, scheme(pace="marks"))
    assert [(f.code, f.line) for f in findings] == [("pace-marks", 2)]
    assert placed.v_m[80] == 9.9375


def test_given_readings_stay_as_they_were():
    readings = log((1, OUT))
    place(readings, notes=[Note("A", 1, kind="void")])
    assert np.isnan(readings.u_m).all()
    assert not readings.flag.any()
