"""Lines walked the other way than recorded, or started elsewhere, found by the readings alone."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.doubts import doubts_of
from turnrow.processing_provider.engine.readings import flag_bit

SITES = range(300, 310)


def walked(walk, seed):
    """An ordinary walk over a random site, and a random line inside it."""
    rng = np.random.default_rng(seed)
    size, lag = rng.choice([20.0, 30.0]), rng.uniform(0.15, 0.6)
    readings = walk.walk(walk.site(size, rng), rng, walk.usual(lag)).readings
    return readings, int(rng.integers(2, readings.line.max()))


def turned_round(readings, line):
    """The readings of a line in the opposite order, as when the direction was not set."""
    rows = np.flatnonzero(readings.line == line)
    values, flag = readings.channels["eca"].copy(), readings.flag.copy()
    values[rows], flag[rows] = values[rows][::-1], flag[rows][::-1]
    return readings.replace(channels={"eca": values}, flag=flag)


def moved(readings, line, count):
    """The readings of a line counted from a station that lies ``count`` readings on."""
    rows = np.flatnonzero(readings.line == line)
    values, flag = readings.channels["eca"].copy(), readings.flag.copy()
    values[rows[count:]] = values[rows[:-count]]
    flag[rows[:count]] |= flag_bit("missing")
    return readings.replace(channels={"eca": values}, flag=flag)


def test_clean_grids_raise_no_doubt(walk):
    # One false alarm in 20 clean grids is what the threshold stands for; more than one in 10 has a chance of 9 %.
    assert sum(bool(doubts_of(walked(walk, seed)[0])) for seed in SITES) <= 1


def test_lines_walked_the_other_way_are_found(walk):
    found = []
    for seed in SITES:
        readings, line = walked(walk, seed)
        found.append([(f.code, f.line) for f in doubts_of(turned_round(readings, line))] == [("line-reversed", line)])
    # At 95 % detection 8 of 10 or fewer have a chance of 9 %.
    assert sum(found) >= 9


def test_lines_started_elsewhere_are_found(walk):
    found = []
    for seed in SITES:
        readings, line = walked(walk, seed)
        found.append(("line-shifted", line) in [(f.code, f.line) for f in doubts_of(moved(readings, line, 24))])
    # At 75 % detection 5 of 10 or fewer have a chance of 8 %.
    assert sum(found) >= 6


def test_evidence_is_told_and_nothing_is_changed(walk):
    readings, line = walked(walk, 300)
    spoilt = turned_round(readings, line)
    before = spoilt.channels["eca"].copy()
    (doubt,) = doubts_of(spoilt)
    np.testing.assert_array_equal(spoilt.channels["eca"], before)
    assert (doubt.severity, doubt.grid, doubt.walk_again) == ("warning", "A", False)
    assert "as recorded, and of 0." in doubt.found
    assert "note its true heading and start_station" in doubt.advice


def test_how_far_a_line_was_moved_is_told(walk):
    readings, line = walked(walk, 300)
    doubt = next(f for f in doubts_of(moved(readings, line, 24)) if f.line == line)
    # 24 readings at 8 a metre are 3 m, give or take the uneven pace, against the direction of walking.
    move = float(doubt.found.split("moved by ")[1].split(" m")[0])
    assert move == pytest.approx(-3.0 * readings.heading[readings.line == line][0], abs=0.6)


def test_ground_without_contrast_raises_no_doubt(walk):
    flat = walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.usual(0.3)).readings
    assert doubts_of(flat) == []


def test_constant_readings_raise_no_doubt(walk):
    assert doubts_of(walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.Faults()).readings) == []


def test_few_lines_tell_nothing(walk):
    readings, _ = walked(walk, 300)
    assert doubts_of(readings.take(readings.line <= 4)) == []


def test_a_second_channel_of_the_same_ground_adds_no_doubt(walk):
    readings, line = walked(walk, 302)
    both = readings.replace(channels={**readings.channels, "deep": 2 * readings.channels["eca"]})
    assert [f.line for f in doubts_of(both)] == [f.line for f in doubts_of(readings)]
    spoilt = turned_round(readings, line)
    twice = spoilt.replace(channels={**spoilt.channels, "deep": 2 * spoilt.channels["eca"]})
    assert [f.found for f in doubts_of(twice)] == [f.found for f in doubts_of(spoilt)]
