"""A log held against notes and scheme: clean grids without a word."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.tests.engine.compare.log_lines import SCHEME, changed, clean_lines, compared, log_of, stations

SCHEMES = [
    Scheme(grid="A", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8),
    Scheme(grid="A", length_m=30, width_m=15, spacing_m=1, readings_per_m=4, pattern="one-way"),
    Scheme(grid="A", length_m=10, width_m=5, spacing_m=0.5, readings_per_m=8, first_heading="back", first_station=0),
    Scheme(grid="A", length_m=24, width_m=18, spacing_m=0.6, readings_per_m=5, first_line=101, line_step=2),
    Scheme(grid="A", length_m=12, width_m=6, spacing_m=1, readings_per_m=1, first_line=12, line_step=-1),
    Scheme(grid="A", length_m=7.3, width_m=4, spacing_m=1, readings_per_m=10, pattern="one-way", first_heading="back"),
    Scheme(grid="A", length_m=20, width_m=3, spacing_m=1, readings_per_m=8, first_offset_m=0),
]


@pytest.mark.parametrize("scheme", SCHEMES, ids=range(len(SCHEMES)))
def test_a_clean_grid_makes_no_finding(scheme):
    for seed in range(12):
        overrun = round(1.25 * scheme.readings_per_m)
        readings = log_of(clean_lines(scheme, seed, overrun), seed=seed)
        assert [f.sentence() for f in compare_notes(readings, scheme)] == []


@pytest.mark.parametrize("scheme", SCHEMES, ids=range(len(SCHEMES)))
def test_a_clean_grid_without_stations_and_times_makes_no_finding(scheme):
    lines = clean_lines(scheme, overrun=0)
    nothing = np.full(sum(len(item.station) for item in lines), np.nan)
    readings = log_of(lines, station=nothing, time_s=nothing)
    assert compare_notes(readings, scheme) == []


def test_a_line_that_counts_down_below_zero_is_normal():
    lines = changed(2, station=stations(80, -10))
    assert compared(lines) == []


def test_the_log_is_not_changed_and_progress_is_told():
    readings, told = log_of(clean_lines(seed=1)), []
    before = {name: getattr(readings, name).copy() for name in ("line", "run", "station", "time_s", "heading", "flag")}
    compare_notes(readings, SCHEME, progress=told.append)
    for name, values in before.items():
        np.testing.assert_array_equal(getattr(readings, name), values)
    assert told[0] == 0
    assert told[-1] == 1
    assert told == sorted(told)


def test_progress_may_end_the_comparison():
    def stop(fraction):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compare_notes(log_of(clean_lines()), SCHEME, progress=stop)
