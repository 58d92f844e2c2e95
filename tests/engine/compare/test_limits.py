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
from turnrow.tests.engine.compare.log_lines import changed, clean_lines, compared, stations


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
