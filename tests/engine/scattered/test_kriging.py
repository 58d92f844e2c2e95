"""Ordinary kriging: what must hold for any readings, and how honest its variance is."""

import math

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError
from turnrow.processing_provider.engine.scattered.kriging import ordinary_kriging
from turnrow.processing_provider.engine.scattered.variogram import MODELS, Variogram
from turnrow.processing_provider.engine.scattered.variogram_selection import choose_variogram

SPHERICAL = Variogram("spherical", 0.1, 1.0, 8.0)


def scattered(n=400, seed=0):
    """Return x, y, z of readings and x0, y0 of places, on a map far from its origin."""
    rng = np.random.default_rng(seed)
    x, y, x0, y0 = (rng.uniform(0, 30, size) for size in (n, n, 25, 25))
    return 4e5 + x, 5e6 + y, rng.normal(50, 2, n), 4e5 + x0, 5e6 + y0


def walked(lines=12, spacing=1.0, interval=0.25, length=12.0):
    """Return x, y of readings dense along lines, north up, and the number of the line."""
    line = np.repeat(np.arange(lines), round(length / interval))
    y = np.tile((np.arange(round(length / interval)) + 0.5) * interval, lines)
    return (line + 0.5) * spacing, y, line


def drawn(variogram, x, y, count, seed):
    """Return (count, n) Gaussian fields at places: Cholesky factor of the covariance, nugget left out."""
    dx, dy = x[:, None] - x, y[:, None] - y
    covariance = variogram.sill - variogram.semivariance(dx, dy) - variogram.nugget * (np.hypot(dx, dy) > 0)
    covariance = np.where(np.hypot(dx, dy) > 0, covariance + variogram.nugget, variogram.psill)
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(x)))
    return np.random.default_rng(seed).normal(size=(count, len(x))) @ root.T


def by_generalised_least_squares(x, y, z, x0, y0, variogram, error, noise=False):
    """Ordinary kriging as simple kriging around the generalised least squares mean (Cressie 1993, from memory)."""

    def common(dx, dy):
        distance = np.hypot(dx, dy)
        covariance = variogram.sill - variogram.semivariance(dx, dy)
        covariance[distance == 0] = variogram.sill
        return covariance - variogram.nugget * (distance == 0) if noise else covariance

    c = common(x[:, None] - x, y[:, None] - y) + np.diag(error + (variogram.nugget if noise else 0))
    c0 = common(x[:, None] - x0, y[:, None] - y0)
    one = np.ones(len(x))
    solved, of_one = np.linalg.solve(c, c0), np.linalg.solve(c, one)
    mean = of_one @ z / of_one.sum()
    lost = 1 - one @ solved
    c00 = variogram.psill if noise else variogram.sill
    return mean + solved.T @ (z - mean), c00 - np.sum(c0 * solved, axis=0) + lost**2 / of_one.sum()


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("noise", [False, True])
def test_equals_generalised_least_squares(model, noise):
    """The same estimator by another route: readings at one place apart, as so many rows, errors on the diagonal."""
    x, y, z, x0, y0 = scattered(150)
    x, y, z = (np.append(a, b) for a, b in ((x, x[:30]), (y, y[:30]), (z, z[:30] + 1)))
    x0, y0 = np.append(x0, x[:5]), np.append(y0, y[:5])
    error = np.random.default_rng(1).uniform(0.05, 0.5, 180)
    variogram = Variogram(model, 0.2, 3.0, 9.0, ratio=0.5, azimuth_rad=0.6)
    given = ordinary_kriging(
        x, y, z, x0, y0, variogram, variance_of_points=error, nugget_is_noise=noise, neighbours=180
    )
    expected = by_generalised_least_squares(x, y, z, x0, y0, variogram, error, noise)
    np.testing.assert_allclose(given, expected, rtol=1e-7, atol=0)


@pytest.mark.parametrize("neighbours", [12, 40, 400])
@pytest.mark.parametrize("model", ["spherical", "exponential"])
def test_readings_without_error_come_back(model, neighbours):
    x, y, z, _, _ = scattered()
    for nugget in (0.0, 0.3):
        estimate, variance = ordinary_kriging(x, y, z, x, y, Variogram(model, nugget, 1, 8), neighbours=neighbours)
        np.testing.assert_allclose(estimate, z, rtol=0, atol=1e-9)
        assert variance.max() < 1e-9


def test_gaussian_readings_come_back_but_for_the_noise_lent():
    """A smooth field under the smooth model: what 1e-8 of the sill as noise may do is its root, 1e-4."""
    x, y, _ = walked(interval=0.5)
    z = np.sin(x / 3) + np.cos(y / 4)
    estimate, variance = ordinary_kriging(x, y, z, x, y, Variogram("gaussian", 0, 1, 10), neighbours=60)
    np.testing.assert_allclose(estimate, z, rtol=0, atol=1e-4)
    assert variance.max() <= 1.1e-8


def test_errors_of_readings_are_filtered():
    """A reading with an error is not honoured; the variance stays below the error, which other readings lessen."""
    x, y, z, _, _ = scattered()
    variogram = Variogram("spherical", 0.5, 1, 8)
    as_errors = ordinary_kriging(x, y, z, x, y, Variogram("spherical", 0, 1, 8), variance_of_points=np.full(400, 0.5))
    noise = ordinary_kriging(x, y, z, x, y, variogram, nugget_is_noise=True)
    np.testing.assert_allclose(noise, as_errors, rtol=1e-9)
    assert np.abs(noise[0] - z).max() > 0.1
    assert (noise[1] < 0.5).all()
    assert (noise[1] > 0).all()


@pytest.mark.parametrize("neighbours", [2, 25, 40, 400])
def test_weights_sum_to_one(neighbours):
    x, y, _, x0, y0 = scattered()
    estimate, _ = ordinary_kriging(x, y, np.full(400, 12345.678), x0, y0, SPHERICAL, neighbours=neighbours)
    np.testing.assert_allclose(estimate, 12345.678, rtol=1e-12)


@pytest.mark.parametrize("neighbours", [30, 400])
def test_moving_and_turning_the_map_changes_nothing(neighbours):
    x, y, z, x0, y0 = scattered()
    variogram = Variogram("exponential", 0.1, 1.0, 8.0, ratio=0.4, azimuth_rad=0.3)
    turned = Variogram("exponential", 0.1, 1.0, 8.0, ratio=0.4, azimuth_rad=0.3 - 0.8)
    sin, cos = math.sin(0.8), math.cos(0.8)

    def turn(a, b):
        return 7e5 + (a - 4e5) * cos - (b - 5e6) * sin, 2e6 + (a - 4e5) * sin + (b - 5e6) * cos

    before = ordinary_kriging(x, y, z, x0, y0, variogram, neighbours=neighbours)
    moved = ordinary_kriging(x + 1000, y - 2000, z, x0 + 1000, y0 - 2000, variogram, neighbours=neighbours)
    np.testing.assert_allclose(moved, before, rtol=1e-7)
    after = ordinary_kriging(*turn(x, y), z, *turn(x0, y0), turned, neighbours=neighbours)
    np.testing.assert_allclose(after, before, rtol=1e-7)


@pytest.mark.parametrize("neighbours", [30, 400])
def test_anisotropy_is_isotropy_in_stretched_coordinates(neighbours):
    x, y, z, x0, y0 = scattered()
    long_north = Variogram("spherical", 0.1, 1.0, 8.0, ratio=0.25)
    given = ordinary_kriging(x, y, z, x0, y0, long_north, neighbours=neighbours)
    stretched = ordinary_kriging(4 * x, y, z, 4 * x0, y0, SPHERICAL, neighbours=neighbours)
    np.testing.assert_allclose(given, stretched, rtol=1e-6)
    round_ground = ordinary_kriging(x, y, z, x0, y0, SPHERICAL, neighbours=neighbours)
    assert np.abs(given[0] - round_ground[0]).max() > 0.1


def test_neighbours_lose_little():
    """Readings far away are screened by nearer ones: the standard error grows by at most a few per cent."""
    x, y, line = walked(lines=10, length=10.0)
    z = np.random.default_rng(2).normal(size=len(x))
    x0, y0 = np.random.default_rng(3).uniform(3, 7, (2, 50))
    for variogram in (SPHERICAL, Variogram("exponential", 0.3, 1.0, 6.0, ratio=0.6)):
        _, near = ordinary_kriging(x, y, z, x0, y0, variogram, nugget_is_noise=True)
        _, every = ordinary_kriging(x, y, z, x0, y0, variogram, nugget_is_noise=True, neighbours=len(x))
        assert (near >= every * (1 - 1e-9)).all(), "no estimate is better than that from all readings"
        assert math.sqrt(np.mean(near / every)) < 1.03


@pytest.mark.parametrize("interval", [0.05, 0.2])
def test_several_lines_take_part(interval):
    """The weights of a line are what kriging makes of readings that are one on that line and zero elsewhere."""
    x, y, line = walked(interval=interval)
    taking_part = [
        number
        for number in range(12)
        if abs(ordinary_kriging(x, y, 1.0 * (line == number), [5.8], [6.1], SPHERICAL)[0][0]) > 1e-6
    ]
    assert {4, 5, 6, 7} <= set(taking_part)


def test_places_beyond_the_radius_have_no_value():
    x, y, z, _, _ = scattered()
    places = np.array([4e5 + 15, 4e5 + 50, 4e5 + 15]), np.array([5e6 + 15, 5e6 + 15, 5e6 + 40])
    long_north = Variogram("spherical", 0.1, 1.0, 8.0, ratio=0.25)
    for variogram, there in ((SPHERICAL, [True, False, True]), (long_north, [True, False, True])):
        estimate, variance = ordinary_kriging(x, y, z, *places, variogram, radius_m=12)
        np.testing.assert_array_equal(np.isfinite(estimate), there)
        np.testing.assert_array_equal(np.isfinite(variance), there)
    across = ordinary_kriging(x, y, z, [4e5 + 34], [5e6 + 15], long_north, radius_m=12)
    assert np.isnan(across[0][0]), "a radius of 12 m along the axis is 3 m across it"
    assert np.isfinite(ordinary_kriging(x, y, z, [4e5 + 34], [5e6 + 15], SPHERICAL, radius_m=12)[0][0])


def test_readings_within_the_radius_only():
    """With room for all neighbours, a radius is the same as leaving the readings outside it out."""
    x, y, z, x0, y0 = scattered()
    given = ordinary_kriging(x, y, z, x0, y0, SPHERICAL, radius_m=6, neighbours=400)
    for number in range(len(x0)):
        near = np.hypot(x - x0[number], y - y0[number]) < 6
        place = x0[number : number + 1], y0[number : number + 1]
        alone = ordinary_kriging(x[near], y[near], z[near], *place, SPHERICAL, neighbours=400)
        np.testing.assert_allclose([a[number] for a in given], [a[0] for a in alone], rtol=1e-9)


def test_one_reading():
    """The estimate is the reading, the variance twice the semivariance: that of the difference (Matheron 1963)."""
    estimate, variance = ordinary_kriging([0.0], [0.0], [7.0], [0.0, 3.0], [0.0, 4.0], SPHERICAL)
    np.testing.assert_allclose(estimate, 7)
    np.testing.assert_allclose(variance, [0, 2 * SPHERICAL.semivariance(3.0, 4.0)], atol=1e-12)


def test_progress_and_cancel():
    x, y, z, _, _ = scattered()
    x0, y0 = np.random.default_rng(1).uniform(0, 30, (2, 4000))
    fractions = []
    ordinary_kriging(x, y, z, 4e5 + x0, 5e6 + y0, SPHERICAL, progress=fractions.append)
    assert len(fractions) > 2
    assert fractions == sorted(fractions)
    assert fractions[0] == 0
    assert fractions[-1] < 1

    def stop(fraction):
        if fraction > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        ordinary_kriging(x, y, z, 4e5 + x0, 5e6 + y0, SPHERICAL, progress=stop)


def test_places_do_not_depend_on_each_other():
    x, y, z, _, _ = scattered()
    x0, y0 = np.random.default_rng(1).uniform(0, 30, (2, 3000)) + np.array([[4e5], [5e6]])
    for neighbours in (40, 400):
        together = ordinary_kriging(x, y, z, x0, y0, SPHERICAL, neighbours=neighbours)
        last = ordinary_kriging(x, y, z, x0[-7:], y0[-7:], SPHERICAL, neighbours=neighbours)
        np.testing.assert_allclose([a[-7:] for a in together], last, rtol=1e-9)
    assert [len(a) for a in ordinary_kriging(x, y, z, [], [], SPHERICAL)] == [0, 0]


def test_input_is_not_changed():
    columns = (*scattered(), np.full(400, 0.1))
    copies = [column.copy() for column in columns]
    ordinary_kriging(*columns[:5], SPHERICAL, variance_of_points=columns[5], nugget_is_noise=True)
    for column, copy in zip(columns, copies):
        np.testing.assert_array_equal(column, copy)


@pytest.mark.parametrize("noise", [0.05, 0.4])
@pytest.mark.parametrize(
    "variogram",
    [
        Variogram("spherical", 0, 4.0, 6.0),
        Variogram("exponential", 0, 4.0, 5.0, ratio=0.5),
        Variogram("gaussian", 0, 4.0, 4.0, ratio=2.0),
    ],
)
def test_two_standard_errors_cover_the_truth(variogram, noise):
    """On fields drawn from the variogram the standardised error is normal: 95.4 % within two standard errors.

    Forty independent fields of 60 places.
    """
    x, y, _ = walked(lines=10, interval=0.4, length=10.0)
    rng = np.random.default_rng(8)
    x0, y0 = rng.uniform(0, 10, (2, 60))
    fields = drawn(variogram, np.append(x, x0), np.append(y, y0), 40, 9)
    n = len(x)
    within, mean_square = [], []
    for field in fields:
        z = field[:n] + noise * rng.normal(size=n)
        squared_noise = np.full(n, noise**2)
        estimate, variance = ordinary_kriging(x, y, z, x0, y0, variogram, variance_of_points=squared_noise)
        ratio = (estimate - field[n:]) / np.sqrt(variance)
        within.append(np.mean(np.abs(ratio) < 2))
        mean_square.append(np.mean(ratio**2))
    assert 0.93 < np.mean(within) < 0.975
    assert np.mean(mean_square) == pytest.approx(1, abs=0.15)


@pytest.mark.parametrize(
    "truth",
    [
        Variogram("spherical", 0, 4.0, 6.0, ratio=0.7),
        Variogram("exponential", 0, 4.0, 6.0),
        Variogram("gaussian", 0, 4.0, 5.0),
    ],
    ids=MODELS,
)
def test_lines_left_out_are_covered(truth):
    """The whole way: every third line of walked fields predicted from the others, variogram chosen from those alone."""
    x, y, line = walked(lines=20, interval=0.4, length=20.0)
    out = line % 3 == 1
    covered = []
    for field in drawn(truth, x, y, 4, 11):
        z = field + 0.3 * np.random.default_rng(12).normal(size=len(x))
        chosen = choose_variogram(x[~out], y[~out], z[~out])
        estimate, variance = ordinary_kriging(x[~out], y[~out], z[~out], x[out], y[out], chosen)
        covered.append(np.mean(np.abs(estimate - z[out]) < 2 * np.sqrt(variance)))
    assert 0.90 < np.mean(covered) < 0.98


def test_choice_distinguishes_smooth_ground_from_rough():
    """Four fields each of a continuous but jagged ground (exponential) and of a smooth one (Gaussian)."""
    x, y, _ = walked(lines=20, interval=0.4, length=20.0)
    for truth, others in (("gaussian", {"gaussian"}), ("exponential", {"exponential", "spherical"})):
        fields = drawn(Variogram(truth, 0, 4.0, 5.0), x, y, 4, 21)
        noise = 0.2 * np.random.default_rng(22).normal(size=fields.shape)
        chosen = [choose_variogram(x, y, z) for z in fields + noise]
        assert sum(variogram.model in others for variogram in chosen) >= 3
        assert choose_variogram(x, y, fields[0] + noise[0]) == chosen[0]


def test_choice_finds_the_long_axis():
    truth = Variogram("spherical", 0, 4.0, 8.0, ratio=0.3)
    x, y, _ = walked(lines=24, interval=0.5, length=20.0, spacing=0.8)
    found = [choose_variogram(x, y, z, models=["spherical"]).ratio for z in drawn(truth, x, y, 4, 31)]
    assert np.exp(np.mean(np.log(found))) == pytest.approx(0.3, rel=0.3)


def test_choice_from_few_readings():
    x, y, z, x0, y0 = scattered(12)
    estimate, variance = ordinary_kriging(x, y, z, x0, y0, choose_variogram(x, y, z))
    assert np.isfinite(estimate).all()
    assert (variance > 0).all()
    with pytest.raises(EngineError, match="No two of the 3 readings are up to"):
        choose_variogram(x[:3], y[:3], z[:3])
    with pytest.raises(EngineError, match="The readings do not vary, so no variogram can be fitted."):
        choose_variogram(x, y, 0 * z)


def test_wrong_input():
    x, y, z, x0, y0 = scattered(50)

    def krige(*columns, **options):
        ordinary_kriging(*columns, SPHERICAL, **options)

    with pytest.raises(EngineError, match=r"Invalid columns: x \(49,\), y \(50,\), values \(50,\) were given."):
        krige(x[1:], y, z, x0, y0)
    with pytest.raises(EngineError, match="Invalid number of readings: 0 were given. At least 1 are needed."):
        krige([], [], [], x0, y0)
    with pytest.raises(EngineError, match="Invalid x: 2 of 50 are no numbers, the first in row 1. Leave these rows"):
        krige(np.where(np.arange(50) < 2, np.inf, x), y, z, x0, y0)
    with pytest.raises(EngineError, match="Invalid x of places: 25 of 25 are no numbers, the first in row 1."):
        krige(x, y, z, x0 * np.nan, y0)
    with pytest.raises(EngineError, match="Invalid number of neighbours: 0 was given. It must be 1 or more."):
        krige(x, y, z, x0, y0, neighbours=0)
    with pytest.raises(EngineError, match="Invalid radius: -3 was given. It must be above zero."):
        krige(x, y, z, x0, y0, radius_m=-3)
    with pytest.raises(EngineError, match="Invalid variance of points: 49 were given. There must be 50, one a reading"):
        krige(x, y, z, x0, y0, variance_of_points=z[1:] ** 2)
    with pytest.raises(EngineError, match="Invalid variance of points: -1 was given. None may be below zero."):
        krige(x, y, z, x0, y0, variance_of_points=-np.ones(50))


@pytest.mark.parametrize("neighbours", [20, 50])
def test_readings_that_the_variogram_does_not_distinguish(neighbours):
    """Millimetres apart under a range of a light year, correlation is one to the last bit: no solution, a sentence."""
    x = np.arange(50.0) / 1000
    with pytest.raises(EngineError, match="The kriging equations have no solution.* Give the variogram a nugget"):
        ordinary_kriging(x, 0 * x, x, [0.5], [0.0], Variogram("spherical", 0, 1, 1e16), neighbours=neighbours)
