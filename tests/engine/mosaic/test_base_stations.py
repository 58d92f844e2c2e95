"""Base readings that all grids have on one spot tell their levels."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.balance.balance import balance_traverses
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.readings import concatenate
from turnrow.processing_provider.engine.mosaic import base_stations as stations
from turnrow.processing_provider.engine.mosaic.one_level import Solution
from turnrow.processing_provider.engine.mosaic.seams import balance_grids


def block(walk, seed, **how):
    """Two by two grids with all the usual faults, traverses balanced, and the field they lie in."""
    walks = walk.block(np.random.default_rng(seed), walk.usual(0.0), across=2, level=1.25, base_every=10, **how)
    return balance_traverses(concatenate([w.readings for w in walks]))[0], walks[0].field


def levels(readings, field):
    """Mean of readings minus truth of each grid, their mean taken off."""
    used = readings.in_use & (readings.kind == kind_code("survey"))
    off = readings.channels["eca"][used] - field.at(readings.x[used], readings.y[used])
    mean = np.bincount(readings.grid[used], off) / np.bincount(readings.grid[used])
    return mean - mean.mean()


def told(record, name):
    return np.array([getattr(row, name) for row in record.table])


def without_bases(readings):
    return readings.take(readings.kind != kind_code("base"))


def test_grids_come_to_the_level_of_one_spot(walk):
    off, bare = [], []
    for seed in range(3):
        readings, field = block(walk, seed, one_spot=True)
        balanced, record = balance_grids(readings)
        assert set(told(record, "based_on")) == {"neighbours and base readings"}
        assert record.figures["eca"].remark == ""
        off.append(levels(balanced, field))
        bare.append(levels(balance_grids(without_bases(readings))[0], field))
    # Five sets that scatter by 0.1 mS/m on one spot, and 40 lines with offsets of 0.5, tell the level of a grid to
    # sqrt(0.01 / 5 + 0.25 / 40) = 0.09; 9 of 12 differences are free, and chi-square of 9 stays below 21.7 in 99 %.
    assert np.sum(np.square(off)) < 21.7 * 0.09**2
    assert np.sum(np.square(off)) < np.sum(np.square(bare))


def test_standard_errors_of_levels_cover_the_truth(walk):
    errors = []
    for seed in range(4):
        readings, field = block(walk, 10 + seed, one_spot=True)
        balanced, record = balance_grids(readings)
        errors.append(levels(balanced, field) / told(record, "standard_error"))
    # 12 free differences: chi-square stays below 26.2 in 99 %, and an error twice too large below 1.5 in one of 10,000.
    assert 1.0 < np.sum(np.square(errors)) < 26.2


def test_spots_of_their_own_tell_nothing(walk):
    for seed in range(3):
        readings, _ = block(walk, seed)
        balanced, record = balance_grids(readings)
        assert set(told(record, "based_on")) == {"neighbours"}
        assert "those of grids A1, A2, B1, B2 are not known to be of one" in (record.figures["eca"].remark)
        survey = readings.kind == kind_code("survey")
        bare = balance_grids(without_bases(readings))[0]
        np.testing.assert_array_equal(balanced.channels["eca"][survey], bare.channels["eca"])


def test_traverses_have_to_be_balanced_first(walk):
    walks = walk.block(np.random.default_rng(1), walk.usual(0.0), across=2, base_every=10, one_spot=True)
    record = balance_grids(concatenate([w.readings for w in walks]))[1]
    assert set(told(record, "based_on")) == {"neighbours"}


def test_slopes_are_told_by_the_seams_alone(walk):
    record = balance_grids(block(walk, 1, one_spot=True)[0], model="plane")[1]
    assert set(told(record, "based_on")) == {"neighbours"}
    assert record.figures["eca"].remark == ""


def test_one_set_of_a_grid_tells_nothing(walk):
    readings, _ = block(walk, 1, one_spot=True)
    one = readings.take((readings.kind != kind_code("base")) | (readings.run == 1) | (readings.grid != 0))
    assert stations.station_of(readings.take(readings.grid == 0), "eca").sets == 5
    assert stations.station_of(one.take(one.grid == 0), "eca") is None
    based_on = told(balance_grids(one)[1], "based_on")
    assert based_on.tolist() == ["neighbours", *["neighbours and base readings"] * 3]


def by_seams(level, covariance):
    return [Solution(np.asarray(level, float), np.asarray(covariance, float))]


def test_one_spot_is_told_by_levels_that_agree():
    level, sign = np.arange(6.0), np.resize([1.0, -1.0], 6)
    told = stations.BaseStations(level + 7.0, np.full(6, 1e-9), 4.0)
    assert told.on_one_spot(by_seams(level + 0.3 * sign, 0.09 * np.eye(6)), 0.1)
    assert not told.on_one_spot(by_seams(level + 2.0 * sign, 0.09 * np.eye(6)), 0.1)


def test_one_spot_is_believed_against_an_edge_that_nothing_else_speaks_for():
    """Two grids that read the same on a spot, and an edge that shows a step: ground of another kind begins there."""
    told, step = stations.BaseStations(np.array([7.0, 7.1]), np.full(2, 0.01), 9.0), np.array([0.0, 20.0])
    edge = [Solution(step, np.eye(2) * sd**2, probable) for sd, probable in ((1.0, 0.65), (9.0, 0.3), (27.0, 0.05))]
    assert told.on_one_spot(edge, 0.1)
    assert not told.on_one_spot(by_seams(step, np.eye(2)), 0.1)


@pytest.mark.parametrize("known", [0, 1])
def test_one_grid_with_base_readings_tells_nothing(known):
    level = np.where(np.arange(4) < known, 1.0, np.nan)
    assert not stations.BaseStations(level, np.ones(4), 1.0).on_one_spot(by_seams(np.zeros(4), np.eye(4)), 0.1)
    one = stations.BaseStation(1.0, 3, 0.1, 0.01)
    assert stations.stations_of([one] * known + [None] * 3, 1.0) is None


def test_scatter_of_sets_is_pooled():
    grids = [stations.BaseStation(1.0, 5, 0.4, 0.02), None, stations.BaseStation(2.0, 4, 0.2, 0.01)]
    found = stations.stations_of(grids, 1.0)
    # Two and one degrees of freedom are left beside mean and drift.
    expected = 0.6 / 3 / np.array([5, np.nan, 4]) + [0.02, np.nan, 0.01]
    np.testing.assert_allclose(found.variance, expected, rtol=1e-3)
    np.testing.assert_array_equal(found.level, [1.0, np.nan, 2.0])
