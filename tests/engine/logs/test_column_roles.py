"""What columns without a name are taken for, by how their values behave."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.logs.column_roles import roles_by_behaviour
from turnrow.processing_provider.engine.logs.timestamps import number_seconds


def role_of(*columns):
    """Return the role of the first of some columns of texts."""
    return roles_by_behaviour(columns, [None] * len(columns))[0].role


@pytest.mark.parametrize(("by_one", "role"), [(90, "station"), (70, "channel")])
def test_a_station_counts_by_one_in_four_of_five_steps(by_one, role):
    """A hundred steps, the others by five."""
    steps = np.r_[np.ones(by_one), np.full(100 - by_one, 5)]
    np.random.default_rng(1).shuffle(steps)
    up = np.cumsum(np.r_[1, steps])
    values = [f"{v:.0f}" for v in np.r_[up, up[::-1]]]
    assert role_of(values) == role


@pytest.mark.parametrize(("times", "role"), [(48, "time"), (40, "")])
def test_a_column_of_times_may_have_a_few_other_values(times, role):
    values = [f"09:{k:02d}:00" for k in range(times)] + ["late"] * (50 - times)
    assert role_of(values, [str(k % 7) for k in range(50)]) == role


def test_serial_numbers_are_no_lines():
    values = np.repeat([20240101, 20240102, 20240103], 20)
    assert role_of([str(v) for v in values]) != "line"
    assert role_of([str(v) for v in np.repeat([101, 102, 103], 20)]) == "line"


@pytest.mark.parametrize(("number", "seconds"), [(93059, 34259.0), (93060, 34260.0), (93061, np.nan), (96000, np.nan)])
def test_a_clock_has_sixty_seconds_and_a_leap_second(number, seconds):
    """Coordinated universal time has minutes of 61 seconds, numbered 0 to 60 (from memory)."""
    np.testing.assert_equal(number_seconds(np.array([float(number)]), "HHMMSS")[0], seconds)
