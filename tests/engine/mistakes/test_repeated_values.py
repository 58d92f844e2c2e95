"""Lines within which the instrument repeats one value."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.mistakes.detect import possible_mistakes
from turnrow.processing_provider.engine.mistakes.repeated_values import repeated_values

SCHEME = Scheme(grid="A", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8)


def lines_of_noise(seed, decimals, count=20):
    rng = np.random.default_rng(seed)
    return [np.round(15 + rng.normal(0, 0.5, 160), decimals) for _ in range(count)]


@pytest.mark.parametrize("decimals", [0, 1, 2, 8])
def test_half_a_line_of_one_value_is_found_however_coarse_the_logger(decimals):
    lines = lines_of_noise(1, decimals)
    lines[7][40:120] = np.round(15.0, decimals)
    (item,) = repeated_values(lines, 4)
    assert (item.line, item.value) == (7, 15.0)
    # What precedes and follows may by chance be the same.
    assert item.begin <= 40
    assert item.end >= 120


@pytest.mark.parametrize("decimals", [0, 1, 2])
def test_rounding_alone_repeats_nothing(decimals):
    """At most one grid in a thousand is expected to show a stretch; here none of 30 does."""
    assert [item for seed in range(30) for item in repeated_values(lines_of_noise(seed, decimals), 4)] == []


def test_the_ends_of_the_scale_and_gaps_are_no_standing_still():
    lines = lines_of_noise(2, 2)
    lines[3][40:120] = 99.0
    lines[5][40:120] = np.nan
    assert repeated_values(lines, 4) == []
    assert repeated_values([], 4) == []
    assert repeated_values([np.full(160, 15.0)], 4) == []


def test_line_in_which_the_instrument_stood_still_is_walked_again(walk):
    rng = np.random.default_rng(1)
    readings = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3)).readings
    rows = np.flatnonzero(readings.line == 9)
    values = readings.channels["eca"].copy()
    values[rows[60:100]] = np.median(values)
    stuck = readings.replace(channels={"eca": values})
    (mistake,) = [d for d in possible_mistakes(stuck, SCHEME) if d.finding.line == 9]
    assert (mistake.finding.code, mistake.finding.action, mistake.proposals) == ("line-strange", "walk", ())
    assert "over 4.9 m" in mistake.finding.found


@pytest.mark.parametrize("pair", [(9, 21), (21, 9), (9, 10)])
def test_of_two_lines_with_the_same_readings_the_one_that_fits_less_is_the_copy(walk, pair):
    copy, right = pair
    rng = np.random.default_rng(3)
    readings = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3)).readings
    values = readings.channels["eca"].copy()
    ours, others = (np.flatnonzero(readings.line == n) for n in (copy, right))
    count = min(len(ours), len(others))
    values[ours[:count]] = values[others[:count]]
    found = possible_mistakes(readings.replace(channels={"eca": values}), SCHEME)
    assert [d.finding.line for d in found if d.finding.code == "line-copied"] == [copy]


def test_of_three_lines_with_the_same_readings_two_are_copies(walk):
    rng = np.random.default_rng(3)
    readings = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3)).readings
    values = readings.channels["eca"].copy()
    right = values[readings.line == 35]
    for line in (15, 28):
        rows = np.flatnonzero(readings.line == line)
        size = min(len(rows), len(right))
        values[rows[:size]] = right[:size]
    copied = [m.finding.line for m in possible_mistakes(readings.replace(channels={"eca": values}), SCHEME)
              if m.finding.code == "line-copied"]  # fmt: skip
    assert sorted(copied) == [15, 28]
