"""Alignment: the lag that was put in comes out, and what is not proven is not moved."""

import json

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from turnrow.processing_provider.engine.align import walk as _walking
from turnrow.processing_provider.engine.align import walk_equations as _walk_equations
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.flag.outliers import flag_outliers


def walked(walk, seed, faults, size=20.0, **options):
    rng = np.random.default_rng(seed)
    return walk.walk(walk.site(size, rng), rng, faults, **options)


def with_values(readings, values):
    return readings.replace(channels={"eca": values})


def test_lag_of_a_quarter_second_moves_each_line_by_a_quarter_metre(walk):
    # Arithmetic: 0.25 s at 1 m/s puts each line off by 0.25 m, neighbours 0.50 m apart (4 readings at 8/s).
    readings = walked(walk, 1, walk.Faults()).readings
    moved, record = align_opposing(readings, shift_m=-0.25, per_traverse=False)
    np.testing.assert_allclose(moved.v_m - readings.v_m, -0.25 * readings.heading, atol=1e-12)
    assert record.figures.shift_m == -0.25


@pytest.mark.parametrize("lag", [0.25, -0.4])
def test_lag_comes_out_of_noise_free_lines(walk, lag):
    _, record = align_opposing(walked(walk, 1, walk.Faults(lag_m=lag)).readings)
    figures = record.figures
    assert figures.shift_m == pytest.approx(-lag, abs=max(0.02, 2 * figures.shift_error_m))
    assert figures.correlation_after > figures.correlation_before


def test_lag_comes_out_of_ordinary_walks_with_an_honest_error(walk):
    errors, claimed = [], []
    for seed in range(12):
        lag = np.random.default_rng(seed).uniform(0.15, 0.6)
        figures = align_opposing(walked(walk, seed, walk.usual(lag)).readings)[1].figures
        errors.append(figures.shift_m + lag)
        claimed.append(figures.shift_error_m)
    ratio = np.array(errors) / claimed
    assert np.median(np.abs(errors)) <= 0.02
    # Chi-square of 12 degrees of freedom over 12: 99.9 % of it lies within 0.18 and 2.74.
    assert 0.18 < np.mean(ratio**2) < 2.74


def test_stripes_and_the_offset_between_directions_do_not_bias(walk):
    readings = walked(walk, 2, walk.Faults(lag_m=0.3, noise=0.1)).readings
    stripes = np.random.default_rng(9).normal(0, 5, 41)[readings.line] + 10 * readings.heading
    plain = align_opposing(readings)[1].figures
    striped = align_opposing(with_values(readings, readings.channels["eca"] + stripes))[1].figures
    assert striped.shift_m == pytest.approx(plain.shift_m, abs=1e-6)


def test_iron_does_not_decide(walk):
    readings = walked(walk, 2, walk.Faults(lag_m=0.3, noise=0.1)).readings
    values = readings.channels["eca"].copy()
    for line, v in ((10, 4.0), (11, 5.5), (25, 12.0), (26, 11.0)):
        values += 500 * np.exp(-(((readings.v_m - v) / 0.3) ** 2)) * (readings.line == line)
    figures = align_opposing(with_values(readings, values))[1].figures
    assert figures.shift_m == pytest.approx(-0.3, abs=0.05)


def test_a_lag_is_looked_for_as_far_as_two_readings_reach(walk):
    """Readings 1 m from each other over waves that differ from line to line; the lag is 1.5 m by construction."""
    u, v = (a.ravel() for a in np.meshgrid(np.arange(24.0), np.arange(0.5, 60.0), indexing="ij"))
    heading = 1 - 2 * (u.astype(int) % 2)
    true_v = v - 1.5 * heading
    eca = sum(
        np.sin(2 * np.pi * (true_v * c + u * s) / 10 + p) for c, s, p in ((1, 0.1, 0), (0.8, -0.2, 1), (0.6, 0.3, 2))
    )
    eca += np.random.default_rng(4).normal(0, 0.05, len(v))
    lines = Readings.build(u, {"eca": eca}, u_m=u, v_m=v, heading=heading)
    figures = align_opposing(lines, per_traverse=False)[1].figures
    assert figures.shift_m == pytest.approx(-1.5, abs=0.1), figures


def test_noise_alone_moves_nothing(walk):
    for seed in range(6):
        rng = np.random.default_rng(seed)
        readings = walk.walk(walk.Field(20.0), rng, walk.Faults(noise=0.2)).readings
        moved, record = align_opposing(readings)
        np.testing.assert_array_equal(moved.v_m, readings.v_m)
        assert "do not correlate significantly" in record.figures.remark


def test_constant_values_move_nothing(walk):
    readings = walk.walk(walk.Field(10.0), np.random.default_rng(0), walk.Faults()).readings
    moved, record = align_opposing(readings)
    np.testing.assert_array_equal(moved.v_m, readings.v_m)
    assert record.figures.remark == "No line has an opposite neighbour with contrast: nothing to align."


def test_a_shift_within_two_standard_errors_is_told_but_not_applied(walk):
    readings = walked(walk, 3, walk.Faults(noise=0.15, lag_jitter_m=0.06, ends_m=0.1)).readings
    moved, record = align_opposing(readings, per_traverse=False)
    figures = record.figures
    assert abs(figures.estimate_m) <= 2 * figures.shift_error_m
    assert figures.shift_m == 0
    assert "is within two standard errors" in figures.remark
    np.testing.assert_array_equal(moved.v_m, readings.v_m)


def test_a_peak_at_the_end_of_the_search_range_moves_nothing(walk):
    # A ditch across all lines, 1.15 m off each way: the correlation still rises where the search for 1 m ends.
    field = walk.Field(20.0)
    field.add(np.abs(field.axes[1] - 10) < 0.5, 4.0)
    readings = walk.walk(field, np.random.default_rng(1), walk.Faults(lag_m=1.15, noise=0.05)).readings
    moved, record = align_opposing(readings)
    assert "lies at the end of the search range" in record.figures.remark
    np.testing.assert_array_equal(moved.v_m, readings.v_m)


def test_aligning_twice_changes_nothing_within_the_error(walk):
    once, first = align_opposing(walked(walk, 4, walk.usual(0.45)).readings)
    _, second = align_opposing(once)
    assert abs(second.figures.estimate_m) <= 2 * first.figures.shift_error_m


def test_mirrored_input_gives_mirrored_output(walk):
    readings = walked(walk, 5, walk.Faults(lag_m=0.3, noise=0.1)).readings
    shift = align_opposing(readings)[1].figures.shift_m
    across = align_opposing(readings.replace(u_m=20.0 - readings.u_m))[1].figures.shift_m
    along = align_opposing(readings.replace(v_m=20.0 - readings.v_m, heading=-readings.heading))[1].figures
    turned = align_opposing(readings.replace(heading=-readings.heading))[1].figures.shift_m
    # Other pairs fall into the blocks, but the estimate itself is the same.
    assert across == pytest.approx(shift, abs=1e-9)
    assert along.shift_m == pytest.approx(shift, abs=1e-9)
    assert turned == pytest.approx(-shift, abs=1e-9)


def test_flagged_readings_do_not_count_but_move_along(walk):
    readings = walked(walk, 6, walk.Faults(lag_m=0.3, noise=0.1)).readings.with_flag("outlier", np.arange(0, 6400, 97))
    wild = readings.channels["eca"].copy()
    wild[readings.flag != 0] = 1e4
    plain, record = align_opposing(readings, per_traverse=False)
    moved, other = align_opposing(with_values(readings, wild), per_traverse=False)
    assert other.figures == record.figures
    np.testing.assert_allclose(moved.v_m - readings.v_m, record.figures.shift_m * readings.heading, atol=1e-12)
    np.testing.assert_array_equal(plain.v_m, moved.v_m)


def test_input_stays_as_it_was(walk):
    readings = walked(walk, 6, walk.Faults(lag_m=0.3, noise=0.1), overrun=4).readings
    v, flag = readings.v_m.copy(), readings.flag.copy()
    align_opposing(readings)
    np.testing.assert_array_equal(readings.v_m, v)
    np.testing.assert_array_equal(readings.flag, flag)


@pytest.mark.parametrize("mirror", [1, -1])
def test_points_on_the_map_move_along_the_frame(walk, mirror):
    readings = walked(walk, 1, walk.Faults(), size=10.0).readings
    angle, east, north = np.radians(30.0), 512345.0, 5412345.0
    x = east + readings.u_m * np.cos(angle) - mirror * readings.v_m * np.sin(angle)
    y = north + readings.u_m * np.sin(angle) + mirror * readings.v_m * np.cos(angle)
    moved, _ = align_opposing(readings.replace(x=x, y=y), shift_m=0.2, per_traverse=False)
    np.testing.assert_allclose(moved.x - x, -mirror * np.sin(angle) * 0.2 * readings.heading, atol=1e-6)
    np.testing.assert_allclose(moved.y - y, mirror * np.cos(angle) * 0.2 * readings.heading, atol=1e-6)


def test_readings_cross_the_edges_of_the_grid(walk):
    # 8 readings a metre, 4 of them beyond each edge: a shift of 0.25 m takes 2 out at one end, 2 in at the other.
    readings = walked(walk, 1, walk.Faults(), size=10.0, overrun=4).readings
    moved, record = align_opposing(readings, shift_m=0.25, per_traverse=False)
    figures = record.figures
    assert (figures.came_in, figures.went_out) == (2 * 20, 2 * 20)
    assert moved.flag_counts() == readings.flag_counts()
    inside = moved.v_m[moved.in_use]
    assert (inside.min(), inside.max()) == (0.0625, 9.9375)
    void = readings.with_flag("void", readings.has_flag("overrun"))
    assert align_opposing(void, shift_m=0.25, per_traverse=False)[1].figures.came_in == 0


def test_one_way_grids_are_left_alone(walk):
    readings = walked(walk, 1, walk.Faults(lag_m=0.3), size=10.0, one_way=True).readings
    moved, record = align_opposing(readings)
    # Neighbours show that the lines lie evenly; what moves is within the standard error of a line by itself.
    assert rms(moved.v_m - readings.v_m) < 0.02
    assert record.figures.shift_m == 0
    assert record.table[0].remark == "All lines were walked in the same direction: nothing to align."


def test_grids_are_pooled_and_the_one_way_grid_moves_with_them(walk):
    faults = walk.Faults(lag_m=0.3, noise=0.15, lag_jitter_m=0.06)
    grids = [walked(walk, seed, faults, grid=name).readings for seed, name in ((1, "A"), (2, "B"))]
    lone = walked(walk, 3, faults, grid="C", one_way=True).readings
    alone = align_opposing(grids[0])[1].figures
    moved, record = align_opposing(concatenate([*grids, lone]), per_traverse=False)
    assert json.loads(json.dumps(record.as_json())) == record.as_json()
    assert record.figures.pairs == 2 * 39
    assert record.figures.shift_m == pytest.approx(-0.3, abs=0.03)
    assert record.figures.shift_error_m < alone.shift_error_m
    # The lag is the instrument's: a grid walked one way is displaced by it, though it shows no stagger.
    shift = record.figures.shift_m
    np.testing.assert_allclose(moved.v_m[-len(lone) :], lone.v_m + lone.heading * shift, atol=1e-12)


def test_weaker_channels_count_less(walk):
    readings = walked(walk, 1, walk.Faults(lag_m=0.3, noise=0.1)).readings
    noise = np.random.default_rng(0).normal(size=len(readings))
    both = readings.replace(channels={"eca": readings.channels["eca"], "inphase": 100 * noise})
    shift = align_opposing(both)[1].figures.shift_m
    assert shift == pytest.approx(align_opposing(readings)[1].figures.shift_m, abs=0.01)


def test_a_shift_that_is_no_number_is_told(walk):
    with pytest.raises(EngineError, match="Invalid shift_m: 'far' was given. It must be a number."):
        align_opposing(walked(walk, 1, walk.Faults(), size=10.0).readings, shift_m="far")


UNEVEN = {"ends_m": 0.12, "pace_m": 0.15, "lag_jitter_m": 0.06}


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def off(readings, walk):
    """How far the readings in use lie from where they were taken."""
    return (readings.v_m - walk.true_v)[readings.in_use]


def ditch(walk, degrees, size=20.0):
    """A straight ditch; the angle is the one to the traverses."""
    field = walk.Field(size)
    u, v = field.axes
    angle = np.radians(degrees)
    away = np.abs((u - size / 2) * np.cos(angle) - (v - size / 2) * np.sin(angle))
    return field.add(away < 0.6, 3.0)


def test_each_line_comes_nearer_to_where_it_was_walked_and_the_error_is_honest(walk):
    before, after, covered, by_reading = [], [], [], []
    for seed in range(40, 48):
        lag = np.random.default_rng(seed).uniform(0.15, 0.6)
        site = walked(walk, seed, walk.usual(lag))
        readings = flag_outliers(site.readings)[0]
        common, _ = align_opposing(readings, per_traverse=False)
        moved, record = align_opposing(readings)
        before.append(rms(off(common, site)))
        after.append(rms(off(moved, site)))
        error = {row.line: row.standard_error_m for row in record.lines}
        allowed = 2 * np.array([error[line] for line in moved.line[moved.in_use]])
        covered.append(np.mean(np.abs(off(moved, site)) < allowed))
        by_reading.append(np.mean(np.abs(off(moved, site)) < 2 * moved.se["v_m"][moved.in_use]))
    # Truth known to the simulator. Even with the ground itself known some 0.09 m remain: there is not contrast
    # everywhere along a line.
    assert np.median(after) < 0.75 * np.median(before)
    assert np.all(np.array(after) < before)
    # A Gaussian has 95.4 % within two standard errors.
    assert 0.90 <= np.mean(covered) <= 0.98
    assert 0.90 <= np.mean(by_reading) <= 0.98


def test_ties_help_to_place_the_lines_that_they_cross(walk):
    with_ties, without = [], []
    for seed in range(40, 52):
        site = walked(walk, seed, walk.usual(0.3), ties=(20 / 6, 10.0, 100 / 6))
        readings = flag_outliers(site.readings)[0]
        survey = readings.kind == kind_code("survey")
        for errors, part in ((with_ties, readings), (without, readings.take(survey))):
            moved, _ = align_opposing(part)
            found = moved.take(moved.kind == kind_code("survey"))
            true = site.field.at(site.true_u[survey], site.true_v[survey])
            wrong = site.field.at(site.true_u[survey], found.v_m) - true
            errors.append(np.var(wrong[found.in_use]))
    # What a map is off by for readings that are not where they are said to be: three ties tell of a tenth of it.
    assert np.mean(with_ties) < 0.9 * np.mean(without)
    # One of two directions of chance has twelve trials: nine successes or more have a probability of 7 %.
    assert np.count_nonzero(np.less(with_ties, without)) >= 9


def test_ties_on_flat_ground_move_nothing(walk):
    flat = walk.walk(walk.Field(20.0), np.random.default_rng(3), walk.Faults(noise=0.15, stripe=0.5),
                     ties=(20 / 6, 10.0, 100 / 6))  # fmt: skip
    moved, _ = align_opposing(flat.readings)
    np.testing.assert_array_equal(moved.v_m, flat.readings.v_m)


@pytest.mark.parametrize("degrees", [10, 45, 80])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_a_straight_ditch_is_not_bent(walk, degrees, noise):
    # Nothing is wrong here, so every move is an error: it must lie within the standard error that is told.
    readings = walk.walk(ditch(walk, degrees), np.random.default_rng(1), walk.Faults(noise=noise)).readings
    moved, record = align_opposing(readings, shift_m=0.0)
    claimed = record.figures.position_error_m
    assert rms(moved.v_m - readings.v_m) <= claimed
    assert rms(moved.v_m - readings.v_m) < 0.05


@pytest.mark.parametrize("noise", [0.0, 0.15])
def test_evenly_walked_lines_stay(walk, noise):
    for seed in range(3):
        readings = walked(walk, seed, walk.Faults(noise=noise)).readings
        moved, record = align_opposing(readings, shift_m=0.0)
        assert rms(moved.v_m - readings.v_m) < 0.02
        # Well below the 0.2 m of an ordinary walk (0.12, 0.15 and 0.06 m together).
        assert record.figures.per_traverse_sd_m < 0.06


def test_amplitudes_stay(walk):
    site = walked(walk, 5, walk.Faults(noise=0.1, **UNEVEN))
    moved, _ = align_opposing(site.readings, shift_m=0.0)
    np.testing.assert_array_equal(moved.channels["eca"], site.readings.channels["eca"])


def test_lines_without_contrast_stay(walk):
    # Two halves of one grid: features on the left, nothing on the right.
    field = walk.Field(20.0)
    u, v = field.axes
    for k in range(6):
        field.add((np.hypot(u - 1.5 - k, v - 3 * k - 2) < 0.8) & (u < 9), 4.0)
    faults = walk.Faults(noise=0.05, **UNEVEN)
    site = walk.walk(field, np.random.default_rng(3), faults)
    moved, record = align_opposing(site.readings, shift_m=0.0)
    bare = {row.line for row in record.lines if row.line > 26}
    assert not any(row.moved for row in record.lines if row.line in bare)
    still = np.isin(moved.line, list(bare))
    np.testing.assert_array_equal(moved.v_m[still], site.readings.v_m[still])
    assert record.figures.lines_moved > 5
    inside = np.isin(site.readings.line, range(3, 14)) & moved.in_use
    assert rms((moved.v_m - site.true_v)[inside]) < rms((site.readings.v_m - site.true_v)[inside])


def test_walking_twice_changes_little(walk):
    once, first = align_opposing(walked(walk, 4, walk.usual(0.45)).readings)
    twice, _ = align_opposing(once, shift_m=0.0)
    both = once.in_use & twice.in_use
    assert rms((twice.v_m - once.v_m)[both]) < first.figures.position_error_m


def test_mirrored_grid_gives_mirrored_moves(walk):
    readings = walked(walk, 5, walk.Faults(noise=0.1, **UNEVEN)).readings
    plain = align_opposing(readings, shift_m=0.0)[0].v_m
    along = align_opposing(readings.replace(v_m=20.0 - readings.v_m), shift_m=0.0)[0].v_m
    # The nodes lie elsewhere in the mirrored grid: half a node of 0.375 m, over which a walk changes little.
    assert rms((20.0 - along) - plain) < 0.03
    assert rms(plain - readings.v_m) > 0.06


def test_flagged_readings_do_not_pull_a_line(walk):
    readings = walked(walk, 6, walk.Faults(noise=0.1, **UNEVEN)).readings.with_flag("outlier", np.arange(0, 6400, 97))
    wild = readings.channels["eca"].copy()
    wild[readings.flag != 0] = 1e4
    plain, other = (align_opposing(r, shift_m=0.0)[0] for r in (readings, with_values(readings, wild)))
    np.testing.assert_array_equal(plain.v_m, other.v_m)


def test_offsets_of_lines_do_not_move_them(walk):
    readings = walked(walk, 6, walk.Faults(noise=0.1, **UNEVEN)).readings
    stripes = np.random.default_rng(9).normal(0, 5, 41)[readings.line] + 10 * readings.heading
    plain, striped = (
        align_opposing(r, shift_m=0.0)[0] for r in (readings, with_values(readings, readings.channels["eca"] + stripes))
    )
    np.testing.assert_allclose(striped.v_m, plain.v_m, atol=1e-6)


def test_gaps_and_missing_lines_are_walked_over(walk):
    site = walked(walk, 7, walk.Faults(noise=0.1, **UNEVEN))
    hole = (np.abs(site.readings.u_m - 8) < 2) & (np.abs(site.readings.v_m - 10) < 3)
    readings = site.readings.with_flag("obstacle", hole).with_flag("void", site.readings.line == 30)
    moved, record = align_opposing(readings, shift_m=0.0)
    assert np.all(np.isfinite(moved.v_m))
    assert rms(off(moved, site)) < rms(off(readings, site))
    assert {row.line for row in record.lines} == set(range(1, 41)) - {30}


def test_a_line_walked_in_two_recordings_gets_two_walks(walk):
    site = walked(walk, 8, walk.Faults(noise=0.1, **UNEVEN))
    run = np.where((site.readings.line == 12) & (site.readings.v_m > 10), 2, 1).astype(np.int32)
    moved, record = align_opposing(site.readings.replace(run=run), shift_m=0.0)
    assert sorted(row.run for row in record.lines if row.line == 12) == [1, 2]
    assert rms(off(moved, site)) < rms(off(site.readings, site))


def test_the_order_along_a_line_stays(walk):
    faults = walk.Faults(noise=0.1, ends_m=0.5, pace_m=0.6)
    readings = walked(walk, 9, faults).readings
    moved, _ = align_opposing(readings, shift_m=0.0)
    for run in moved.runs():
        steps = np.diff(moved.v_m[run.rows]) * readings.heading[run.rows[0]]
        assert np.all(steps >= 0)


def test_every_channel_counts_and_all_move_together(walk):
    site = walked(walk, 10, walk.Faults(noise=0.3, **UNEVEN))
    value, noise = site.field.at(site.true_u, site.true_v), np.random.default_rng(0).normal(0, 0.3, 6400)
    both = site.readings.replace(channels={"eca": site.readings.channels["eca"], "deep": value + noise})
    one, _ = align_opposing(both, channels=["eca"], shift_m=0.0)
    two, record = align_opposing(both, shift_m=0.0)
    assert rms(off(two, site)) < rms(off(one, site))
    assert json.loads(json.dumps(record.as_json())) == record.as_json()


def test_walks_cross_the_edges_of_the_grid(walk):
    site = walked(walk, 4, walk.usual(0.3), overrun=8)
    moved, record = align_opposing(site.readings)
    figures = record.figures
    assert figures.came_in == np.count_nonzero(site.readings.has_flag("overrun") & moved.in_use)
    assert figures.went_out == np.count_nonzero(site.readings.in_use & moved.has_flag("overrun"))
    inside = moved.v_m[moved.in_use]
    assert 0.0 <= inside.min()
    assert inside.max() <= 20.0
    assert figures.came_in > 0
    assert figures.went_out > 0


def test_normal_equations_in_blocks_are_those_of_a_dense_solver(walk):
    # numpy.linalg.inv of the whole matrix; two lines lie at one place, so groups differ in size.
    rng = np.random.default_rng(0)
    side = np.array([[-1, 0, 0, 1, 3, 4, 5], [2, 3, 3, 4, 5, 6, -1]])
    place = np.array([0, 1, 1, 2, 3, 4, 5])
    precision, slope, misfit, before, after = rng.uniform(0.5, 1, (5, 7, 12))
    shapes = rng.normal(size=(12, 3))
    parts = (-np.ones((7, 12)), before * (side[0] >= 0)[:, None], after * (side[1] >= 0)[:, None])
    misfits = _walk_equations.Misfits(precision * slope * misfit, precision * slope**2, np.stack(parts))
    found, covariance = _walk_equations.NormalEquations(place, side, shapes).solve([misfits], np.zeros((7, 3)), 2.0)
    change = np.zeros((7, 12, 7, 3))
    for i in range(7):
        for line, part in zip((i, *side[:, i]), parts):
            if line >= 0:
                change[i, :, line] += (slope * part)[i][:, None] * shapes
    change = change.reshape(84, 21)
    inverse = np.linalg.inv(change.T @ (precision.reshape(-1, 1) * change) + 0.5 * np.eye(21))
    solution = -inverse @ change.T @ (precision * misfit).ravel()
    np.testing.assert_allclose(found.ravel(), solution, atol=1e-12)
    np.testing.assert_allclose(covariance, [inverse[k : k + 3, k : k + 3] for k in range(0, 21, 3)], atol=1e-12)


def test_shapes_of_a_walk_carry_the_usual_errors(walk):
    # Theory: independent ends of 0.12 m on a common lag of 0.06 m, no wander at the ends; 0.15 m of it in between.
    v = np.arange(54) * 0.375
    shapes = _walking.walk_shapes(v)
    prior = shapes @ shapes.T
    ends = [0, -1]
    np.testing.assert_allclose(np.diag(prior)[ends], 0.12**2 + 0.06**2, rtol=1e-3)
    assert prior[0, -1] == pytest.approx(0.06**2, rel=1e-3)
    wander = shapes[:, 2:]
    # All of its variance but 0.2 % is kept.
    assert 0.998 * 0.15**2 <= np.mean(np.sum(wander**2, axis=1)) <= 0.15**2 * (1 + 1e-9)


def test_sizes_of_the_kinds_of_shapes_come_out_of_known_weights():
    # Theory: without errors of estimation the variance of 4000 normal weights is known to sqrt(2 / 4000) = 2.2 %.
    true = np.array([1.0, 1.0, 0.5, 0.05, 0.05, 0.05])
    weight = np.random.default_rng(0).normal(size=(4000, 6)) * np.sqrt(true)
    size = _walking._sizes(weight, np.zeros((4000, 6, 6)), np.ones(6)) / _walking.UNSEEN
    np.testing.assert_allclose(size, true, rtol=4 * np.sqrt(2 / 4000))


def test_kinds_of_shapes_that_nothing_tells_about_are_as_large_as_the_others():
    # The bow and what is rougher stay as uncertain as they were; shift and stretch are seen to be 0.3.
    covariance = np.zeros((500, 5, 5))
    covariance[:, [2, 3, 4], [2, 3, 4]] = 1.0
    weight = np.zeros((500, 5))
    weight[:, :2] = np.sqrt(0.3) * np.array([[1.0, -1.0]])
    size = _walking._sizes(weight, covariance, np.ones(5))
    np.testing.assert_allclose(size, 0.3 * _walking.UNSEEN, rtol=1e-9)


def test_few_lines_draw_the_sizes_of_shapes_to_a_common_one():
    # A scaled inverse chi-squared prior of 20 degrees of freedom about the common variance (Gelman and others, Bayesian
    # Data Analysis, section 2.6; from memory): the largest posterior density, looked for numerically.
    rng = np.random.default_rng(1)
    weight = rng.normal(size=(6, 5)) * np.sqrt([1.0, 1.0, 0.2, 0.05, 0.05])
    found = _walking._sizes(weight, np.zeros((6, 5, 5)), np.ones(5)) / _walking.UNSEEN
    common = np.mean(weight**2)
    for shapes in ([0, 1], [2], [3, 4]):
        square, count = np.sum(weight[:, shapes] ** 2), 6 * len(shapes)

        def density(log_size, square=square, count=count):
            return 0.5 * (count + 20.0) * log_size + 0.5 * (square + 20.0 * common) * np.exp(-log_size)

        largest = minimize_scalar(density, bounds=(-8, 4), method="bounded", options={"xatol": 1e-8}).x
        np.testing.assert_allclose(found[shapes], np.exp(largest), rtol=1e-5)


def test_lines_walked_in_bows_come_nearer_and_the_error_is_honest(walk):
    # Truth: each line is a half-sine off, 0.15 m of standard deviation in its middle, and nothing else.
    before, after, covered = [], [], []
    for seed in range(60, 66):
        site = walked(walk, seed, walk.Faults())
        readings, rng = site.readings, np.random.default_rng(seed)
        bow = (0.15 * rng.normal(size=41))[readings.line] * np.sin(np.pi * readings.v_m / 20.0)
        value = site.field.at(readings.u_m, readings.v_m + bow) + rng.normal(0, 0.15, len(bow))
        moved, record = align_opposing(with_values(readings, value), shift_m=0.0)
        wrong = moved.v_m - readings.v_m - bow
        before.append(rms(bow))
        after.append(rms(wrong))
        claimed = {row.line: row.standard_error_m for row in record.lines}
        covered.append(np.mean(np.abs(wrong) < 2 * np.array([claimed[line] for line in readings.line])))
    assert np.all(np.array(after) < before)
    # A Gaussian has 95.4 % within two standard errors.
    assert np.mean(covered) >= 0.90
