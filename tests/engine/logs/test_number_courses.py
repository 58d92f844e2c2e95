"""How columns of numbers behave; the expected answers follow from how the numbers are made."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.logs.number_courses import changes_seldom, counts_again, grows_again, runs_along

LINE = np.repeat([1.0, 2.0, 3.0, 4.0], 20)
ALONG = np.tile(np.arange(20.0), 4)
UNEVEN = 0.13 * ALONG + 0.02 * np.sin(7 * ALONG)
TURNED = np.where(LINE % 2 == 1, UNEVEN, UNEVEN.max() - UNEVEN)
CLOCK = 86390 + 0.25 * np.arange(80) + 9 * LINE
NOISE = np.random.default_rng(4).normal(20, 1, 80)


@pytest.mark.parametrize(
    ("values", "counts", "grows"),
    [
        (np.arange(80.0) % 50, True, True),
        (CLOCK % 86400, False, True),
        (np.arange(80.0), False, False),
        (0.5 + np.arange(80.0) % 50, False, True),
        (NOISE, False, False),
    ],
    ids=["a short register", "seconds of the day over midnight", "a count", "no whole numbers", "noise"],
)
def test_numbers_that_start_again(values, counts, grows):
    assert (counts_again(values), grows_again(values)) == (counts, grows)


@pytest.mark.parametrize(
    ("values", "has_time", "along"),
    [
        (TURNED, False, True),
        (UNEVEN, True, True),
        (UNEVEN, False, False),
        (CLOCK, True, False),
        (NOISE, True, False),
        (np.full(80, 5.0), True, False),
    ],
    ids=["out and back", "one way beside a clock", "one way without", "a clock", "noise", "all alike"],
)
def test_numbers_that_run_along_lines(values, has_time, along):
    assert runs_along(LINE, values, has_time) == along


def test_settings_and_batteries_change_seldom():
    assert changes_seldom(98 - np.arange(80.0) // 30)
    assert changes_seldom(np.full(80, 0.5))
    assert not changes_seldom(NOISE)
    assert not changes_seldom(np.full(5, 0.5))
