"""Balancing with tie lines, base readings and drift."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.balance.balance import balance_traverses
from turnrow.processing_provider.engine.balance.drift import smooth_basis
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.flag.outliers import flag_outliers

TIES = (20 / 6, 10.0, 100 / 6)
WANDERING = {"stripe": 0.5, "direction": 0.5, "drift": 1.0, "warm_up": 1.0}


def surveyed(readings):
    return readings.kind == kind_code("survey")


def columns(record, *names):
    return [np.array([getattr(row, name) for row in record.table]) for name in names]


def truth(walked):
    """Offset and mean drift of each line, the mean of the grid taken off."""
    readings = walked.readings
    drift = [walked.drift[surveyed(readings) & (readings.line == k + 1)].mean() for k in range(len(walked.offset))]
    whole = walked.offset + drift
    return whole - whole.mean()


def noisy(walk, seed, ground="site", **how):
    rng = np.random.default_rng(seed)
    field = getattr(walk, ground)(20.0, rng)
    return walk.walk(field, rng, walk.Faults(noise=0.15, base=0.1, **WANDERING), **how)


@pytest.mark.parametrize("slopes", [(0.0, 0.0), (0.3, 0.0), (0.0, 0.2), (-0.2, 0.3)])
def test_ties_on_a_plane_bring_it_back(walk, slopes):
    # Without noise and position errors every crossing tells the line's offset exactly.
    field = walk.Field(20.0)
    u, v = field.axes
    field.values = field.values + slopes[0] * u + slopes[1] * v
    walked = walk.walk(field, np.random.default_rng(3), walk.Faults(**WANDERING), ties=TIES, base_every=10)
    balanced, record = balance_traverses(walked.readings)
    mine = surveyed(walked.readings)
    left = balanced.channels["eca"][mine] - field.at(walked.readings.u_m[mine], walked.readings.v_m[mine])
    assert np.ptp(left) < 0.01 * np.ptp(walked.readings.channels["eca"][mine] - field.values.mean())
    assert set(columns(record, "based_on")[0]) == {"neighbours, 3 ties and base readings"}


def test_an_offset_added_to_one_line_comes_off_with_ties(walk):
    readings = noisy(walk, 1, ties=TIES).readings
    added = np.where(surveyed(readings) & (readings.line == 17), 1.0, 0.0)
    (before,), (after, error) = (
        columns(balance_traverses(readings)[1], "offset"),
        columns(balance_traverses(readings.replace(channels={"eca": readings.channels["eca"] + added}))[1],
                "offset", "standard_error"),
    )  # fmt: skip
    change = after - before
    assert change[16] - np.median(change) == pytest.approx(1.0, abs=error[16])
    assert np.max(np.abs(np.delete(change, 16))) < 2 * np.max(error)


@pytest.mark.parametrize("ground", ["site", "geology"])
def test_errors_with_ties_are_honest_and_small(walk, ground):
    within, size = [], []
    for seed in range(6):
        walked = noisy(walk, seed, ground, ties=TIES)
        offset, error = columns(balance_traverses(walked.readings)[1], "offset", "standard_error")
        within.append(np.abs(offset - truth(walked)) < 2 * error)
        size.append(np.std(offset - truth(walked)))
    assert np.mean(within) > 0.90
    # A quarter of the stripes' standard deviation, drift and all.
    assert np.median(size) < 0.125


def test_ties_count_although_nobody_walks_them_evenly(walk):
    within, square = [], []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        walked = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3), ties=TIES)
        placed = align_opposing(flag_outliers(walked.readings)[0])[0]
        offset, error = columns(balance_traverses(placed)[1], "offset", "standard_error")
        within.append(np.abs(offset - truth(walked)) < 2 * error)
        square.append(np.var(offset - truth(walked)))
    assert np.mean(within) > 0.90
    # A quarter of the stripes, in the mean of the squares: where the ground is steep across the lines, a tie read
    # 0.15 m from where it is written would be off by as much as the stripes themselves.
    assert np.sqrt(np.mean(square)) < 0.125


def test_base_readings_tell_the_drift(walk):
    with_base, without = [], []
    for seed in range(6):
        walked = noisy(walk, seed, base_every=10)
        for sizes, method in ((with_base, "neighbours and ties"), (without, "neighbours")):
            (offset,) = columns(balance_traverses(walked.readings, method=method)[1], "offset")
            sizes.append(np.std(offset - truth(walked)))
    assert np.median(with_base) < 0.8 * np.median(without)


def test_drift_is_found_without_ties(walk):
    # Neighbours walked opposite ways lie farther apart in time at one end than at the other.
    left, with_drift = [], []
    for seed in range(6):
        walked = noisy(walk, seed)
        for sizes, drift in ((with_drift, True), (left, False)):
            (offset,) = columns(balance_traverses(walked.readings, drift=drift)[1], "offset")
            sizes.append(np.std(offset - truth(walked)))
    assert np.median(with_drift) < 0.8 * np.median(left)


def test_ties_and_base_readings_are_corrected_too(walk):
    walked = walk.walk(walk.Field(20.0), np.random.default_rng(2), walk.Faults(**WANDERING), ties=TIES, base_every=10)
    balanced, _ = balance_traverses(walked.readings)
    for kind in ("tie", "base"):
        mine = walked.readings.kind == kind_code(kind)
        assert np.ptp(balanced.channels["eca"][mine]) < 0.02 * np.ptp(walked.readings.channels["eca"][mine])


def test_ties_keep_what_runs_along_the_traverses(walk):
    kept = []
    for seed in range(6):
        both = []
        for contrast in (0.0, 2.0):
            rng = np.random.default_rng(seed)
            field = walk.geology(20.0, rng)
            field.add(np.abs(field.axes[0] - 10) < 0.5, contrast)
            walked = walk.walk(field, rng, walk.Faults(noise=0.15, **WANDERING), ties=TIES)
            both.append((walk.line_means(walked.readings), walk.line_means(balance_traverses(walked.readings)[0])))
        feature, found = both[1][0] - both[0][0], both[1][1] - both[0][1]
        feature, found = feature - feature.mean(), found - found.mean()
        kept.append(feature @ found / (feature @ feature))
    assert np.median(kept) >= 0.95


def test_figures_tell_what_the_ties_bought(walk):
    walked = noisy(walk, 4, ties=TIES, base_every=10)
    figures = balance_traverses(walked.readings)[1].figures["eca"]
    assert (figures.ties, figures.base_readings) == (3, 5)
    # 3 x 40, without lines at the ends that a tie does not reach when it was read up to 1 m ahead.
    assert 3 * 36 <= figures.crossings <= 3 * 40
    assert figures.se < 0.5 * figures.se_without_ties
    alone = balance_traverses(walked.readings, method="neighbours")[1].figures["eca"]
    assert (alone.ties, alone.base_readings) == (0, 0)
    assert alone.se == alone.se_without_ties


def test_without_ties_both_methods_are_the_same(walk):
    readings = noisy(walk, 5).readings
    both = [balance_traverses(readings, method=m)[0].channels["eca"] for m in ("neighbours", "neighbours and ties")]
    np.testing.assert_array_equal(*both)


def test_missing_times_leave_drift_out(walk):
    readings = noisy(walk, 6, ties=TIES, base_every=10).readings
    timeless = readings.replace(time_s=np.full(len(readings), np.nan))
    balanced, record = balance_traverses(timeless)
    plain, _ = balance_traverses(timeless, drift=False)
    figures = record.figures["eca"]
    assert figures.drift_sd is None
    assert (figures.ties, figures.base_readings) == (3, 0)
    np.testing.assert_array_equal(balanced.channels["eca"], plain.channels["eca"])
    assert np.isfinite(balanced.channels["eca"]).all()


def test_one_tie_over_part_of_the_grid(walk):
    readings = noisy(walk, 7, ties=TIES[:1]).readings
    part = readings.take(surveyed(readings) | (readings.u_m < 8.0))
    (words,) = columns(balance_traverses(part)[1], "based_on")
    assert set(words[:15]) == {"neighbours and 1 tie"}
    assert set(words[18:]) == {"neighbours"}


def test_input_stays_and_twice_changes_nothing_within_the_error(walk):
    readings = noisy(walk, 8, ties=TIES, base_every=10).readings
    logged = readings.channels["eca"].copy()
    once, record = balance_traverses(readings)
    np.testing.assert_array_equal(readings.channels["eca"], logged)
    (error,), (again,) = columns(record, "standard_error"), columns(balance_traverses(once)[1], "offset")
    assert np.sqrt(np.mean((again / error) ** 2)) < 0.5


def test_ties_walked_on_another_day(walk):
    readings = noisy(walk, 9, ties=TIES).readings
    tie = readings.kind == kind_code("tie")
    later = readings.replace(time_s=readings.time_s + np.where(tie, 86400.0, 0.0))
    values = later.channels["eca"] + np.where(tie, 3.0, 0.0)
    (before,), (after, error) = (
        columns(balance_traverses(readings)[1], "offset"),
        columns(balance_traverses(later.replace(channels={"eca": values}))[1], "offset", "standard_error"),
    )
    assert np.max(np.abs(after - before) / error) < 2


def test_smooth_functions_have_the_covariance_of_the_process():
    # Rasmussen and Williams (2006), equation 4.9: exp(-(d / l)^2 / 2), at positions that no node is near.
    data, at = np.arange(0.0, 30.0, 0.5), np.linspace(0.0, 29.5, 301)
    basis = smooth_basis(data, at, 7.0)
    np.testing.assert_allclose(basis @ basis.T, np.exp(-(((at[:, None] - at) / 7.0) ** 2) / 2), atol=1e-4)
