"""Limits of the comparison follow from what stands beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from turnrow.processing_provider.engine.compare.compare import MOST
from turnrow.processing_provider.engine.compare.grid_log import MANY
from turnrow.processing_provider.engine.compare.walk import PATTERN_FRACTION, SPREAD
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.tests.engine.compare.log_lines import SCHEME, changed, clean_lines, compared, only, stations, timed


def test_faults_of_single_lines_seldom_pass_for_one_of_the_register():
    """One line in ten with a fault of its own; reference: the binomial distribution of scipy."""
    chance = [stats.binom.sf(max(MANY, np.floor(MOST * n) + 1) - 1, n, 0.1) for n in range(MANY, 200)]
    assert max(chance) == pytest.approx(0.0013, abs=5e-5)
    assert np.argmax(chance) + MANY == 6


@pytest.mark.parametrize("count", range(8, 60))
def test_a_wrong_pattern_turns_more_lines_than_the_limit(count):
    turned = Scheme(length_m=10, width_m=count, spacing_m=1, readings_per_m=8, pattern="one-way")
    alternate = replace(turned, pattern="alternate")
    wrong = np.count_nonzero(turned.heading(turned.lines) != alternate.heading(turned.lines))
    assert wrong >= MANY
    assert wrong > PATTERN_FRACTION * count


def test_a_pace_beyond_the_limit_is_no_chance():
    """Reference: the normal distribution of scipy, its median absolute deviation included."""
    deviations = SPREAD * stats.norm.ppf(0.75)
    assert 2 * stats.norm.sf(deviations) * 500 == pytest.approx(0.03, abs=0.005)


@pytest.mark.parametrize(("fall", "codes"), [(0.9, []), (1.1, ["pace"])])
def test_times_may_fall_by_a_second(fall, codes):
    class Falling(type(clean_lines()[0])):
        def time_s(self):
            times = super().time_s()
            times[40] = times[39] - fall
            return times

    lines = clean_lines()
    lines[3] = Falling(**vars(lines[3]))
    assert [f.code for f in compared(lines)] == codes


@pytest.mark.parametrize(("back", "codes"), [(8, []), (14, ["step-sign"])])
def test_stations_may_count_back_for_a_tenth_of_a_line(back, codes):
    """A hundred steps in all, so many of them back."""
    walked = np.r_[stations(-9, 91 - back), stations(90 - back, 91 - 2 * back)]
    found = [f for f in compared(changed(3, station=walked)) if f.code == "step-sign"]
    assert [f.code for f in found] == codes


@pytest.mark.parametrize(("count", "code"), [(39, "dummy-likely"), (60, "line-twice")])
def test_less_than_half_a_line_may_be_a_false_start(count, code):
    first = clean_lines()[0]
    lines = [replace(first, station=stations(1, count), duration_s=count / 8), *clean_lines()]
    lines[1] = replace(lines[1], run=2)
    assert only(compared(lines), code).line == 1


@pytest.mark.parametrize(("more_m", "codes"), [(2.75, []), (3.25, ["line-long"])])
def test_three_metres_more_overrun_than_that_of_the_others_is_long(more_m, codes):
    station = stations(-9, 90 + round(more_m * 8))
    found = compared(changed(3, station=station, duration_s=len(station) / 8))
    assert [f.code for f in found] == codes


@pytest.mark.parametrize(("speed", "codes"), [(0.28, ["pace"]), (0.32, []), (2.4, []), (2.6, ["pace"])])
def test_walks_are_credible_between_a_third_of_a_metre_and_two_and_a_half(speed, codes):
    """All lines alike; a clean line is 100 readings long and takes ``duration_s`` at 1 m/s."""
    lines = [replace(item, duration_s=99 / 8 / speed) for item in clean_lines()]
    assert [f.code for f in compared(lines)] == codes


@pytest.mark.parametrize(("length", "codes"), [(3, []), (8, ["pace"])])
def test_times_of_short_lines_give_no_pace(length, codes):
    scheme = replace(SCHEME, length_m=length)
    lines = clean_lines(scheme, overrun=0)
    lines[2] = replace(lines[2], duration_s=lines[2].duration_s / 1.9)
    assert [f.code for f in compared(lines, scheme=scheme)] == codes


@pytest.mark.parametrize(("spread", "codes"), [(0.1, ["pace"]), (0.3, [])])
def test_a_pace_stands_out_against_how_much_the_others_differ(spread, codes):
    """Half of the lines are faster and half slower by ``spread`` (natural logarithm), one by log(2)."""
    factors = np.exp(np.r_[np.tile([spread, -spread], 5)])
    factors[4] = 2.0
    lines = [replace(item, duration_s=item.duration_s * f) for item, f in zip(clean_lines(), factors)]
    assert [f.code for f in compared(lines)] == codes


def turned(lines, numbers):
    """Return the lines with some of them counted the other way."""
    return [replace(x, station=x.station[::-1].copy()) if x.line in numbers else x for x in lines]


def test_a_quarter_of_the_lines_walked_the_other_way_are_faults_of_their_own():
    scheme = replace(SCHEME, width_m=16)
    found = compared(turned(clean_lines(scheme), (2, 5, 6, 11)), scheme=scheme)
    assert [(f.code, f.line) for f in found] == [("direction", n) for n in (2, 5, 6, 11)]


def test_where_no_pattern_fits_none_is_proposed():
    found = only(compared(turned(clean_lines(), (2, 5, 6, 9, 10)), confirmed=True), "direction")
    assert found.line is None
    assert found.advice.endswith("walked. Note the heading of each line that does not follow the pattern.")


@pytest.mark.parametrize(("count", "lines"), [(6, [1, 2, 3, 4, 5, 6]), (7, [None])])
def test_more_than_six_of_ten_lines_with_a_fault_have_one_cause(count, lines):
    short = [replace(x, station=x.station[x.station < 50]) if x.line <= count else x for x in clean_lines()]
    assert [f.line for f in compared(timed(short)) if f.code == "line-short"] == lines


@pytest.mark.parametrize(("fraction", "wrong"), [(0.4, True), (0.6, False), (1.9, False), (2.1, True)])
def test_lines_of_less_than_half_or_more_than_twice_the_readings_are_another_grids(fraction, wrong):
    count = round(80 * fraction)
    lines = [replace(x, station=stations(1, count)[:: 1 if x.line % 2 else -1]) for x in clean_lines()]
    assert ("wrong-log" in [f.code for f in compared(timed(lines))]) == wrong
