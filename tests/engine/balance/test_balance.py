"""Balancing: stripes come off, ground along the traverses stays."""

import json

import numpy as np
import pytest
from turnrow.processing_provider.engine.balance.balance import METHODS, balance_traverses
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import concatenate

STRIPES = {"noise": 0.15, "stripe": 0.5, "direction": 0.5}


def offsets(readings, **options):
    return np.array([row.offset for row in balance_traverses(readings, **options)[1].table])


def with_values(readings, values):
    return readings.replace(channels={"eca": values})


def striped(walk, seed, size=20.0, **faults):
    rng = np.random.default_rng(seed)
    return walk.walk(walk.geology(size, rng), rng, walk.Faults(**{**STRIPES, **faults}))


def test_stripes_on_flat_ground_come_off(walk):
    # What could be the edges of a feature stays in part (with ties it does not: test_balance_ties.py); a quarter of the
    # stripes is what may be left between neighbours.
    walked = walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.Faults(stripe=0.5, direction=0.5))
    balanced, _ = balance_traverses(walked.readings)
    before, after = (np.diff(walk.line_means(r)) for r in (walked.readings, balanced))
    assert np.median(np.abs(after)) < 0.25 * np.median(np.abs(before))


def test_direction_offset_comes_off_exactly(walk):
    walked = walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.Faults(direction=0.8))
    balanced, record = balance_traverses(walked.readings, method="direction only")
    assert record.figures["eca"].direction_offset == pytest.approx(0.8, abs=1e-9)
    np.testing.assert_allclose(balanced.channels["eca"], 15.0, atol=1e-9)


def test_an_offset_between_directions_that_is_not_proven_stays(walk):
    # Stripes alone make some offset between directions in every survey of 40 lines. Beyond two standard errors it lies
    # by chance in 1 of 20 (normal distribution), in more than 5 of 20 surveys once in 3000 times.
    moved = 0
    for seed in range(20):
        readings = striped(walk, seed, direction=0.0).readings
        balanced, record = balance_traverses(readings, method="direction only")
        figures = record.figures["eca"]
        if np.array_equal(balanced.channels["eca"], readings.channels["eca"]):
            assert (figures.direction_offset, figures.direction_error) == (0.0, 0.0)
        else:
            moved += 1
            assert abs(figures.direction_offset) > 2 * figures.direction_error
    assert moved <= 5


def test_an_offset_between_directions_that_is_proven_comes_off(walk):
    # 2 mS/m is eight standard errors of twenty lines with stripes of 0.5: sqrt(8 / 3) 0.5 / sqrt(20) = 0.18, the factor
    # of neighbours that share lines included, and half as much again by chance.
    for seed in range(10):
        readings = striped(walk, seed, size=10.0, direction=2.0).readings
        figures = balance_traverses(readings, method="direction only")[1].figures["eca"]
        assert figures.direction_offset == pytest.approx(2.0, abs=4 * figures.direction_error)
        assert 0.1 < figures.direction_error < 0.5


def test_a_regional_slope_is_no_direction_offset(walk):
    field = walk.Field(20.0)
    field.values = field.values + 0.5 * field.axes[0] + 0.2 * field.axes[1]
    readings = walk.walk(field, np.random.default_rng(1), walk.Faults(direction=0.8)).readings
    _, record = balance_traverses(readings, method="direction only")
    assert record.figures["eca"].direction_offset == pytest.approx(0.8, abs=1e-6)


def test_an_offset_added_to_one_line_comes_off(walk):
    walked = striped(walk, 2)
    added = np.where(walked.readings.line == 17, 1.0, 0.0)
    before = offsets(walked.readings)
    after = offsets(with_values(walked.readings, walked.readings.channels["eca"] + added))
    change = after - before
    error = balance_traverses(walked.readings)[1].table[16].standard_error
    assert change[16] == pytest.approx(1.0, abs=2 * error)
    assert np.max(np.abs(np.delete(change, 16))) < 0.4


def test_offsets_are_found_within_their_errors(walk):
    within, left = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        walked = walk.walk(walk.site(20.0, rng), rng, walk.Faults(**STRIPES))
        table = balance_traverses(walked.readings)[1].table
        off = np.array([row.offset for row in table]) - (walked.offset - walked.offset.mean())
        within.append(np.abs(off) < 2 * np.array([row.standard_error for row in table]))
        left.append(np.median(np.abs(np.diff(off))) / np.median(np.abs(np.diff(walked.offset))))
    # Two standard errors of a normal error cover 95 %; a quarter of the stripes is what may be left between neighbours.
    assert 0.90 <= np.mean(within) <= 0.99
    assert np.median(left) < 0.25


@pytest.mark.parametrize(("width", "kept"), [(1.0, 0.85), (4.0, 0.92)])
def test_features_along_the_traverses_keep_their_amplitude(walk, width, kept):
    shares = []
    for seed in range(6):
        field = walk.geology(20.0, np.random.default_rng(seed))
        plain = walk.walk(field, np.random.default_rng(50 + seed), walk.Faults(**STRIPES)).readings
        u, _ = field.axes
        field.add(np.abs(u - 10) < width / 2, 4.0)
        ditch = walk.walk(field, np.random.default_rng(50 + seed), walk.Faults(**STRIPES)).readings
        loss, amplitude = offsets(ditch) - offsets(plain), walk.line_means(ditch) - walk.line_means(plain)
        away = np.abs(np.unique(ditch.u_m) - 10)
        inside, beside = away < width / 2, (away > width / 2 + 0.75) & (away < width / 2 + 3)
        shares.append(1 - (loss[inside].mean() - loss[beside].mean()) / amplitude[inside].mean())
    assert np.mean(shares) >= kept


def test_medians_take_features_along_the_traverses_away(walk):
    # Twin of the test before: the danger that the method is offered with.
    field = walk.geology(20.0, np.random.default_rng(0))
    u, _ = field.axes
    field.add(np.abs(u - 10) < 0.5, 4.0)
    readings = walk.walk(field, np.random.default_rng(50), walk.Faults(**STRIPES)).readings
    assert offsets(readings, method="median")[[19, 20]].mean() > 0.5 * 3.0


def test_a_feature_over_half_the_length_leaves_no_ghost(walk):
    ghosts = []
    for seed in range(6):
        field = walk.geology(20.0, np.random.default_rng(seed))
        plain = walk.walk(field, np.random.default_rng(50 + seed), walk.Faults(**STRIPES)).readings
        u, v = field.axes
        field.add((np.abs(u - 10) < 0.5) & (v < 10), 4.0)
        ditch = walk.walk(field, np.random.default_rng(50 + seed), walk.Faults(**STRIPES)).readings
        amplitude = 2 * (walk.line_means(ditch) - walk.line_means(plain))[[19, 20]].mean()
        ghosts.append((offsets(ditch) - offsets(plain))[[19, 20]].mean() / amplitude)
    assert abs(np.mean(ghosts)) < 0.05


def test_a_survey_without_stripes_changes_by_less_than_its_noise(walk):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        readings = walk.walk(walk.site(20.0, rng), rng, walk.Faults(noise=0.15)).readings
        assert np.std(offsets(readings)) < 0.15
        assert np.max(np.abs(offsets(readings, method="direction only"))) < 0.15


@pytest.mark.parametrize("method", METHODS)
def test_a_constant_changes_nothing(walk, method):
    walked = striped(walk, 1)
    higher = with_values(walked.readings, walked.readings.channels["eca"] + 100.0)
    np.testing.assert_allclose(offsets(higher, method=method), offsets(walked.readings, method=method), atol=1e-6)
    flat = with_values(walked.readings, np.full(len(walked.readings), 15.0))
    balanced, _ = balance_traverses(flat, method=method)
    np.testing.assert_allclose(balanced.channels["eca"], 15.0, atol=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_mirrored_input_gives_mirrored_output(walk, method):
    readings = striped(walk, 3).readings
    plain = offsets(readings, method=method)
    across = offsets(readings.replace(u_m=20.0 - readings.u_m), method=method)
    along = offsets(readings.replace(v_m=20.0 - readings.v_m), method=method)
    turned = offsets(readings.replace(heading=-readings.heading), method=method)
    np.testing.assert_allclose(across, plain[::-1], atol=1e-6)
    np.testing.assert_allclose(along, plain, atol=1e-6)
    np.testing.assert_allclose(turned, plain, atol=1e-6)


@pytest.mark.parametrize("method", METHODS)
def test_the_level_of_the_grid_stays(walk, method):
    assert offsets(striped(walk, 3).readings, method=method).mean() == pytest.approx(0.0, abs=1e-6)


def test_balancing_twice_changes_nothing_within_the_error(walk):
    once, record = balance_traverses(striped(walk, 4).readings)
    claimed = np.array([row.standard_error for row in record.table])
    assert np.sqrt(np.mean((offsets(once) / claimed) ** 2)) < 1


def test_flagged_readings_do_not_count_but_follow_their_line(walk):
    readings = striped(walk, 5).readings.with_flag("outlier", np.arange(0, 6400, 97))
    wild = readings.channels["eca"].copy()
    wild[readings.flag != 0] = 1e4
    balanced, record = balance_traverses(with_values(readings, wild), drift=False)
    np.testing.assert_array_equal([r.offset for r in record.table], offsets(readings, drift=False))
    off = np.array([r.offset for r in record.table])
    np.testing.assert_allclose(balanced.channels["eca"], wild - off[readings.line - 1], atol=1e-9)


def test_values_as_logged_are_kept_and_input_stays(walk):
    readings = striped(walk, 5).readings
    logged = readings.channels["eca"].copy()
    balanced, record = balance_traverses(readings)
    np.testing.assert_array_equal(readings.channels["eca"], logged)
    np.testing.assert_array_equal(balanced.raw["eca"], logged)
    again, _ = balance_traverses(balanced)
    np.testing.assert_array_equal(again.raw["eca"], logged)


def test_readings_take_up_the_standard_error_of_their_line(walk):
    # Truth: the offsets of the lines are known. Of normal errors 95 % lie within two standard errors; those of a survey
    # are long waves that its lines share, so six surveys of 40 lines make some 20 independent ones, of which 16 at
    # least lie within (fewer once in 400 times).
    within = []
    for seed in range(6):
        walked = striped(walk, seed)
        balanced, record = balance_traverses(walked.readings)
        line, error = balanced.line, balanced.se["eca"]
        for number, row in enumerate(record.table, start=1):
            np.testing.assert_allclose(error[line == number], row.standard_error)
            assert row.standard_error > 0.05
        true = walked.offset + np.where(np.arange(len(walked.offset)) % 2, -0.25, 0.25)
        found = np.array([row.offset for row in record.table])
        away = found - found.mean() - true + true.mean()
        within += list(np.abs(away) < 2 * np.array([error[line == n].max() for n in range(1, len(true) + 1)]))
    assert np.mean(within) > 0.8


def test_standard_errors_add_in_squares(walk):
    readings = striped(walk, 5).readings
    given = readings.replace(se={"eca": np.full(len(readings), 0.3)})
    alone, together = (balance_traverses(r)[0].se["eca"] for r in (readings, given))
    np.testing.assert_allclose(together**2, alone**2 + 0.09, rtol=1e-9)


def test_one_grid_does_not_change_the_other_grids_level(walk):
    first, second = (striped(walk, seed).readings.replace(grids=(name,)) for seed, name in ((1, "A"), (2, "B")))
    second = with_values(second, second.channels["eca"] + 50)
    _, record = balance_traverses(concatenate([first, second]))
    assert json.loads(json.dumps(record.as_json())) == record.as_json()
    assert [row.grid for row in record.table] == ["A"] * 40 + ["B"] * 40
    off = np.array([row.offset for row in record.table]).reshape(2, 40)
    np.testing.assert_allclose(off.mean(axis=1), 0.0, atol=1e-6)


def test_a_line_in_two_recordings_and_a_missing_line(walk):
    walked = striped(walk, 6)
    readings = walked.readings
    second = (readings.line == 8) & (readings.v_m > 12.0)
    values = readings.channels["eca"] + np.where(second, 0.6, 0.0)
    changed = with_values(readings, values).replace(run=np.where(second, 2, 1).astype(np.int32))
    changed = changed.take(changed.line != 20)
    table = balance_traverses(changed)[1].table
    assert sorted((r.line, r.run) for r in table if r.line in (8, 20)) == [(8, 1), (8, 2)]
    both = {r.run: r for r in table if r.line == 8}
    apart = both[2].offset - both[1].offset
    assert apart == pytest.approx(0.6, abs=2 * np.hypot(both[1].standard_error, both[2].standard_error))


@pytest.mark.parametrize("method", METHODS)
def test_ties_and_unplaced_readings_are_left_alone(walk, method):
    readings = striped(walk, 7).readings
    tie = readings.take(readings.line == 3)
    tie = tie.replace(line=tie.line + 900, u_m=tie.v_m, v_m=tie.u_m + 5)
    lost = readings.take(readings.line == 4)
    lost = lost.replace(line=lost.line + 950, v_m=np.full(len(lost), np.nan)).with_flag("unplaced", slice(None))
    balanced, record = balance_traverses(concatenate([readings, tie, lost]), method=method)
    np.testing.assert_array_equal([r.offset for r in record.table], offsets(readings, method=method))
    np.testing.assert_array_equal(balanced.channels["eca"][-320:-160], tie.channels["eca"])
    np.testing.assert_array_equal(balanced.channels["eca"][-160:], lost.channels["eca"])


@pytest.mark.parametrize("lines", [0, 1, 2])
@pytest.mark.parametrize("method", METHODS)
def test_too_few_lines_are_left_as_they_are(walk, method, lines):
    readings = striped(walk, 7).readings
    few = readings.take(readings.line <= lines)
    balanced, record = balance_traverses(few, method=method)
    assert len(record.table) == lines
    assert np.isfinite(balanced.channels["eca"]).all()
    if lines < 2:
        np.testing.assert_array_equal(balanced.channels["eca"], few.channels["eca"])


def test_a_wrong_method_is_told(walk):
    with pytest.raises(
        EngineError, match="Invalid method: 'mean' was given. It must be one of: neighbours and ties, neighbours, m"
    ):
        balance_traverses(striped(walk, 1).readings, method="mean")
