"""Seams: what they show of the drift left within the grids, and what they must not take for it."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.balance.balance import balance_traverses
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.mosaic.seams import balance_grids

SIZE = 20.0
LINES = 40


def walked_error(readings, sd=0.5):
    """Standard error of lines off as a random walk about its mean, whose variance is t^2 - t + 1/3: 1/6 in all."""
    place = (readings.line - 1) / (LINES - 1)
    return sd * np.sqrt(6 * (place**2 - place + 1 / 3))


def flat(across=2):
    """Grids of 20 m side by side and end to end on flat ground; lines along y, half a metre apart."""
    u, v = (a.ravel() for a in np.meshgrid(np.arange(0.25, SIZE, 0.5), np.arange(0.125, SIZE, 0.25), indexing="ij"))
    line = (u // 0.5).astype(int) + 1
    tables = [
        Readings.build(line, {"eca": 15 + 0 * u}, grids=(f"{i}{j}",), u_m=u, v_m=v, x=u + SIZE * i, y=v + SIZE * j)
        for i in range(across) for j in range(across)
    ]  # fmt: skip
    readings = concatenate(tables)
    return readings.replace(se={"eca": walked_error(readings)})


def with_added(readings, added):
    return readings.replace(channels={"eca": readings.channels["eca"] + added})


def steps_at_ends(readings, first, second):
    """Each line's last metre in one grid minus the first metre of the line beyond it."""
    values, v = readings.channels["eca"], readings.v_m
    last, next_ = (readings.grid == first) & (v > SIZE - 1), (readings.grid == second) & (v < 1)
    means = [np.bincount(readings.line[side], values[side])[1:] / 4 for side in (last, next_)]
    return means[0] - means[1]


def curve(readings):
    """A warm-up that fades over a third of the grid, mean 0 over its lines."""
    fading = np.exp(-(readings.line - 1) / (LINES / 3))
    return fading - fading.mean()


def two_drifted(readings):
    return with_added(readings, np.array([1.0, 0.0, 0.0, -1.0])[readings.grid] * curve(readings))


def walked(walk, seed):
    """Three by three grids over a site whose drift is known; (n,) the drift."""
    rng = np.random.default_rng(seed)
    walks = walk.block(rng, walk.Faults(noise=0.15), across=3, size_m=SIZE, level=1.0)
    readings = concatenate([w.readings for w in walks])
    # A random walk from line to line about its mean, 0.5 at large; its variance from line to line is six of it.
    drift = np.cumsum(rng.normal(0, 0.5 * np.sqrt(6 / LINES), (9, LINES)), axis=1)
    drift = (drift - drift.mean(axis=1, keepdims=True))[readings.grid, readings.line - 1]
    return with_added(readings, drift).replace(se={"eca": walked_error(readings)}), drift


def drift_taken(readings):
    """(n,) What came off besides the offset of the grid."""
    balanced, record = balance_grids(readings)
    off = np.array([row.offset for row in record.table])[readings.grid]
    return readings.channels["eca"] - off - balanced.channels["eca"]


def test_lines_that_drifted_fit_to_the_lines_beyond():
    drifted = two_drifted(flat())
    balanced, _ = balance_grids(drifted)
    for first, second in ((0, 1), (2, 3)):
        before, after = (steps_at_ends(r, first, second) for r in (drifted, balanced))
        # Without noise all of a smooth step from line to line is told; eight cosines leave some hundredths of it.
        assert np.std(after) < 0.2 * np.std(before)


def test_drift_comes_off_what_walks_leave(walk):
    left = []
    for seed in range(4):
        readings, drift = walked(walk, seed)
        left.append(np.std((drift - drift_taken(readings))[readings.in_use]) / np.std(drift[readings.in_use]))
    # Two grids of one border share what is told of both: a half of the variance would be sqrt(0.5).
    assert np.median(left) < 0.8


# Along the lines in the middle of a grid, and along the border of two of them.
@pytest.mark.parametrize("middle", [8.0, SIZE])
@pytest.mark.parametrize("height", [3.0, -3.0])
@pytest.mark.parametrize("width", [1.0, 4.0, 10.0])
def test_banks_and_ditches_that_run_along_the_lines_through_the_grids_stay(width, height, middle):
    readings = flat()
    bank = height * (np.abs(readings.x - middle) < width / 2)
    # It makes no step at any edge, be there drift or not.
    assert np.max(np.abs(drift_taken(with_added(readings, bank)))) < 0.01 * 3.0
    drifted = two_drifted(readings)
    assert np.max(np.abs(drift_taken(with_added(drifted, bank)) - drift_taken(drifted))) < 0.01 * 3.0


def test_a_plane_through_all_grids_is_no_drift():
    readings = flat()
    plane = 0.05 * readings.x - 0.03 * readings.y
    np.testing.assert_allclose(drift_taken(with_added(readings, plane)), 0.0, atol=1e-6)
    # Steps are told with a plane left free; a hundredth of the drift's height is for what weights go by.
    drifted = two_drifted(readings)
    np.testing.assert_allclose(drift_taken(with_added(drifted, plane)), drift_taken(drifted), atol=0.01)


@pytest.mark.parametrize("metres", [8.0, 15.0, 30.0, 60.0])
def test_a_smooth_field_through_all_grids_is_no_drift(metres):
    readings = flat()
    wave = 2 * np.pi / metres
    swell = np.sin(wave * readings.x + 1.0) * np.cos(wave * readings.y + 0.5)
    # Segments are 0.5 m apart across an edge: what the field changes by over that may pass for a step.
    for given in (readings, two_drifted(readings)):
        assert np.max(np.abs(drift_taken(with_added(given, swell)) - drift_taken(given))) < 0.5 * wave


def test_drift_comes_off_once(walk):
    drifted = two_drifted(flat())
    once = balance_grids(drifted)[0]
    # Where the edges tell a share k of the drift, 1 - k of that is left to be told; without noise k is over 0.8.
    assert np.std(drift_taken(once)) < 0.2 * np.std(drift_taken(drifted))
    for seed in range(2):
        readings, drift = walked(walk, seed)
        once = balance_grids(readings)[0]
        # Of drift with the standard deviation s, k (1 - k) of what the edges show: sqrt(k) (1 - k) s, 0.385 s at most.
        assert np.std(drift_taken(once)) < 0.385 * np.std(drift)


def test_without_drift_next_to_nothing_comes_off(walk):
    for seed in range(3):
        walks = walk.block(np.random.default_rng(seed), walk.Faults(noise=0.15, stripe=0.05), across=2, size_m=10.0)
        readings = concatenate([w.readings for w in walks])
        readings = readings.replace(se={"eca": np.full(len(readings), 0.05)})
        table = balance_grids(readings)[1].table
        # No more than twice what the lines are known to be off.
        assert max(row.drift for row in table) < 2 * 0.05


def test_nothing_comes_off_where_nothing_is_proven(walk):
    # Truth known to the simulator: no drift at all. What came off for certain would be an error made by the step.
    for seed in range(2):
        walks = walk.block(np.random.default_rng(seed), walk.Faults(noise=0.15, stripe=0.05), across=2, size_m=10.0)
        readings = concatenate([w.readings for w in walks])
        balanced, record = balance_grids(readings.replace(se={"eca": np.full(len(readings), 0.05)}))
        assert {row.drift for row in record.table} == {0.0}
        by_grid = [np.ptp((balanced.channels["eca"] - readings.channels["eca"])[readings.grid == g]) for g in range(4)]
        np.testing.assert_allclose(by_grid, 0.0, atol=1e-12)


@pytest.mark.parametrize("seed", [0, 2])
def test_where_tie_lines_hold_the_lines_no_drift_comes_off(walk, seed):
    """Three tie lines a grid leave less drift than seams can tell from the signal: exactly none of it is taken off."""
    walks = walk.block(np.random.default_rng(seed), walk.usual(0.3), across=2, size_m=10.0, ties=(2.0, 5.0, 8.0))
    readings = balance_traverses(align_opposing(concatenate([w.readings for w in walks]))[0])[0]
    assert {row.drift for row in balance_grids(readings)[1].table} == {0.0}


def test_the_fixed_grid_and_grids_apart_have_no_drift_taken_off():
    readings = flat()
    apart = np.where(readings.grid == 3, 100.0, 0.0)
    readings = readings.replace(x=readings.x + apart)
    drifted = with_added(readings, np.where(readings.grid != 2, curve(readings), 0.0))
    balanced, record = balance_grids(drifted, fixed_grid="00")
    drift = np.array([row.drift for row in record.table])
    assert drift[0] == drift[3] == 0.0
    assert drift[2] > 0.0
    for grid in (0, 3):
        mine = readings.grid == grid
        np.testing.assert_array_equal(balanced.channels["eca"][mine], drifted.channels["eca"][mine])


def test_slopes_take_the_drift_up_in_the_plane_model():
    readings = flat()
    drifted = with_added(readings, np.where(readings.grid == 0, curve(readings), 0.0))
    assert {row.drift for row in balance_grids(drifted, model="plane")[1].table} == {0.0}


def test_tie_lines_have_no_part_in_the_drift_of_the_lines():
    readings = flat()
    tie = readings.line == 20
    kind = np.where(tie, kind_code("tie"), readings.kind).astype(np.int8)
    drifted = with_added(readings, np.where(readings.grid == 0, curve(readings), 0.0)).replace(kind=kind)
    balanced, record = balance_grids(drifted)
    off = np.array([row.offset for row in record.table])[readings.grid]
    np.testing.assert_allclose(balanced.channels["eca"][tie], (drifted.channels["eca"] - off)[tie], atol=1e-9)
