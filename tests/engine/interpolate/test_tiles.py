"""Rasters made tile by tile are those made of the whole table."""

from functools import partial

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.core.store import Blocks, GridStore
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate import tiles
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings

CELL_M = 0.025
SIZE_M = 10.0


def turned(readings, by_rad):
    """Return a grid turned about its middle, as measured corners leave it."""
    x, y = readings.x - readings.x.mean(), readings.y - readings.y.mean()
    x, y = x * np.cos(by_rad) - y * np.sin(by_rad), x * np.sin(by_rad) + y * np.cos(by_rad)
    return readings.replace(x=x + readings.x.mean(), y=y + readings.y.mean())


@pytest.fixture(scope="module")
def walks(walk):
    """Three by three grids of 10 m with levels of their own."""
    return [w.readings for w in walk.block(np.random.default_rng(5), walk.Faults(noise=0.15), across=3, size_m=SIZE_M)]


def whole_and_tiled(parts, **options):
    """Return the raster of the whole table and that of tiles; the lattice has two by two blocks and a bit."""
    store = GridStore()
    for part in parts:
        store.put(part.grids[0], part)
    lattice = Lattice.covering(-0.2, -0.2, 3 * SIZE_M + 0.2, 3 * SIZE_M + 0.2, CELL_M)
    assert lattice.rows > 2 * tiles.BLOCK
    whole = interpolate_readings(concatenate(parts), "eca", lattice, **options)
    return whole, tiles.interpolate_grids(store, "eca", lattice, most_readings=1, **options)


@pytest.mark.parametrize("method", ["cubic", "linear", "sinc"])
def test_grids_turned_against_each_other_are_the_same(walks, method):
    parts = [turned(part, 2e-4 * (i - 4)) for i, part in enumerate(walks)]
    whole, tiled = whole_and_tiled(parts, method=method)
    np.testing.assert_allclose(tiled.values, whole.values, rtol=0, atol=1e-9)
    np.testing.assert_allclose(tiled.standard_error, whole.standard_error, rtol=0, atol=1e-9)
    assert tiled.record == whole.record


def test_grids_on_the_same_axes_are_the_same(walks):
    whole, tiled = whole_and_tiled(walks)
    assert tiled.record == whole.record
    known = np.isfinite(whole.values)
    np.testing.assert_array_equal(np.isfinite(tiled.values), known)
    np.testing.assert_array_equal(np.isfinite(tiled.standard_error), known)
    # What is twenty lines away weighs (2 - sqrt 3)^20 = 4e-12 of the steps between grids.
    middle = slice(round((SIZE_M + 0.2) / CELL_M), round((2 * SIZE_M + 0.2) / CELL_M))
    inner = middle, middle
    np.testing.assert_allclose(tiled.values[inner], whole.values[inner], rtol=0, atol=1e-9)
    # The line beyond the outer one is predicted from some of the grids in place of all.
    away = np.abs(tiled.values - whole.values)[known]
    assert (away < whole.standard_error[known]).all()
    ratio = tiled.standard_error[known] / whole.standard_error[known]
    assert 0.5 < ratio.min() < ratio.max() < 2.0


def test_grid_without_enough_lines_is_left_out_and_reported(walks):
    few = walks[4].take(walks[4].line == 3)
    parts = [turned(part, 2e-4 * (i - 4)) for i, part in enumerate([*walks[:4], few, *walks[5:]])]
    whole, tiled = whole_and_tiled(parts)
    assert len(tiled.record.left_out) == 1
    assert tiled.record == whole.record
    np.testing.assert_allclose(tiled.values, whole.values, rtol=0, atol=1e-9)


def test_halo_reaches_as_far_as_the_largest_gap(walks):
    whole, tiled = whole_and_tiled([walks[0], walks[8]], max_gap_m=3.0)
    np.testing.assert_array_equal(np.isnan(tiled.values), np.isnan(whole.values))


def test_scattered_methods_take_the_whole_table(walks):
    store = GridStore()
    for part in walks[:2]:
        store.put(part.grids[0], part)
    lattice = Lattice.covering(0.0, 0.0, SIZE_M, 2 * SIZE_M, 0.25)
    given = {"method": "minimum curvature"}
    whole = interpolate_readings(concatenate(walks[:2]), "eca", lattice, **given)
    np.testing.assert_array_equal(
        tiles.interpolate_grids(store, "eca", lattice, most_readings=1, **given).values, whole.values
    )


def test_blocks_that_do_not_fit_are_kept_in_files(walks, tmp_path, monkeypatch):
    monkeypatch.setattr(tiles, "Blocks", partial(Blocks, most_bytes=0))
    store = GridStore(tmp_path, 2**30)
    for part in walks:
        store.put(part.grids[0], part)
    lattice = Lattice.covering(0.0, 0.0, 3 * SIZE_M, 3 * SIZE_M, CELL_M)
    result = tiles.interpolate_grids(store, "eca", lattice, most_readings=1)
    assert len(list(tmp_path.iterdir())) == 2 * len(result.value_blocks.blocks)


def test_channel_without_a_value_is_reported(walks):
    store = GridStore()
    store.put("A", Readings.build([1, 1], {"eca": [np.nan, np.nan]}, grids=("A",)))
    with pytest.raises(EngineError, match="No reading of eca has a value"):
        tiles.interpolate_grids(store, "eca", Lattice(0.0, 10.0, 1.0, 10, 10))


def test_window_looks_at_its_own_blocks_alone():
    lattice = Lattice(0.0, 1100.0, 1.0, 1100, 1100)
    values = np.random.default_rng(2).normal(size=lattice.shape)
    raster = BlockRaster.of(values, lattice)
    asked = []

    class Told(dict):
        def __getitem__(self, start):
            asked.append(start)
            return super().__getitem__(start)

    found = tiles.window_of(BlockRaster(lattice, Told(raster.blocks)), (500, 520, 10, 40))
    np.testing.assert_array_equal(found, values[500:520, 10:40])
    assert asked == [(0, 0), (512, 0)]
