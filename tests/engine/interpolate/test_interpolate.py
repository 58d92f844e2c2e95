"""Interpolation on traverses: exact where it must be, honest where it cannot be, silent nowhere."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings

X0, Y0 = 400000.0, 5000000.0
SIZE = 10.0


def grid(field, *, corner=(0.0, 0.0), turn_deg=0.0, mirrored=False, size=SIZE, spacing=0.5, interval=0.125, name="g",
         wander=0.0, shift=0.0, noise=0.0, seed=0):  # fmt: skip
    """Walk one grid back and forth over a field; u along the baseline, turned by ``turn_deg`` about its corner."""
    u = np.arange(spacing / 2, size, spacing)
    v = np.arange(interval / 2, size, interval)
    us, vs = np.meshgrid(u, v, indexing="ij")
    vs[1::2] = vs[1::2, ::-1].copy()
    heading = np.where(np.arange(len(u)) % 2, -1, 1)[:, None] * np.ones_like(us, int)
    vs = vs + shift * heading
    us = us + wander * np.sin(vs / 2 + us)
    angle = np.radians(turn_deg)
    hand = -1.0 if mirrored else 1.0
    x = X0 + corner[0] + np.cos(angle) * us - hand * np.sin(angle) * vs
    y = Y0 + corner[1] + np.sin(angle) * us + hand * np.cos(angle) * vs
    z = field(x - X0, y - Y0) + noise * np.random.default_rng(seed).standard_normal(us.shape)
    columns = {"u_m": us, "v_m": vs, "x": x, "y": y, "heading": heading}
    line = np.broadcast_to(np.arange(1, len(u) + 1)[:, None], us.shape)
    return Readings.build(line.ravel(), {"eca": z.ravel()}, grids=(name,), **{k: a.ravel() for k, a in columns.items()})


def mosaic(field, turn_deg=0.0, **options):
    """Four adjoining grids, each walked from another corner or in another direction, the whole turned."""
    layout = [  # corner in the site's axes, own turn, mirrored
        ((0.0, 0.0), 0.0, False),
        ((2 * SIZE, 0.0), 90.0, False),
        ((0.0, 2 * SIZE), 0.0, True),
        ((2 * SIZE, 2 * SIZE), 180.0, False),
    ]
    angle = np.radians(turn_deg)
    tables = []
    for number, ((a, b), own, mirrored) in enumerate(layout):
        corner = (a * np.cos(angle) - b * np.sin(angle), a * np.sin(angle) + b * np.cos(angle))
        given = {"corner": corner, "turn_deg": turn_deg + own, "mirrored": mirrored, "name": f"g{number}"}
        tables.append(grid(field, **given, **options))
    return concatenate(tables)


def covering(readings, cell_m=0.25, around=0.5):
    return Lattice.covering(readings.x.min() - around, readings.y.min() - around, readings.x.max() + around,
                            readings.y.max() + around, cell_m)  # fmt: skip


def truth(lattice, field):
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    return field(x, y)


def site_axes(lattice, turn_deg):
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    angle = np.radians(turn_deg)
    return np.cos(angle) * x + np.sin(angle) * y, -np.sin(angle) * x + np.cos(angle) * y


def constant(x, y):
    return np.full(np.shape(x), 7.5)


def plane(x, y):
    return 20 + 0.1 * x - 0.05 * y


def hills(x, y):
    return 20 + 5 * np.sin(x / 2) * np.cos(y / 2.5)


@pytest.mark.parametrize("method", ["cubic", "linear", "sinc"])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
@pytest.mark.parametrize("field", [constant, plane])
def test_constant_and_plane_come_out_exactly_over_four_grids(field, turn_deg, method):
    # Coordinates of 5e6 m carry 1e-9 m of rounding, times a slope of 0.1.
    readings = mosaic(field, turn_deg)
    lattice = covering(readings)
    result = interpolate_readings(readings, "eca", lattice, method=method)
    known = np.isfinite(result.values)
    assert np.abs(result.values - truth(lattice, field))[known].max() < 1e-9


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_every_cell_of_the_ground_is_filled_and_none_outside(turn_deg):
    readings = mosaic(hills, turn_deg)
    lattice = covering(readings)
    u, v = site_axes(lattice, turn_deg)
    depth = np.minimum(np.minimum(u, 2 * SIZE - u), np.minimum(v, 2 * SIZE - v))
    known = np.isfinite(interpolate_readings(readings, "eca", lattice).values)
    assert known[depth > 1e-6].all()
    assert not known[depth < -1e-6].any()


def test_seams_do_not_show():
    # Halfway between knots h apart a cubic spline is off by at most 5/384 h^4 max|f''''| (Hall and Meyer 1976); the
    # neighbour's lines come from its own spline, so the error there may add up to twice that again.
    readings = mosaic(hills, 30.0)
    lattice = covering(readings)
    u, v = site_axes(lattice, 30.0)
    seam = (np.minimum(np.abs(u - SIZE), np.abs(v - SIZE)) < 0.5) & (np.minimum(u, v) > 1)
    seam &= np.maximum(u, v) < 2 * SIZE - 1
    error = np.abs(interpolate_readings(readings, "eca", lattice).values - truth(lattice, hills))
    steepest = 5 * (1 / 2 + 1 / 2.5) ** 4
    assert error[seam].max() < 3 * 5 / 384 * 0.5**4 * steepest


def test_without_neighbours_the_same_edge_is_worse():
    readings = mosaic(hills, 30.0)
    lattice = covering(readings)
    u, v = site_axes(lattice, 30.0)
    strip = (u > SIZE - 0.5) & (u < SIZE) & (v > 1) & (v < SIZE - 1)
    alone = readings.take(readings.grid == 0)
    without, with_halo = (
        interpolate_readings(alone, "eca", lattice, halo=halo).values - truth(lattice, hills)
        for halo in (None, readings)
    )
    assert np.sqrt(np.mean(with_halo[strip] ** 2)) < np.sqrt(np.mean(without[strip] ** 2)) / 2


def test_a_grid_with_a_halo_equals_its_part_of_the_whole():
    readings = mosaic(hills, 30.0)
    lattice = covering(readings)
    whole = interpolate_readings(readings, "eca", lattice).values
    alone = interpolate_readings(readings.take(readings.grid == 1), "eca", lattice, halo=readings).values
    u, v = site_axes(lattice, 30.0)
    inside = (u > SIZE + 1e-6) & (v < SIZE - 1e-6) & np.isfinite(whole)
    # The whole joins grids on the same axes; spline errors of the joined surface are all that may differ.
    np.testing.assert_allclose(alone[inside], whole[inside], rtol=0, atol=5 / 384 * 0.5**4 * 5 * 0.9**4)


@pytest.mark.parametrize("method", ["cubic", "linear", "sinc"])
def test_a_plane_is_kept_on_a_grid_bent_through_its_corners(method):
    # Bilinear in u and v, so straight along every line and across at every node; Newton's method finds the cells.
    straight = grid(plane)
    u, v = straight.u_m, straight.v_m
    x, y = straight.x + 0.02 * v + 0.004 * u * v, straight.y - 0.03 * u + 0.003 * u * v
    bent = straight.replace(x=x, y=y, channels={"eca": plane(x - X0, y - Y0)})
    lattice = covering(bent)
    values = interpolate_readings(bent, "eca", lattice, method=method).values
    assert np.isfinite(values).sum() > 1600
    assert np.nanmax(np.abs(values - truth(lattice, plane))) < 1e-9


def test_sinc_follows_lines_that_wander():
    lattice = Lattice.covering(X0 + 2, Y0 + 2, X0 + SIZE - 2, Y0 + SIZE - 2, 0.25)
    error = {}
    for name, readings in (("straight", grid(hills)), ("wandering", grid(hills, wander=0.05))):
        error[name] = interpolate_readings(readings, "eca", lattice, method="sinc").values - truth(lattice, hills)
    # Taken for straight, the lines would be wrong by up to the wander times the steepest slope.
    assert np.abs(error["wandering"]).max() < np.abs(error["straight"]).max() + 0.05 * 5 / 2 / 20


@pytest.mark.parametrize("turn_deg", [0.0, 0.001])
def test_grids_side_by_side_look_the_same_on_one_pair_of_axes_or_nearly(turn_deg):
    # The first two are joined, the others exchange their edges as halo: spline errors may differ.
    readings = concatenate([grid(hills, name="a"), grid(hills, name="b", corner=(SIZE, 0.0), turn_deg=turn_deg)])
    lattice = Lattice.covering(X0 + SIZE - 1, Y0 + 1, X0 + SIZE + 1, Y0 + SIZE - 1, 0.25)
    error = np.abs(interpolate_readings(readings, "eca", lattice).values - truth(lattice, hills))
    # The fourth derivative across lines that run along y is 5 / 2^4.
    assert error.max() < 2 * 5 / 384 * 0.5**4 * 5 / 2**4


def test_scattered_grids_on_the_same_axes_are_not_joined():
    readings = concatenate([grid(hills, name="a"), grid(hills, name="b", corner=(300.0, 200.0))])
    lattice = Lattice.covering(X0, Y0, X0 + SIZE, Y0 + SIZE, 0.25)
    together = interpolate_readings(readings, "eca", lattice).values
    alone = interpolate_readings(readings.take(readings.grid == 0), "eca", lattice).values
    np.testing.assert_array_equal(together, alone)


@pytest.mark.parametrize("shift", [3.0, 3.2])
def test_grids_shifted_against_each_other_meet_without_a_seam(shift):
    readings = concatenate([grid(hills, name="a"), grid(hills, name="b", corner=(shift, SIZE))])
    lattice = Lattice.covering(X0 + 4, Y0 + SIZE - 1, X0 + SIZE - 1, Y0 + SIZE + 1, 0.25)
    error = np.abs(interpolate_readings(readings, "eca", lattice).values - truth(lattice, hills))
    # Lines break off at the seam, and their neighbours' splines close them: that error adds to the map's own.
    assert error.max() < 3 * 5 / 384 * 0.5**4 * 5 / 2**4


@pytest.mark.parametrize("method", ["cubic", "linear", "sinc"])
@pytest.mark.parametrize("turn_deg", [90.0, 180.0, 270.0])
def test_a_quarter_turn_turns_the_map(turn_deg, method):
    # At this interval no cell lies half-way between nodes, where rounding would choose one.
    readings = grid(hills, noise=0.2, interval=0.15)
    hole = np.hypot(readings.u_m - 4.0, readings.v_m - 6.0) < 1.5
    readings = readings.with_flag("obstacle", hole)
    angle = np.radians(turn_deg)
    cos, sin = np.rint(np.cos(angle)), np.rint(np.sin(angle))
    x, y = readings.x - X0, readings.y - Y0
    turned = readings.replace(x=X0 + cos * x - sin * y, y=Y0 + sin * x + cos * y)
    before, after = (
        interpolate_readings(table, "eca", covering(table, around=1.0), method=method) for table in (readings, turned)
    )
    quarters = round(turn_deg / 90)
    # Coordinates of 5e6 m carry about 1e-9 m of rounding; the ground rises by less than 10 a metre.
    np.testing.assert_allclose(after.values, np.rot90(before.values, quarters), rtol=0, atol=1e-8)
    np.testing.assert_allclose(after.standard_error, np.rot90(before.standard_error, quarters), rtol=0, atol=1e-8)


def test_cubic_keeps_the_readings_where_a_cell_centre_lies_on_one():
    values = np.random.default_rng(1).normal(size=400)
    readings = grid(constant, spacing=0.5, interval=0.5).with_channel("eca", values)
    lattice = Lattice.covering(X0, Y0, X0 + SIZE, Y0 + SIZE, 0.5)
    result = interpolate_readings(readings, "eca", lattice)
    col = np.searchsorted(lattice.x, readings.x - 1e-3)
    row = len(lattice.y) - 1 - np.searchsorted(lattice.y[::-1], readings.y - 1e-3)
    np.testing.assert_allclose(result.values[row, col], values, rtol=0, atol=1e-7)


def test_a_missing_line_is_bridged():
    readings = grid(hills)
    lattice = covering(readings)
    whole = interpolate_readings(readings, "eca", lattice)
    bridged = interpolate_readings(readings.take(readings.line != 8), "eca", lattice)
    np.testing.assert_array_equal(np.isfinite(bridged.values), np.isfinite(whole.values))
    error = np.abs(bridged.values - truth(lattice, hills))
    # Twice the distance between knots: 16 times the bound of a cubic spline; its neighbours' intervals add to it.
    assert np.nanmax(error) < 3 * 16 * 5 / 384 * 0.5**4 * 5 * 0.9**4
    x = lattice.x - X0
    near = (x > 3.5) & (x < 4.0)
    assert np.nanmean(bridged.standard_error[:, near]) > 1.5 * np.nanmean(whole.standard_error[:, near])


def test_an_obstacle_stays_a_hole():
    readings = grid(hills)
    u, v = readings.u_m, readings.v_m
    blocked = readings.with_flag("obstacle", (abs(u - 5) < 1.6) & (abs(v - 5) < 1.6))
    lattice = covering(readings)
    values = interpolate_readings(blocked, "eca", lattice).values
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    used = blocked.in_use
    distance = np.min(np.hypot(x[..., None] - (readings.x[used] - X0), y[..., None] - (readings.y[used] - Y0)), axis=2)
    ground = (x > 0) & (x < SIZE) & (y > 0) & (y < SIZE)
    np.testing.assert_array_equal(np.isfinite(values), ground & (distance <= 0.75 + 1e-6))
    assert not np.isfinite(values[(abs(x - 5) < 0.7) & (abs(y - 5) < 0.7)]).any()


def test_the_largest_gap_can_be_chosen():
    readings = grid(hills)
    blocked = readings.with_flag("obstacle", (abs(readings.u_m - 5) < 1.6) & (abs(readings.v_m - 5) < 1.6))
    lattice = covering(readings)
    narrow, default, wide = (
        np.isfinite(interpolate_readings(blocked, "eca", lattice, max_gap_m=gap).values).sum() for gap in (0.3, 0.75, 3)
    )
    assert narrow < default < wide == 1600


def test_a_partial_line_counts_as_far_as_it_goes():
    readings = grid(plane)
    short = readings.with_flag("obstacle", (readings.line == 20) & (readings.v_m > 5))
    lattice = covering(readings)
    values = interpolate_readings(short, "eca", lattice).values
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    strip = (x > 9.5) & (x < 10)
    assert np.isfinite(values[strip & (y > 0) & (y < 5.5)]).all()
    known = np.isfinite(values)
    assert np.abs(values - truth(lattice, plane))[known].max() < 1e-9


def test_lines_may_wander():
    readings = grid(plane, wander=0.12)
    lattice = covering(readings)
    values = interpolate_readings(readings, "eca", lattice).values
    # Along a line that bends by u'' = 0.12/4 a plane of slope 0.1 bends too: between readings h apart, h^2/8 of that.
    assert np.nanmax(np.abs(values - truth(lattice, plane))) < 1.1 * 0.1 * 0.12 / 4 * 0.125**2 / 8
    readings = grid(hills, wander=0.12)
    error = np.abs(interpolate_readings(readings, "eca", lattice).values - truth(lattice, hills))
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    inner = (x > 1) & (x < 9) & (y > 0.5) & (y < 9.5)
    # Neighbouring lines are up to 0.5 + 2 * 0.12 m from each other.
    assert error[inner].max() < 2 * 5 / 384 * 0.74**4 * 5 * 0.9**4


def test_lines_that_cross_do_not_break_the_spline():
    readings = grid(plane, wander=0.4)
    lattice = covering(readings)
    values = interpolate_readings(readings, "eca", lattice).values
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    inner = (x > 0.75) & (x < 9.25) & (y > 0) & (y < SIZE)
    # As for lines that wander; where lines change places, the spline across carries it on with up to twice the size.
    assert np.abs(values - truth(lattice, plane))[inner].max() < 2 * 0.1 * 0.4 / 4 * 0.125**2 / 8


def test_readings_out_of_step_between_directions_are_no_matter():
    readings = grid(hills, shift=0.04)
    lattice = covering(readings)
    error = np.abs(interpolate_readings(readings, "eca", lattice).values - truth(lattice, hills))
    inner = np.zeros(error.shape, bool)
    inner[6:-6, 6:-6] = True
    assert error[inner].max() < 2 * 5 / 384 * 0.5**4 * 5 * 0.9**4


def test_two_recordings_of_a_line_count_with_their_mean():
    readings = grid(constant)
    again = readings.take(readings.line == 8)
    again = again.replace(run=np.full(len(again), 2, np.int32), channels={"eca": again.channels["eca"] + 1})
    lattice = covering(readings, cell_m=0.5)
    values = interpolate_readings(concatenate([readings, again]), "eca", lattice).values
    col = np.argmin(np.abs(lattice.x - X0 - 3.75))
    np.testing.assert_allclose(values[2:-2, col], 8.0, rtol=0, atol=1e-9)


def test_tie_lines_are_left_out_and_counted():
    readings = grid(hills)
    along = np.arange(0.1, 10, 0.1)
    tie = Readings.build(np.full(len(along), 99), {"eca": np.full(len(along), 1e3)}, grids=("g",), u_m=along,
                         v_m=np.full(len(along), 5.0), x=X0 + along, y=np.full(len(along), Y0 + 5.0))  # fmt: skip
    lattice = covering(readings)
    with_tie = interpolate_readings(concatenate([readings, tie]), "eca", lattice)
    np.testing.assert_array_equal(with_tie.values, interpolate_readings(readings, "eca", lattice).values)
    assert with_tie.record.figures["readings of tie lines left out"] == len(along)


def test_flagged_readings_change_nothing():
    readings = grid(hills)
    bad = np.arange(0, len(readings), 37)
    spoiled = readings.channels["eca"].copy()
    spoiled[bad] = 1e6
    flagged = readings.replace(channels={"eca": spoiled}).with_flag("outlier", bad)
    lattice = covering(readings)
    kept = np.setdiff1d(np.arange(len(readings)), bad)
    np.testing.assert_array_equal(
        interpolate_readings(flagged, "eca", lattice).values,
        interpolate_readings(readings.take(kept), "eca", lattice).values,
    )


def test_the_order_of_the_readings_is_no_matter():
    readings = mosaic(hills)
    shuffled = readings.take(np.random.default_rng(0).permutation(len(readings)))
    lattice = covering(readings)
    one, other = (interpolate_readings(table, "eca", lattice).values for table in (readings, shuffled))
    np.testing.assert_allclose(one, other, rtol=0, atol=1e-9)


def test_input_is_not_changed():
    readings = mosaic(hills)
    before = [a.copy() for a in (readings.u_m, readings.v_m, readings.x, readings.channels["eca"], readings.flag)]
    interpolate_readings(readings, "eca", covering(readings))
    after = (readings.u_m, readings.v_m, readings.x, readings.channels["eca"], readings.flag)
    for one, other in zip(before, after):
        np.testing.assert_array_equal(one, other)


def test_a_sliver_between_grids_is_filled():
    left, right = grid(hills, name="a"), grid(hills, name="b", corner=(SIZE + 0.2, 0.0))
    readings = concatenate([left, right])
    lattice = covering(readings, cell_m=0.1)
    values = interpolate_readings(readings, "eca", lattice).values
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    assert np.isfinite(values[(x > 0) & (x < 2 * SIZE + 0.2) & (y > 0) & (y < SIZE)]).all()
    assert not np.isfinite(values[(x < -1e-6) | (y < -1e-6)]).any()


def test_overlapping_grids_make_one_value_a_cell():
    readings = concatenate([grid(plane, name="a"), grid(plane, name="b", corner=(SIZE - 1.3, 0.4), turn_deg=10)])
    lattice = covering(readings)
    values = interpolate_readings(readings, "eca", lattice).values
    assert np.nanmax(np.abs(values - truth(lattice, plane))) < 1e-9


def overlapping(left, right, errors=(0.5, 0.1)):
    """Two constant grids on the same axes that have two lines in common, with standard errors of their lines."""
    parts = [
        grid(lambda x, y, level=level: np.full(np.shape(x), level), name=name, corner=(start, 0.0))
        for level, name, start in ((left, "a", 0.0), (right, "b", SIZE - 1.0))
    ]
    parts = [part.replace(se={"eca": np.full(len(part), error)}) for part, error in zip(parts, errors)]
    # Columns of cells have their middle on lines.
    lattice = Lattice.covering(X0, Y0 + 2, X0 + 2 * SIZE - 1, Y0 + SIZE - 2, 0.5)
    return interpolate_readings(concatenate(parts), "eca", lattice)


def test_lines_of_two_grids_on_one_another_count_with_their_mean():
    values = overlapping(7.0, 9.0).values
    np.testing.assert_allclose(values[:, [0, 18, 19, 37]], np.broadcast_to([7.0, 8.0, 8.0, 9.0], (12, 4)), atol=1e-9)


@pytest.mark.parametrize("errors", [(0.5, 0.1), (0.1, 0.5)])
def test_lines_of_two_grids_on_one_another_are_as_uncertain_as_the_worse(errors):
    found = overlapping(7.5, 7.5, errors).standard_error
    expected = [errors[0], 0.5, 0.5, errors[1]]
    np.testing.assert_allclose(found[:, [0, 18, 19, 37]], np.broadcast_to(expected, (12, 4)), rtol=1e-6)


def test_lines_a_tenth_of_a_metre_from_each_other_are_two():
    readings = grid(constant, spacing=0.5)
    moved = readings.take(readings.line == 7)
    moved = moved.replace(x=moved.x + 0.1, u_m=moved.u_m + 0.1, line=moved.line + 100,
                          channels={"eca": moved.channels["eca"] + 1.0})  # fmt: skip
    lattice = Lattice.covering(X0 + 3.2, Y0 + 2, X0 + 3.4, Y0 + SIZE - 2, 0.1)
    values = interpolate_readings(concatenate([readings, moved]), "eca", lattice).values
    # Line 7 lies at 3.25 m, its copy at 3.35 m, both in the middle of a column; the step of 1 is between them.
    np.testing.assert_allclose(values, np.broadcast_to([7.5, 8.5], values.shape), rtol=0, atol=1e-6)


def test_readings_near_each_other_on_a_line_are_kept_one_by_one():
    """Every fifth reading has another a third of an interval after it; a mean of both would not lie on the field."""
    readings = grid(hills, interval=0.5)
    more = readings.take(np.arange(len(readings)) % 5 == 2)
    y = more.y + 0.17
    more = more.replace(y=y, v_m=more.v_m + 0.17, channels={"eca": hills(more.x - X0, y - Y0)})
    lattice = Lattice.covering(X0 + 2, Y0 + 2, X0 + SIZE - 2, Y0 + SIZE - 2, 0.25)
    error = interpolate_readings(concatenate([readings, more]), "eca", lattice).values - truth(lattice, hills)
    # Half-way between knots h from each other a cubic spline is off by at most 5/384 h^4 max|f''''| (Hall and Meyer
    # 1976), along and across.
    assert np.abs(error).max() < 5 / 384 * 0.5**4 * 5 * (1 / 2**4 + 1 / 2.5**4)


def calibration(value, error, true):
    """Return the share of errors within two standard errors, and their total square by that of the standard errors."""
    known = np.isfinite(value)
    wrong, error = (value - true)[known], error[known]
    return np.mean(np.abs(wrong) <= 2 * error), np.sum(wrong**2) / np.sum(error**2)


def features(x, y):
    """Pits and a ditch as coils see them: nothing narrower than 0.35 m (half the ground in 0.35 m, standard 0.3 m)."""
    rng = np.random.default_rng(5)
    z = 20 + 2 * np.sin(x / 3) + 4 * np.exp(-(((x - 0.4 * y - 3) / 0.6) ** 2) / 2)
    for a, b, width, height in zip(*rng.uniform([[0], [0], [0.35], [2]], [[10], [10], [0.9], [8]], (4, 12))):
        z = z + height * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 2 / width**2)
    return z


@pytest.mark.parametrize("wander", [0.0, 0.08])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
@pytest.mark.parametrize("noise", [0.1, 0.5])
def test_standard_errors_cover_the_truth_as_often_as_they_say(noise, turn_deg, wander):
    readings = grid(features, noise=noise, turn_deg=turn_deg, wander=wander, seed=3)
    lattice = covering(readings)
    result = interpolate_readings(readings, "eca", lattice)
    covered, _ = calibration(result.values, result.standard_error, truth(lattice, features))
    # Two standard errors hold 95.4 % of normal deviates; of some 400 independent ones (20 lines of 20 half metres)
    # 1 % more or less.
    assert covered == pytest.approx(0.954, abs=0.03)


def test_noise_is_found():
    readings = grid(features, noise=0.5, seed=4)
    noise = interpolate_readings(readings, "eca", covering(readings)).record.figures["noise"]
    # A median of 1600 deviates has a standard error of 3 %; the ground adds a little.
    assert 0.45 < noise < 0.58


def test_uncertain_lines_are_less_certain_on_the_map():
    readings = grid(hills, noise=0.1)
    se = np.where(readings.line == 8, 2.0, 0.0)
    lattice = covering(readings, cell_m=0.5)
    plain = interpolate_readings(readings, "eca", lattice).standard_error
    uncertain = interpolate_readings(readings.replace(se={"eca": se}), "eca", lattice).standard_error
    col = np.argmin(np.abs(lattice.x - X0 - 3.75))
    np.testing.assert_allclose(
        uncertain[:, col] ** 2 - plain[:, col] ** 2, np.where(np.isnan(plain[:, col]), np.nan, 4.0)
    )
    np.testing.assert_allclose(uncertain[:, col + 4], plain[:, col + 4])


def test_figures_add_up():
    readings = grid(hills)
    lattice = covering(readings)
    result = interpolate_readings(readings, "eca", lattice)
    figures = result.record.figures
    assert result.record.step == "interpolatereadings"
    assert result.record.options == {"method": "cubic", "max_gap_m": None}
    assert figures["cells filled"] == np.isfinite(result.values).sum() == 1600
    assert figures["cells filled"] + figures["cells nodata"] == result.values.size
    assert figures["readings used"] == len(readings)
    assert figures["spacing_m"] == 0.5
    assert figures["interval_m"] == 0.125
    np.testing.assert_array_equal(np.isnan(result.values), np.isnan(result.standard_error))


def test_a_grid_with_one_line_is_left_out_by_name_and_the_others_are_done():
    readings = mosaic(hills)
    readings = readings.take((readings.grid != 3) | (readings.line == 1))
    result = interpolate_readings(readings, "eca", covering(readings))
    assert len(result.record.left_out) == 1
    assert "Grid g3 has 1 traverse" in result.record.left_out[0]
    assert result.record.figures["grids"] == 3


def test_one_line_alone_fails():
    readings = grid(hills)
    with pytest.raises(EngineError, match="Grid g has 1 traverse .* needs at least 2"):
        interpolate_readings(readings.take(readings.line == 3), "eca", covering(readings))


def test_two_lines_are_enough():
    readings = grid(plane)
    lattice = covering(readings)
    values = interpolate_readings(readings.take(readings.line <= 2), "eca", lattice).values
    assert np.isfinite(values).sum() == 160
    assert np.nanmax(np.abs(values - truth(lattice, plane))) < 1e-9


def test_nothing_in_use_fails():
    readings = grid(hills)
    with pytest.raises(EngineError, match="Grid g has no traverse"):
        interpolate_readings(readings.with_flag("void", readings.line > 0), "eca", covering(readings))


@pytest.mark.parametrize(
    ("channel", "options", "sentence"),
    [
        ("inphase", {}, "Invalid channel: 'inphase' was given. The readings carry: eca"),
        ("eca", {"method": "magic"}, "Invalid method: 'magic' was given. It must be one of: cubic, linear, sinc"),
        ("eca", {"max_gap_m": 0}, "Invalid largest gap: 0 was given. It must be above zero"),
    ],
)
def test_wrong_options_fail_with_a_sentence(channel, options, sentence):
    readings = grid(hills)
    with pytest.raises(EngineError, match=sentence):
        interpolate_readings(readings, channel, covering(readings), **options)


def test_progress_can_stop_the_run():
    class StopHere(Exception):
        pass

    def stop(fraction):
        assert 0 <= fraction <= 1
        raise StopHere

    readings = grid(hills)
    with pytest.raises(StopHere):
        interpolate_readings(readings, "eca", covering(readings), progress=stop)


def test_places_that_are_not_sure_count_by_the_slope():
    """Arithmetic: on a plane of 0.5 a metre along the lines, places sure to 0.1 m leave values sure to 0.05."""
    readings = grid(lambda x, y: 7.5 + 0.5 * y + 0.2 * x, noise=0.1, seed=8)
    sure, unsure = (
        interpolate_readings(readings.replace(se={"v_m": np.full(len(readings), error)}), "eca", covering(readings))
        for error in (0.0, 0.1)
    )
    np.testing.assert_array_equal(sure.values, unsure.values)
    more = unsure.standard_error**2 - sure.standard_error**2
    # Noise that is left gives the slope of any two nodes an error, which adds to the mean square.
    assert np.nanmean(more[4:-4, 4:-4]) == pytest.approx(0.05**2, rel=0.25)
    assert np.nanmin(more) > -1e-12


@pytest.mark.parametrize(("method", "missing", "halfway"), [("cubic", 1.3226, 0.7561), ("linear", 0.5, 0.5)])
def test_noise_alone_is_let_through_as_theory_says(method, missing, halfway):
    """Flat ground: where every fourth line is missing, and half-way between lines, against what is on lines.

    ``missing`` and ``halfway`` are sums of squares of cardinal splines: through evenly spaced knots without the middle
    one there, and half-way between knots.
    """
    out = np.arange(6, 76, 4)
    readings = grid(constant, size=40.0, noise=0.2, seed=6)
    lattice = Lattice.covering(X0, Y0, X0 + 40.0, Y0 + 40.0, 0.5)
    kept = interpolate_readings(readings.take(~np.isin(readings.line, out)), "eca", lattice, method=method)
    # Cells have their middle on lines, after a shift half-way between them.
    shifted = grid(constant, corner=(0.25, 0.0), size=40.0, noise=0.2, seed=6)
    between = interpolate_readings(shifted, "eca", lattice, method=method)
    inner = slice(4, -4)
    on_lines = np.mean(kept.standard_error[inner, out + 1] ** 2)
    # The error at a missing line is estimated from the residuals of as many lines less noise of a fifth as much, which
    # has an error of its own. 18 lines of 72 cells: sqrt(2 / 1296) = 4 % for a variance, thrice that for all of it.
    assert np.mean(kept.standard_error[inner, out - 1] ** 2) / on_lines == pytest.approx(missing, rel=0.12, abs=0.12)
    assert np.mean(between.standard_error[inner, inner] ** 2) / on_lines == pytest.approx(halfway, rel=0.12)
    for result, columns in ((kept, out - 1), (between, inner)):
        share, squares = calibration(result.values[inner, columns], result.standard_error[inner, columns], 7.5)
        # Binomial: sqrt(0.954 * 0.046 / 1296) = 0.6 %.
        assert share == pytest.approx(0.954, abs=0.025)
        assert squares == pytest.approx(1.0, abs=0.24)


def test_beyond_the_outer_line_the_standard_error_grows_and_covers():
    """Noise alone: 0.4 spacings outside of the outer line its variance is (1 + 2.5 * 0.4)^2 = 4 times as large."""
    readings = grid(constant, size=20.0, noise=0.2, seed=8)
    lattice = Lattice.covering(X0, Y0, X0 + 20.0, Y0 + 20.0, 0.1)
    result = interpolate_readings(readings, "eca", lattice)
    # Lines lie 0.25, 0.75 ... m from the edge: in the middle of the third column, 0.2 m from that of the first.
    inner = slice(10, -10)
    variance = result.standard_error[inner] ** 2
    for outer, on_line in ((0, 2), (-1, -3)):
        assert np.mean(variance[:, outer]) / np.mean(variance[:, on_line]) == pytest.approx(4.0, rel=0.1)
        covered, _ = calibration(result.values[inner, outer], result.standard_error[inner, outer], 7.5)
        assert covered >= 0.93


@pytest.mark.parametrize("method", ["cubic", "linear"])
def test_beyond_the_outer_line_the_error_of_what_is_measured_counts(method):
    """A field that changes from line to line: errors there are as large as said, though there is hardly any noise."""
    errors, said = [], []
    for number in range(12):
        readings = grid(features, corner=(0.37 * number, 0.0), spacing=1.0, noise=0.02, seed=number)
        lattice = Lattice.covering(*np.array([0.0, 0.0, 10.0, 10.0]) + [X0, Y0, X0, Y0], 0.25)
        moved = readings.replace(x=readings.x - 0.37 * number)
        result = interpolate_readings(moved, "eca", lattice, method=method)
        true = features(*np.meshgrid(lattice.x - X0 + 0.37 * number, lattice.y - Y0))
        for outer in (0, -1):
            errors.append((result.values - true)[8:-8, outer])
            said.append(result.standard_error[8:-8, outer])
    # Some 24 edges of some four independent pieces each, errors with a heavy tail: half and twice are far outside.
    assert 0.5 < np.sqrt(np.mean(np.square(errors)) / np.mean(np.square(said))) < 2.0


def pits(walk, seed):
    """Return a site of 20 m with geology and a dozen pits, and its readings on lines half a metre from each other."""
    rng = np.random.default_rng(seed)
    ground = walk.geology(20.0, rng)
    u, v = ground.axes
    for _ in range(12):
        middle = rng.uniform(0, 20, 2)
        inside = np.hypot(u - middle[0], v - middle[1]) < rng.uniform(0.4, 1.2)
        ground.add(inside, rng.choice([-1, 1]) * rng.uniform(1, 4))
    return ground, walk.walk(ground, rng, walk.Faults(noise=0.05)).readings


MISSING = {"one": (17,), "every fourth": tuple(range(5, 38, 4)), "two beside each other": (8, 9, 20, 21, 31, 32)}


@pytest.mark.parametrize("missing", MISSING)
@pytest.mark.parametrize("method", ["cubic", "linear", "sinc"])
def test_standard_errors_are_as_large_as_the_errors(walk, method, missing):
    """Pits on quiet ground: where lines are missing, half-way between lines that are there, and over the whole map."""
    out = np.array(MISSING[missing])
    figures = {"missing": [], "halfway": [], "map": []}
    for seed in range(100, 106):
        ground, readings = pits(walk, seed)
        kept = readings.take(~np.isin(readings.line, out))
        for cell_m in (0.5, 0.2):
            lattice = Lattice.covering(0.0, 0.0, 20.0, 20.0, cell_m)
            result = interpolate_readings(kept, "eca", lattice, method=method)
            v, u = np.meshgrid(lattice.y, lattice.x, indexing="ij")
            three = np.stack([result.values, result.standard_error, ground.at(u, v)])
            if cell_m == 0.5:
                figures["missing"].append(three[:, :, out - 1])
                continue
            # Cells of 0.2 m have their middle half-way between lines at 0.5, 1.5, 2.5 ... m.
            halfway = np.arange(2, 100, 5)
            line = np.rint(lattice.x[halfway] / 0.5).astype(int)
            halfway = halfway[~np.isin(line, out) & ~np.isin(line + 1, out)]
            figures["halfway"].append(three[:, 3:-3, halfway])
            figures["map"].append(three)
    # Totals of squares: some 20 independent pieces a line, errors with a heavy tail (kurtosis 15 at pits' edges) here
    # and there: with 6 sites of 9 lines sqrt(2 * 15 / 1080) = 17 %, with one or two lines 50 %; thrice that. Of normal
    # errors 95.4 % are covered, of 720 pieces 0.8 % more or less; a heavy tail leaves more of the others near zero. One
    # line at 6 sites is 120 pieces: 1.9 % more or less.
    for name, parts in figures.items():
        covered, squares = calibration(*np.concatenate(parts, axis=2))
        by_power = missing == "two beside each other" and name != "halfway"
        few = (missing, name) == ("one", "missing")
        most = 3.0 if by_power or few else 1.5
        assert 0.90 <= covered <= (1.0 if by_power or few else 0.99)
        assert 1 / most <= squares <= most


@pytest.mark.parametrize("method", ["cubic", "linear", "sinc", "minimum curvature", "kriging"])
def test_standard_errors_cover_the_ground_of_lines_left_out(walk, method):
    """Every eighth line left out whole; readings left out singly would lie between neighbours on their own line."""
    out, lattice = np.arange(5, 38, 8), Lattice.covering(0.0, 0.0, 20.0, 20.0, 0.5)
    covered = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        ground = walk.site(20.0, rng)
        readings = walk.walk(ground, rng, walk.Faults(noise=0.15)).readings
        result = interpolate_readings(readings.take(~np.isin(readings.line, out)), "eca", lattice, method=method)
        # Lines lie in the middle of columns of cells; rows count from the north.
        value, error = (table[::-1, out - 1] for table in (result.values, result.standard_error))
        v, u = np.meshgrid(lattice.y[::-1], (out - 0.5) / 2, indexing="ij")
        covered.append(np.mean(np.abs(value - ground.at(u, v)) <= 2 * error))
    # Two standard errors hold 95 % of normal deviates, of deviates with a heavy tail (iron, edges) more than 89 %
    # (Vysochanskij and Petunin, 1980, for one peak: 1 - 4 / 9 / 2^2). The lines of one site are off together.
    assert np.mean(covered) >= 0.89
