"""The sample variogram, its models and the fit."""

import math

import numpy as np
import pytest
from scipy.spatial.distance import pdist
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.scattered.points import spacing_of, thinned
from turnrow.processing_provider.engine.scattered.variogram import (
    MODELS,
    SampleVariogram,
    Variogram,
    fit_variogram,
    line_lags,
    sample_variogram,
)


def scattered(n=120, seed=0):
    """Return x, y, z of points without a pattern."""
    rng = np.random.default_rng(seed)
    return (*(400000 + rng.uniform(0, 30, (2, n))), rng.normal(size=n))


def walked(lines=40, spacing=1.0, interval=0.1, length=30.0, turn=0.4):
    """Return x, y of readings dense along lines that run ``turn`` anticlockwise from north."""
    u = np.repeat(np.arange(lines) * spacing, round(length / interval))
    v = np.tile(np.arange(round(length / interval)) * interval, lines)
    return 4e5 + u * np.cos(turn) - v * np.sin(turn), 5e6 + u * np.sin(turn) + v * np.cos(turn)


def test_models_follow_their_formulas():
    """Isaaks and Srivastava 1989, chapter 16 (from memory): 11/16 of the sill at half the range; 95 % at the range."""
    half, full, double = (
        [Variogram(model, 1, 4, 10).semivariance(0.0, h) for model in MODELS] for h in (5.0, 10.0, 20.0)
    )
    np.testing.assert_allclose(half, [1 + 4 * 11 / 16, 1 + 4 * (1 - math.exp(-1.5)), 1 + 4 * (1 - math.exp(-0.75))])
    np.testing.assert_allclose(full, [5, 5 - 4 * math.exp(-3), 5 - 4 * math.exp(-3)])
    np.testing.assert_allclose(double, [5, 5 - 4 * math.exp(-6), 5 - 4 * math.exp(-12)])
    assert all(Variogram(model, 1, 4, 10).semivariance(0.0, 0.0) == 0 for model in MODELS)


def test_axis_turns_clockwise_from_north():
    variogram = Variogram("spherical", 0, 1, 10, ratio=0.25, azimuth_rad=math.radians(30))
    along, across = (math.sin(math.radians(30)), math.cos(math.radians(30))), (math.cos(math.radians(30)), -0.5)
    assert variogram.semivariance(*(8 * part for part in along)) == pytest.approx(1.5 * 0.8 - 0.5 * 0.8**3)
    assert variogram.semivariance(*(2 * part for part in across)) == pytest.approx(1.5 * 0.8 - 0.5 * 0.8**3)


def test_sample_equals_the_definition():
    """Half the mean squared difference of all pairs of a class (Matheron 1963), with scipy's own pair distances."""
    x, y, z = scattered()
    edges = np.array([0, 1, 2.5, 4, 9.0])
    sample = sample_variogram(x, y, z, lags=edges)
    distance = pdist(np.stack([x, y], axis=1))
    square = pdist(z[:, None]) ** 2
    for number in range(4):
        inside = (distance > edges[number]) & (distance <= edges[number + 1])
        assert sample.pairs[number] == inside.sum() > 10
        assert sample.distance_m[number] == pytest.approx(distance[inside].mean(), rel=1e-9)
        assert sample.semivariance[number] == pytest.approx(square[inside].mean() / 2, rel=1e-9)


def test_bands_share_the_pairs_by_direction():
    x, y, z = scattered()
    azimuth = math.radians(110)
    every, banded = (sample_variogram(x, y, z, lags=[0, 8], azimuth_rad=azimuth, bands=n) for n in (1, 3))
    first, second = np.triu_indices(len(x), 1)
    dx, dy = x[first] - x[second], y[first] - y[second]
    off = np.abs((np.degrees(np.arctan2(dx, dy)) - 110 + 90) % 180 - 90)
    near = np.hypot(dx, dy) <= 8
    assert list(banded.pairs) == [np.sum(near & (off >= a) & (off < a + 30)) for a in (0, 30, 60)]
    assert every.pairs.sum() == banded.pairs.sum()
    assert [int(np.degrees(angle) // 30) for angle in banded.angle_rad] == [0, 1, 2]


def test_many_pairs_are_estimated_from_a_sample():
    """The semivariance of white noise is its variance at every distance.

    Its standard error from N pairs among m readings is at most sqrt(2/m + 2/N) times it (variance of a chi-square of
    one degree, once for the readings and once for the pairs).
    """
    x, y = walked()
    z = np.random.default_rng(3).normal(size=len(x))
    edges = [0, 0.15, 0.35, 3, 12]
    sample = sample_variogram(x, y, z, lags=edges, most_pairs=20_000)
    assert sample.pairs[0] == 40 * 299, "short distances keep all their pairs"
    assert ((sample.pairs[2:] > 10_000) & (sample.pairs[2:] < 40_000)).all()
    assert np.abs(sample.semivariance - z.var()).max() < 4 * math.sqrt(2 / 400 + 2 / 10_000)
    again = sample_variogram(x, y, z, lags=edges, most_pairs=20_000)
    np.testing.assert_array_equal(again.semivariance, sample.semivariance)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("ratio", [1.0, 0.4, 2.5])
def test_fit_finds_the_model_that_made_the_classes(model, ratio):
    truth = Variogram(model, 0.3, 2.0, 6.0, ratio, 0.7)
    distance, angle = (a.ravel() for a in np.meshgrid(np.linspace(0.5, 10, 20), np.radians([5, 45, 85])))
    direction = 0.7 + angle
    values = truth.semivariance(distance * np.sin(direction), distance * np.cos(direction))
    sample = SampleVariogram(distance, values, np.full(60, 100), angle, 0.7, 3)
    found = fit_variogram(sample, model)
    assert fit_variogram(sample) == found, "of three models the one that made the classes fits best"
    given = (found.nugget, found.psill, found.range_m, found.ratio, found.azimuth_rad)
    np.testing.assert_allclose(given, (0.3, 2.0, 6.0, ratio, 0.7), rtol=1e-5)


def test_fit_does_not_go_below_zero():
    distance = np.arange(1.0, 9.0)
    curved = SampleVariogram(distance, distance**2, np.full(8, 50), 0 * distance, 0.0, 1)
    assert fit_variogram(curved, "spherical").nugget == 0
    falling = SampleVariogram(distance, 9 - distance, np.full(8, 50), 0 * distance, 0.0, 1)
    assert fit_variogram(falling, "spherical").psill == 0


def test_fit_on_a_walked_field():
    """A field of random waves whose variogram is Gaussian: frequencies normal, as its spectrum.

    Covariance exp(-3 h^2 / range^2) has the normal spectral density with standard deviation sqrt(6) / range (Fourier
    transform of a Gaussian). Features are twice as long across the lines as along them.
    """
    x, y = walked(lines=60, length=60.0)
    rng = np.random.default_rng(5)
    sin, cos = math.sin(-0.4), math.cos(-0.4)
    along, across = x * sin + y * cos, x * cos - y * sin
    k = rng.normal(size=(2, 400)) * math.sqrt(6) / np.array([[3.0], [6.0]])
    z = sum(np.cos(a * along + b * across + p) for a, b, p in zip(*k, rng.uniform(0, 2 * np.pi, 400))) / math.sqrt(200)
    z += 0.3 * rng.normal(size=len(z))
    found = fit_variogram(sample_variogram(x, y, z, lags=line_lags(x, y), azimuth_rad=-0.4, bands=3))
    assert found.model == "gaussian"
    # 60 m hold some 200 independent features: about 10 % of standard error on each figure.
    assert found.nugget == pytest.approx(0.09, rel=0.3)
    assert found.psill == pytest.approx(1.0, rel=0.3)
    assert found.range_m == pytest.approx(3.0, rel=0.3)
    assert found.ratio == pytest.approx(2.0, rel=0.3)


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.0])
@pytest.mark.parametrize(("spacing", "interval"), [(0.5, 0.125), (1.0, 0.05)])
def test_spacing_of_lines(turn, spacing, interval):
    points = np.stack(walked(spacing=spacing, interval=interval, turn=turn), axis=1)
    assert 0.5 * spacing <= spacing_of(points) <= 1.5 * spacing


def test_spacing_of_scattered_points():
    """Points thrown at random, one a square metre."""
    points = np.random.default_rng(0).uniform(0, 40, (1600, 2))
    assert 0.7 <= spacing_of(points) <= 2.5


def test_thinning_keeps_one_point_a_box():
    points = np.stack(walked(), axis=1)
    few = thinned(points, 1.0)
    boxes = np.floor(points - points.min(axis=0))
    assert len(few) == len(np.unique(boxes, axis=0)) == len(np.unique(boxes[few], axis=0))


def test_input_is_not_changed():
    columns = scattered()
    copies = [column.copy() for column in columns]
    sample_variogram(*columns, bands=2)
    for column, copy in zip(columns, copies):
        np.testing.assert_array_equal(column, copy)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"model": "linear"}, "Invalid variogram model: 'linear' was given. It must be one of: spherical"),
        ({"nugget": -1}, "Invalid nugget: -1 was given. It must not be below zero."),
        ({"psill": -2}, "Invalid partial sill: -2 was given. It must not be below zero."),
        ({"nugget": 0, "psill": 0}, "Invalid sill: 0 was given. It must be above zero."),
        ({"range_m": 0}, "Invalid range: 0 was given. It must be above zero."),
        ({"ratio": 0}, "Invalid ratio of the ranges: 0 was given. It must be above zero."),
        ({"azimuth_rad": math.nan}, "Invalid azimuth: nan was given. It must be a number."),
    ],
)
def test_wrong_models(options, sentence):
    with pytest.raises(EngineError, match=f"^{sentence}"):
        Variogram(**{"model": "spherical", "nugget": 0, "psill": 1, "range_m": 5, **options})


def test_wrong_samples():
    x, y, z = scattered(20)
    with pytest.raises(EngineError, match="Invalid values: 1 of 20 are no numbers, the first in row 8. Leave"):
        sample_variogram(x, y, np.where(np.arange(20) == 7, np.nan, z))
    with pytest.raises(EngineError, match=r"Invalid columns: x \(20,\), y \(20,\), values \(19,\) were given."):
        sample_variogram(x, y, z[1:])
    with pytest.raises(EngineError, match="Invalid number of readings: 1 were given. At least 2 are needed."):
        sample_variogram(x[:1], y[:1], z[:1])
    with pytest.raises(EngineError, match="Invalid lags: 0, 2, 2 were given. The limits of the classes must be two"):
        sample_variogram(x, y, z, lags=[0, 2, 2])
    with pytest.raises(EngineError, match="Invalid number of lags: 0 was given. It must be above zero."):
        sample_variogram(x, y, z, lags=0)
    with pytest.raises(EngineError, match="Invalid number of direction bands: 0 was given."):
        sample_variogram(x, y, z, bands=0)
    with pytest.raises(EngineError, match="No two of the 20 readings are up to 0.001 m from each other, so there"):
        sample_variogram(x, y, z, lags=[0, 0.001])
    with pytest.raises(EngineError, match="Invalid lags: 0, 0, 0"):
        sample_variogram(0 * x, 0 * y, z, lags=[0, 0, 0])
    with pytest.raises(EngineError, match="No two of the 20 readings are up to 0 m from each other, so there is no"):
        sample_variogram(0 * x, 0 * y, z)


def test_wrong_fits():
    x, y, z = scattered()
    with pytest.raises(EngineError, match="Invalid variogram model: 'linear' was given."):
        fit_variogram(sample_variogram(x, y, z), "linear")
    with pytest.raises(EngineError, match="The sample variogram has 3 classes with pairs; 4 are needed to fit"):
        fit_variogram(sample_variogram(x, y, z, lags=3))
    with pytest.raises(EngineError, match="The readings do not vary, so no variogram can be fitted."):
        fit_variogram(sample_variogram(x, y, 0 * z + 5))
