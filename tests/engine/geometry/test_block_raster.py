"""Rasters in blocks hold what whole rasters hold, and only where there is ground."""

import tracemalloc

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.geometry.block_raster import BLOCK, BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings


@pytest.fixture
def patchy():
    values = np.random.default_rng(2).normal(size=(2 * BLOCK + 90, BLOCK + 37))
    values[BLOCK - 100 : 2 * BLOCK + 50] = np.nan
    return values, Lattice(0.0, 0.25 * len(values), 0.25, *values.shape)


def test_a_raster_cut_into_blocks_is_whole_again(patchy):
    values, lattice = patchy
    raster = BlockRaster.of(values, lattice)
    np.testing.assert_array_equal(raster.whole(), values)
    assert sorted(raster.blocks) == [(0, 0), (0, BLOCK), (2 * BLOCK, 0), (2 * BLOCK, BLOCK)]
    assert len(raster.known()) == np.isfinite(values).sum()


@pytest.mark.parametrize("window", [(0, 10, 0, 10), (BLOCK - 110, BLOCK + 5, BLOCK - 3, BLOCK + 9), (600, 601, 5, 6)])
def test_windows_cross_blocks(patchy, window):
    values, lattice = patchy
    row0, row1, col0, col1 = window
    np.testing.assert_array_equal(BlockRaster.of(values, lattice).window(*window), values[row0:row1, col0:col1])


@pytest.mark.parametrize("step", [1, 2, 3, 7, 100])
def test_thinned_is_every_nth_cell(patchy, step):
    values, lattice = patchy
    np.testing.assert_array_equal(BlockRaster.of(values, lattice).thinned(step), values[::step, ::step])


def test_nothing_is_nothing():
    lattice = Lattice(0.0, 10.0, 0.5, 20, 20)
    raster = BlockRaster.of(np.full((20, 20), np.nan), lattice)
    assert not raster.blocks
    assert not len(raster.known())


def small_grid(name, x, y):
    u, v = (a.ravel() for a in np.meshgrid(np.arange(0.25, 10, 0.5), np.arange(0.125, 10, 0.25), indexing="ij"))
    values = {"eca": 15 + np.sin(u) * np.cos(v / 2)}
    line = (u // 0.5).astype(int) + 1
    return Readings.build(line, values, grids=(name,), u_m=u, v_m=v, x=u + x, y=v + y)


def test_empty_ground_between_grids_costs_no_memory():
    # A box of 2 by 2 km has 64 million cells at 0.25 m: 512 MB for a single table of it.
    far = [small_grid("A", 0.0, 0.0), small_grid("B", 1990.0, 0.0), small_grid("C", 0.0, 1990.0)]
    far.append(small_grid("D", 1990.0, 1990.0))
    readings = concatenate(far)
    lattice = Lattice.covering(0, 0, 2000, 2000, 0.25)
    tracemalloc.start()
    result = interpolate_readings(readings, "eca", lattice)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 60e6  # four blocks of 512 by 512, two tables of 8 bytes each, are 17 MB
    assert len(result.value_blocks.known()) == 4 * 40 * 40
    assert result.record.figures["cells nodata"] == 8000**2 - 4 * 40 * 40


def test_blocks_meet_without_a_trace():
    readings = small_grid("A", BLOCK * 0.25 - 5, BLOCK * 0.25 - 5)
    lattice = Lattice.covering(0, 0, 2 * BLOCK * 0.25, 2 * BLOCK * 0.25, 0.25)
    across = interpolate_readings(readings, "eca", lattice)
    assert len(across.value_blocks.blocks) == 4
    inner = lattice.sub((BLOCK - 20, BLOCK + 20, BLOCK - 20, BLOCK + 20))
    alone = interpolate_readings(readings, "eca", inner)
    for name in ("value_blocks", "error_blocks"):
        cut = getattr(across, name).window(BLOCK - 20, BLOCK + 20, BLOCK - 20, BLOCK + 20)
        np.testing.assert_array_equal(cut, getattr(alone, name).whole())
