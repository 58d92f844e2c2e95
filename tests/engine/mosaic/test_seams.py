"""Seams: grids come to one level, and nothing else changes."""

import json

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.mosaic.borders import borders_of
from turnrow.processing_provider.engine.mosaic.edge_steps import seams_of
from turnrow.processing_provider.engine.mosaic.line_segments import Segments, line_errors, segments_of, variogram_of
from turnrow.processing_provider.engine.mosaic.seams import MODELS, balance_grids

ADDED = np.array([1.0, 0.0, -2.0, 0.5])


def column(record, name):
    return np.array([getattr(row, name) for row in record.table])


def offsets(readings, **options):
    return column(balance_grids(readings, **options)[1], "offset")


def with_values(readings, values):
    return readings.replace(channels={"eca": values})


def quiet(walk):
    return walk.Faults(noise=0.15, stripe=0.2)


@pytest.fixture(scope="module")
def four(walk):
    """Two by two grids of 10 m with levels of their own."""
    walks = walk.block(np.random.default_rng(1), quiet(walk), across=2, size_m=10.0, level=1.0)
    return concatenate([w.readings for w in walks])


def side_by_side(walk, field, *, gap=0.0, faults=None, size=10.0, rate=8.0, spacing=0.5):
    """Two grids with common ground between them where the gap is negative; the seam runs along the traverses."""
    faults = quiet(walk) if faults is None else faults
    middle, parts = field.size_m / 2, []
    for name, start in (("A", middle - size - gap / 2), ("B", middle + gap / 2)):
        how = {"grid": name, "size_m": size, "start": (start, middle - size / 2), "rate": rate, "spacing": spacing}
        parts.append(walk.walk(field, np.random.default_rng(7), faults, **how).readings)
    return concatenate(parts)


def above_each_other(walk, step):
    """Two grids whose lines run on into the other one, which reads ``step`` higher."""
    field, parts = walk.site(20.0, np.random.default_rng(3)), []
    for k, name in enumerate("AB"):
        how = {"grid": name, "size_m": 10.0, "start": (0.0, 10.0 * k), "overrun": 8, "level": step * k}
        parts.append(walk.walk(field, np.random.default_rng(7 + k), walk.Faults(noise=0.05, stripe=0.05), **how))
    return concatenate([one.readings for one in parts])


# --- levels come off


@pytest.mark.parametrize("model", MODELS)
def test_levels_on_flat_ground_come_off_exactly(four, model):
    balanced, record = balance_grids(with_values(four, 15.0 + ADDED[four.grid]), model=model)
    # The widest prior of a level is 100 roughnesses. It pulls by the ratio of variances, 1e-3 for a level that is known
    # to three.
    np.testing.assert_allclose(balanced.channels["eca"], 15.0 + ADDED.mean(), atol=1e-3 * np.ptp(ADDED))
    np.testing.assert_allclose(column(record, "offset"), ADDED - ADDED.mean(), atol=1e-3 * np.ptp(ADDED))


def test_a_constant_added_to_grids_comes_off(walk):
    """Levels far above what lines are off are known by the seams; what is added to them comes off within its error."""
    walks = walk.block(np.random.default_rng(3), quiet(walk), across=3, size_m=10.0, level=3.0)
    readings = concatenate([w.readings for w in walks])
    added = np.resize(ADDED, 9)
    plain, higher = (
        balance_grids(with_values(readings, readings.channels["eca"] + factor * added[readings.grid]))[1]
        for factor in (0, 1)
    )
    # Equal numbers of readings: what is added to the mean of the grids stays.
    moved = column(higher, "offset") - column(plain, "offset") - (added - added.mean())
    assert np.all(np.abs(moved) < 2 * column(plain, "standard_error"))


def test_levels_are_found_within_their_errors(walk):
    ratio, left = [], []
    for seed in range(3):
        walks = walk.block(np.random.default_rng(seed), quiet(walk), across=3, size_m=10.0, level=1.25)
        readings = concatenate([w.readings for w in walks])
        truth = walks[0].field.at(readings.x, readings.y)
        record = balance_grids(readings)[1]
        level = np.bincount(readings.grid, (readings.channels["eca"] - truth) * readings.in_use)
        level = level / np.bincount(readings.grid, readings.in_use)
        off = column(record, "offset") - (level - level.mean())
        left.append(np.std(off) / np.std(level))
        ratio.append(off / column(record, "standard_error"))
    assert np.median(left) < 0.3
    # Grids on one side of a border err together: three times four borders. Chi-square of 12 is below 26.2 in 99 %.
    assert np.mean(np.square(ratio)) < 26.2 / 12


def test_the_mean_of_the_grids_stays(four):
    balanced = balance_grids(four)[0]
    used = four.in_use
    before, after = (np.mean(r.channels["eca"][used]) for r in (four, balanced))
    assert after == pytest.approx(before, abs=1e-9)


def test_the_fixed_grid_stays_and_the_others_keep_their_differences(four):
    balanced, record = balance_grids(four, fixed_grid="B1")
    np.testing.assert_array_equal(balanced.channels["eca"][four.grid == 2], four.channels["eca"][four.grid == 2])
    assert (record.table[2].standard_error, record.table[2].based_on) == (0.0, "fixed")
    free = offsets(four)
    np.testing.assert_allclose(column(record, "offset"), free - free[2], atol=1e-6)


@pytest.mark.parametrize("gap", [-2.0, -0.5, 0.0, 1.0, 2.0])
def test_gaps_and_overlaps_are_bridged(walk, gap):
    field = walk.Field(24.0)
    field.values = field.values + 0.05 * field.axes[0]
    readings = side_by_side(walk, field, gap=gap, faults=walk.Faults())
    higher = with_values(readings, readings.channels["eca"] + np.array([0.0, 3.0])[readings.grid])
    record = balance_grids(higher, fixed_grid="A")[1]
    row = record.table[1]
    # The slope of the ground goes on over the gap and is known from both sides.
    assert row.offset == pytest.approx(3.0, abs=2 * row.standard_error)
    assert row.standard_error < 1.0
    assert row.neighbours == 1


def test_grids_of_other_spacing_turned_against_each_other(walk):
    field = walk.geology(30.0, np.random.default_rng(3))
    faults = walk.Faults(noise=0.1)
    first = walk.walk(field, np.random.default_rng(4), faults, grid="A", size_m=12.0, start=(2.0, 8.0)).readings
    second = walk.walk(field, np.random.default_rng(5), faults, grid="B", size_m=12.0, spacing=1.0, rate=5.0).readings
    angle = 0.15
    u, v = second.u_m, second.v_m
    # The start corner lies near the edge of the first grid, which ends at x = 14; the edges part by 1.8 m over 12 m.
    x, y = 14.2 + u * np.cos(angle) + v * np.sin(angle), 9.0 - u * np.sin(angle) + v * np.cos(angle)
    values = field.at(x, y) + np.random.default_rng(6).normal(0, 0.1, len(x)) + 2.0
    second = second.replace(x=x, y=y, channels={"eca": values})
    record = balance_grids(concatenate([first, second]), fixed_grid="A")[1]
    row = record.table[1]
    assert row.offset == pytest.approx(2.0, abs=2 * row.standard_error)
    # One edge alone proves no step in ground that varies as much: it is said, or the grid has moved.
    assert row.standard_error < 1.0 or record.figures["eca"].open_steps


def test_a_slope_within_a_grid_gets_less(walk):
    field = walk.Field(30.0)
    walks = [
        walk.walk(field, np.random.default_rng(i), walk.Faults(noise=0.1, stripe=0.1), grid=str(i), size_m=10.0,
                  start=(10.0 * (i // 3), 10.0 * (i % 3))).readings
        for i in range(9)
    ]  # fmt: skip
    readings = concatenate(walks)
    tilt = np.where(readings.grid == 4, 0.1 * (readings.x - 15) - 0.05 * (readings.y - 15), 0.0)
    tilted = with_values(readings, readings.channels["eca"] + tilt)
    balanced = balance_grids(tilted, model="plane")[0]
    # A seam tells only differences of slopes, of which the neighbours take up a part.
    left, given = (np.std(r.channels["eca"][readings.grid == 4]) for r in (balanced, tilted))
    assert left < 0.8 * given


# --- gain


def overlapping(walk, gain):
    field = walk.site(20.0, np.random.default_rng(3))
    readings = side_by_side(walk, field, gap=-4.0, size=12.0)
    values = readings.channels["eca"]
    return with_values(readings, np.where(readings.grid == 1, 12.0 + gain * (values - 12.0), values))


def test_a_gain_is_recovered_in_an_overlap(walk):
    record = balance_grids(overlapping(walk, 1.1), model="offset and gain", fixed_grid="A")[1]
    np.testing.assert_allclose(column(record, "gain"), [1.0, 1.1], atol=0.03)
    free = column(balance_grids(overlapping(walk, 1.1), model="offset and gain")[1], "gain")
    assert free[1] / free[0] == pytest.approx(1.1, abs=0.03)


def test_a_gain_that_is_not_proven_is_left_alone(walk):
    for readings in (overlapping(walk, 1.0), side_by_side(walk, walk.geology(20.0, np.random.default_rng(2)))):
        record = balance_grids(readings, model="offset and gain")[1]
        np.testing.assert_allclose(column(record, "gain"), 1.0, atol=1e-6)
        np.testing.assert_allclose(column(record, "offset"), offsets(readings), atol=1e-6)


# --- nothing else changes


def test_grids_without_a_level_change_by_less_than_their_error(walk):
    ratio = []
    for seed in range(6):
        field = walk.geology(20.0, np.random.default_rng(seed))
        row = balance_grids(side_by_side(walk, field))[1].table[0]
        ratio.append(abs(row.offset) / row.standard_error)
    assert np.median(ratio) < 1
    assert max(ratio) < 2


@pytest.mark.parametrize("model", MODELS)
def test_a_plane_across_all_grids_is_ground(four, model):
    plane = with_values(four, 15.0 + 0.05 * four.x - 0.03 * four.y + ADDED[four.grid])
    np.testing.assert_allclose(offsets(plane, model=model), ADDED - ADDED.mean(), atol=1e-3 * np.ptp(ADDED))


def test_a_smooth_field_across_all_grids_is_ground(four):
    # Lines end 0.25 m and segments 0.25 m from a border: over 0.5 m, a swell of 1 mS/m and 8 m changes by 0.4 at most.
    swell = np.sin(2 * np.pi * four.x / 8.0 + 1.0) * np.cos(2 * np.pi * four.y / 8.0)
    assert np.max(np.abs(offsets(with_values(four, swell)))) < 0.5 * (2 * np.pi / 8.0) * 0.5


def drifted(walk, rng, sd=0.5):
    """Three by three grids on quiet ground, what is left of their drift a random walk from line to line."""
    steps = rng.normal(0, sd * np.sqrt(6.0 / 40), (9, 40))
    left = np.cumsum(steps, axis=1)
    walks = walk.block(rng, walk.Faults(noise=0.15), across=3, size_m=20.0, level=1.0)
    readings = concatenate([w.readings for w in walks])
    left = (left - left.mean(axis=1, keepdims=True))[readings.grid, readings.line - 1]
    truth = walks[0].field.at(readings.x, readings.y)
    return with_values(readings, readings.channels["eca"] + left), truth


def test_waves_across_the_lines_tell_what_is_left_of_drift(walk):
    ratio, found, matched = [], [], []
    for seed in range(4):
        readings, truth = drifted(walk, np.random.default_rng(seed))
        # Brownian motion less its mean has the variance t^2 - t + 1/3 (its integral), 1/6 on the whole.
        place = (readings.line - 1) / 39
        error = 0.5 * np.sqrt(6 * (place**2 - place + 1 / 3))
        record = balance_grids(readings.replace(se={"eca": error}))[1]
        level = np.bincount(readings.grid, readings.channels["eca"] - truth) / np.bincount(readings.grid)
        off = column(record, "offset") - (level - level.mean())
        found.append(np.std(off))
        matched.append(np.std(by_edges(readings) - (level - level.mean())))
        ratio.append(off / column(record, "standard_error"))
    assert np.mean(found) < np.mean(matched)
    # Grids on one side of a border err together: four times four borders. Chi-square of 16 is below 32.0 in 99 %.
    assert np.mean(np.square(ratio)) < 32.0 / 16


def by_edges(readings):
    """Levels by least squares of the differences of edge means, the outermost metre of 20 m grids."""
    rows, steps, edge = [np.ones(9)], [0.0], [20.0, 40.0]
    for g in range(9):
        beside = [(g + 3, readings.x, edge[g // 3])] if g < 6 else []
        beside += [(g + 1, readings.y, edge[g % 3])] if g % 3 < 2 else []
        for h, axis, at in beside:
            near = np.abs(axis - at) < 1.0
            means = [readings.channels["eca"][near & (readings.grid == k)].mean() for k in (g, h)]
            rows.append(np.eye(9)[g] - np.eye(9)[h])
            steps.append(means[0] - means[1])
    return np.linalg.lstsq(np.array(rows), np.array(steps), rcond=None)[0]


def test_lines_err_like_a_random_walk_and_the_grids_level_is_left_out():
    line = np.repeat(np.arange(21), 10)
    place = line / 20.0
    walk = 0.4 * (place**2 - place + 1 / 3)
    grid, v = np.zeros(len(line), int), np.tile(np.arange(10.0), 21)
    for level in (0.0, 0.5):
        error = np.sqrt(walk + level**2)
        flat, survey = 15.0 + 0.0 * place, np.zeros(len(line), bool)
        segments = Segments(grid, line, np.stack([place * 10, v], axis=1), flat, error, place, survey, survey)
        # Flat ground without bends between the lines: none of them has an error of its own.
        np.testing.assert_allclose(line_errors(segments), np.sqrt(walk), atol=1e-9)


def test_seams_in_a_line_share_a_border(walk):
    walks = walk.block(np.random.default_rng(0), quiet(walk), across=3, size_m=8.0)
    for angle in (0.0, 0.7):
        readings = concatenate([w.readings for w in walks])
        x = readings.x * np.cos(angle) - readings.y * np.sin(angle)
        turned = readings.replace(x=x, y=readings.x * np.sin(angle) + readings.y * np.cos(angle))
        segments = segments_of(turned, "eca")
        seams = list(seams_of(segments, *variogram_of(segments)))
        border = borders_of(segments, seams)
        # Grids are numbered by columns: of each seam, whether it runs along the columns, and behind which one it lies.
        where = [(h - g, g // 3 if h - g == 3 else g % 3) for g, h in (seam.grids for seam in seams)]
        assert len(set(where)) == len(set(border)) == len(set(zip(where, border))) == 4


def test_one_grid_alone_stays_as_it_is(four):
    alone = four.take(four.grid == 1)
    balanced, record = balance_grids(alone)
    np.testing.assert_array_equal(balanced.channels["eca"], alone.channels["eca"])
    np.testing.assert_array_equal(balanced.se["eca"], 0.0)
    assert record.figures["eca"].remark == "Grid A2 touches no other grid and stays as it is."


# In the first metres of grid B, over the edge, and beyond it in grid A.
@pytest.mark.parametrize(("width", "middle"), [(1.0, 0.5), (2.0, 1.0), (2.0, 0.3), (3.0, 0.5), (1.0, -1.0)])
@pytest.mark.parametrize("height", [4.0, -4.0])
def test_a_ditch_beside_the_seam_does_not_pass_for_a_step(walk, width, middle, height):
    # 4 mS/m along the whole edge; taken for a step it would move the grids by all of it.
    moved = []
    for seed in range(4):
        field = walk.geology(20.0, np.random.default_rng(seed))
        plain = offsets(side_by_side(walk, field))
        field.add(np.abs(field.axes[0] - 10.0 - middle) < width / 2, height)
        table = balance_grids(side_by_side(walk, field))[1].table
        moved.append(np.ptp([row.offset for row in table] - plain))
        # The grids move apart by twice their offsets, so two standard errors are four of those in the table.
        assert moved[-1] < 4 * table[1].standard_error
    assert np.median(moved) < 1.0


def test_islands_and_groups_are_named(four):
    far = four.replace(grids=("C1", "C2", "D1", "D2"), x=four.x + 100.0)
    lone = four.take(four.grid == 0).replace(grids=("E", "", "", ""), y=four.y[four.grid == 0] + 200.0)
    both = concatenate([four, far, lone])
    balanced, record = balance_grids(both)
    figures = record.figures["eca"]
    assert figures.islands == ("E",)
    assert figures.remark == (
        "Grid E touches no other grid and stays as it is. The levels of these groups of grids cannot be "
        "compared, as nothing connects them: A1, A2, B1, B2; C1, C2, D1, D2."
    )
    assert [row.grid for row in record.table] == ["A1", "A2", "B1", "B2", "C1", "C2", "D1", "D2", "E"]
    # The sizes of drift and noise are those of all grids together, so they differ a little from those of four: by a
    # fifth of a standard error, which in quadrature adds 2 % to it.
    apart = column(record, "offset")[:8] - np.tile(offsets(four), 2)
    assert np.all(np.abs(apart) < 0.2 * column(record, "standard_error")[:8])
    np.testing.assert_array_equal(balanced.channels["eca"][-len(lone) :], lone.channels["eca"])
    assert json.loads(json.dumps(record.as_json())) == record.as_json()


@pytest.mark.parametrize("model", MODELS)
def test_turned_moved_and_mirrored_coordinates_give_the_same(four, model):
    plain = balance_grids(four, model=model)[0].channels["eca"]
    for angle, mirror in ((0.3, 1), (1.2, -1), (np.pi, 1)):
        x = mirror * (four.x * np.cos(angle) - four.y * np.sin(angle)) + 4e5
        turned = four.replace(x=x, y=four.x * np.sin(angle) + four.y * np.cos(angle) + 5e6)
        np.testing.assert_allclose(balance_grids(turned, model=model)[0].channels["eca"], plain, atol=1e-5)


def test_the_order_of_grids_and_readings_does_not_count(four):
    parts = [four.take(four.grid == g).replace(grid=np.zeros(np.sum(four.grid == g), np.int32), grids=(name,))
             for g, name in enumerate(four.grids)]  # fmt: skip
    # The record has the grids in the order of their names.
    np.testing.assert_allclose(offsets(concatenate(parts[::-1])), offsets(four), atol=1e-6)
    mixed = four.take(np.random.default_rng(0).permutation(len(four)))
    np.testing.assert_allclose(offsets(mixed), offsets(four), atol=1e-6)


@pytest.mark.parametrize("step", [3.0, 100.0])
def test_overrun_shows_a_step_of_any_size_as_well(walk, step):
    """Both grids read the ground of the overrun, so the size of the step makes it no less certain."""
    record = balance_grids(above_each_other(walk, step))[1]
    small = balance_grids(above_each_other(walk, 0.0))[1]
    error = column(small, "standard_error").max()
    assert not record.figures["eca"].open_steps
    np.testing.assert_allclose(np.diff(column(record, "offset") - column(small, "offset")), step, atol=error)
    # The error without a step is less by what holds levels together that are alike.
    assert column(record, "standard_error").max() < 1.25 * error


def test_segments_follow_each_other_along_their_line(walk):
    """Roughness is that of neighbours on a line; overrun before the first reading lies at its start."""
    segments = segments_of(above_each_other(walk, 0.0), "eca")
    assert segments.beyond.any()
    same = segments.line[1:] == segments.line[:-1]
    assert np.all(np.diff(segments.position[:, 1])[same] > 0)


@pytest.mark.filterwarnings("error")
def test_a_grid_without_readings_in_use_moves_nothing(walk):
    readings = above_each_other(walk, 3.0)
    balanced, record = balance_grids(readings.with_flag("void", readings.grid == 1))
    np.testing.assert_array_equal(balanced.channels["eca"], readings.channels["eca"])
    assert record.figures["eca"].remark == "Grids A, B touch no other grid and stay as they are."


def test_balancing_twice_changes_nothing_within_the_error(four):
    once, record = balance_grids(four)
    # Levels are drawn to each other by their errors over their spread; the second time that is all that is left.
    assert np.all(np.abs(offsets(once)) < 0.5 * column(record, "standard_error"))


def test_flagged_readings_ties_and_bases_do_not_count_but_follow_their_grid(four):
    aside = np.arange(len(four)) % 97 == 0
    kind = np.where(np.arange(len(four)) % 194 == 0, kind_code("tie"), kind_code("base"))
    wild = np.where(aside, 1e4, four.channels["eca"])
    flagged = with_values(four, wild).with_flag("outlier", aside)
    other = with_values(four, wild).replace(kind=np.where(aside, kind, 0).astype(np.int8))
    other = other.replace(x=np.where(other.kind == kind_code("base"), np.nan, four.x))
    plain = offsets(four.with_flag("outlier", aside))
    for readings in (flagged, other):
        balanced, record = balance_grids(readings, fixed_grid="A1")
        np.testing.assert_allclose(column(record, "offset"), plain - plain[0], atol=1e-6)
        drift = wild - balanced.channels["eca"] - column(record, "offset")[four.grid]
        survey = readings.kind == kind_code("survey")
        # A flagged reading moves as its line does; ties and base readings, taken at other times, have no drift.
        lines = four.grid * 100 + four.line
        usual = {line: np.median(drift[(lines == line) & ~aside]) for line in np.unique(lines)}
        usual = np.array([usual[line] for line in lines])
        np.testing.assert_allclose(drift, np.where(survey, usual, 0.0), atol=1e-9)


def test_values_as_logged_are_kept_and_input_stays(four):
    logged, x = four.channels["eca"].copy(), four.x.copy()
    balanced = balance_grids(four)[0]
    np.testing.assert_array_equal(four.channels["eca"], logged)
    np.testing.assert_array_equal(four.x, x)
    np.testing.assert_array_equal(balanced.raw["eca"], logged)


def test_standard_errors_add_in_squares(four):
    given = four.replace(se={"eca": np.full(len(four), 0.3)})
    balanced, record = balance_grids(given)
    np.testing.assert_allclose(balanced.se["eca"] ** 2, 0.09 + column(record, "standard_error")[four.grid] ** 2)


def test_channels_without_values_and_tables_without_readings(four):
    blank = four.replace(channels={"eca": four.channels["eca"], "none": np.full(len(four), np.nan)})
    balanced, record = balance_grids(blank)
    assert record.figures["none"].seams == 0
    assert np.isnan(balanced.channels["none"]).all()
    empty, record = balance_grids(four.take(np.zeros(len(four), bool)))
    assert (len(empty), record.table) == (0, ())


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"model": "mean"}, "Invalid model: 'mean' was given. It must be one of: offset, offset and gain, plane."),
        ({"fixed_grid": "Z"}, "Invalid fixed grid: 'Z' was given. The readings are of: A1, A2, B1, B2."),
        ({"channels": ["ph"]}, "Invalid channel: 'ph' was given. The readings carry: eca."),
    ],
)
def test_what_is_not_there_is_told(four, options, sentence):
    with pytest.raises(EngineError) as caught:
        balance_grids(four, **options)
    assert str(caught.value) == sentence


def test_a_grid_without_the_channel_is_no_island_of_it():
    u, v = (a.ravel() for a in np.meshgrid(np.arange(0.25, 8, 0.5), np.arange(0.1, 8, 0.2), indexing="ij"))
    line = (u // 0.5).astype(int) + 1
    tables = [
        Readings.build(line, {"eca": 15 + 0 * u, "inphase": inphase + 0 * u}, grids=(name,), u_m=u, v_m=v, x=u + x, y=v)
        for name, x, inphase in (("A", 0.0, 1.0), ("B", 8.0, np.nan))
    ]
    _, record = balance_grids(concatenate(tables))
    assert record.figures["eca"].islands == ()
    assert record.figures["inphase"].islands == ("A",)
