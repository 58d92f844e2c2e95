"""Readings at full scale: found by their number, marked, kept out of the fits, and in the standard error."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.balance import balance_traverses
from turnrow.processing_provider.engine.core import FULL_SCALE, Code, GridStore, Readings, concatenate
from turnrow.processing_provider.engine.geometry import Lattice
from turnrow.processing_provider.engine.interpolate import interpolate_grids, interpolate_readings
from turnrow.processing_provider.engine.place.full_scale import mark_full_scale

SIDE_M, STEP_M, SPACING_M = 20.0, 0.25, 0.5


def kiln(u, v, digit=0.1, seed=3):
    """Ground of 20 mS/m with noise and a kiln of 30 mS/m, 1 m across (standard deviation), in the middle."""
    eca = 20 + 30 * np.exp(-((u - 10) ** 2 + (v - 10) ** 2) / 2)
    return np.round((eca + np.random.default_rng(seed).normal(0, 0.1, len(u))) / digit) * digit


def grid(values, name="A", digit=0.1):
    u, v = (a.ravel() for a in np.meshgrid(np.arange(0.25, SIDE_M, SPACING_M), np.arange(0.125, SIDE_M, STEP_M),
                                           indexing="ij"))  # fmt: skip
    line = np.floor(u / SPACING_M).astype(int)
    return Readings.build(line, {"eca": values(u, v, digit)}, grids=(name,), u_m=u, v_m=v, x=u, y=v,
                          heading=1 - 2 * (line % 2), units={"eca": "mS/m"})  # fmt: skip


def clipped(readings, at, way=np.minimum):
    return readings.replace(channels={"eca": way(readings.channels["eca"], at)})


@pytest.mark.parametrize(("way", "sign", "end"), [(np.minimum, 1, "highest"), (np.maximum, -1, "lowest")])
def test_values_cut_off_are_found_with_their_number(way, sign, end):
    whole = grid(kiln)
    whole = whole.replace(channels={"eca": sign * whole.channels["eca"]})
    cut = clipped(whole, sign * 35.0, way)
    marked, (found,), (finding,) = mark_full_scale(cut, "A")
    expected = sign * whole.channels["eca"] >= 35.0
    # The area above half of a Gaussian is 2 pi ln 2 square metres, 8 readings in each.
    assert np.count_nonzero(expected) == pytest.approx(2 * np.pi * np.log(2) * 8, rel=0.15)
    np.testing.assert_array_equal(np.isfinite(marked.extras["eca" + FULL_SCALE]), expected)
    assert (found.grid, found.channel, found.end, found.value) == ("A", "eca", end, sign * 35.0)
    assert (found.readings, found.of) == (np.count_nonzero(expected), len(cut))
    assert finding.code == Code.FULL_SCALE.word
    assert f"{found.readings} of 3200 readings of eca" in finding.found
    # Lines 0.5 m from each other within 1.18 m of the middle: 5 or 4, all of them named.
    assert "on lines 18, 19, 20, 21" in finding.found
    np.testing.assert_array_equal(marked.channels["eca"], cut.channels["eca"])
    assert marked.in_use.all()


@pytest.mark.parametrize("digit", [0.01, 0.1, 0.5, 1.0, 5.0])
def test_the_last_digit_alone_is_no_full_scale(digit):
    marked, found, findings = mark_full_scale(grid(kiln, digit=digit), "A")
    assert (found, findings, marked.extras) == ((), [], {})


def test_ground_that_the_last_digit_shows_as_one_value_is_no_full_scale():
    values = np.where(np.arange(3200) % 20 == 0, 11.0, 10.0)
    assert mark_full_scale(grid(lambda u, v, digit: values), "A")[1] == ()


def test_one_line_that_stood_still_on_the_highest_spot_is_no_full_scale():
    readings = grid(kiln)
    values = readings.channels["eca"].copy()
    values[np.flatnonzero(readings.line == 20)[:30]] = 60.0
    assert mark_full_scale(readings.replace(channels={"eca": values}), "A")[1] == ()


def test_readings_at_full_scale_do_not_level_their_lines():
    """A kiln that is cut off differs from line to line by how it was cut, not by the level of the lines."""
    cut = mark_full_scale(clipped(grid(kiln), 25.0), "A")[0]
    changed = cut.channels["eca"].copy()
    rows = np.flatnonzero(np.isfinite(cut.extras["eca" + FULL_SCALE]))
    changed[rows] += np.where(cut.line[rows] % 2, 5.0, 0.0)
    offsets = [[row.offset for row in balance_traverses(table)[1].table]
               for table in (cut, cut.replace(channels={"eca": changed}))]  # fmt: skip
    np.testing.assert_array_equal(*offsets)


@pytest.mark.parametrize("method", ["cubic", "linear", "minimum curvature"])
def test_the_standard_error_covers_what_was_cut_off_there_and_nothing_elsewhere(method):
    whole, lattice = grid(kiln), Lattice.covering(0, 0, SIDE_M, SIDE_M, 0.5)
    cut = clipped(whole, 35.0)
    marked, (found,), _ = mark_full_scale(cut, "A")
    before, after = (interpolate_readings(r, "eca", lattice, method=method) for r in (cut, marked))
    np.testing.assert_array_equal(after.values, before.values)
    away = np.hypot(lattice.x[None, :] - 10, lattice.y[:, None] - 10)
    # Half of the kiln's height is 1.18 m from its middle.
    inside, outside = away < 0.7, away > 2.5
    np.testing.assert_allclose(
        after.standard_error[inside], np.hypot(before.standard_error[inside], found.error), rtol=0.3
    )
    np.testing.assert_allclose(after.standard_error[outside], before.standard_error[outside], rtol=1e-6)
    truth = 20 + 30 * np.exp(-(away**2) / 2)
    assert np.mean(np.abs(after.values - truth)[inside] <= 2 * after.standard_error[inside]) >= 0.75
    store = GridStore()
    store.put("A", marked)
    if method != "minimum curvature":
        np.testing.assert_allclose(interpolate_grids(store, "eca", lattice, method=method).standard_error,
                                   after.standard_error)  # fmt: skip


def test_marks_go_with_the_readings_and_their_channel():
    marked, plain = mark_full_scale(clipped(grid(kiln), 35.0), "A")[0], grid(kiln, "B")
    store = GridStore()
    store.put("B", plain)
    store.put("A", marked)
    store.rename({"eca": "eca_2"})
    np.testing.assert_array_equal(store.get("A").extras["eca_2" + FULL_SCALE], marked.extras["eca" + FULL_SCALE])
    assert np.isnan(store.get("B").extras["eca_2" + FULL_SCALE]).all()
    both = concatenate([plain, marked]).renamed({"eca": "eca_2"})
    assert np.count_nonzero(np.isfinite(both.to_columns()["eca_2" + FULL_SCALE])) == np.count_nonzero(
        np.isfinite(marked.extras["eca" + FULL_SCALE])
    )
