"""Kriging and variograms against published figures and against pykrige and gstools.

The Meuse data (155 soil samples, zinc in ppm) are read from the package scikit-gstat, which carries them as text.
"""

from importlib.metadata import PackageNotFoundError, distribution

import numpy as np
import pytest
from turnrow.processing_provider.engine.scattered.kriging import ordinary_kriging
from turnrow.processing_provider.engine.scattered.variogram import Variogram, fit_variogram, sample_variogram

gstools = pytest.importorskip("gstools")
OrdinaryKriging = pytest.importorskip("pykrige.ok").OrdinaryKriging
try:
    SAMPLES = distribution("scikit-gstat").locate_file("skgstat/data/samples/meuse.txt")
except PackageNotFoundError:
    pytest.skip("the Meuse samples of scikit-gstat are not installed", allow_module_level=True)
X0, Y0 = np.array([(179660, 331860), (180000, 331000), (178900, 330100), (181180, 333740)], float).T
FITTED = Variogram("spherical", 0.05065778, 0.5906032, 896.9869)
"""An independent least-squares fit to the same classes."""
SEVEN = [(61, 139, 477), (63, 140, 696), (64, 129, 227), (68, 128, 646), (71, 140, 606), (73, 141, 791), (75, 128, 783)]
"""x, y, value: Isaaks and Srivastava 1989, An Introduction to Applied Geostatistics, chapters 11, 12 (from memory)."""


@pytest.fixture(scope="module")
def meuse():
    """Return x, y and the natural logarithm of zinc."""
    x, y, zinc = np.genfromtxt(SAMPLES, delimiter=",", skip_header=1, usecols=(0, 1, 5)).T
    return x, y, np.log(zinc)


def by_pykrige(x, y, z, x0, y0, variogram):
    """Ordinary kriging by pykrige.

    Its exponential is 1 - exp(-3 h / range); its Gaussian has 4/7 of its range for the length in exp(-(h / length)^2).
    Its angle turns the axis anticlockwise from east, and its scaling is 1 / ratio across it.
    """
    range_m = variogram.range_m * (7 / 4 / np.sqrt(3) if variogram.model == "gaussian" else 1)
    kriging = OrdinaryKriging(
        x,
        y,
        z,
        variogram.model,
        {"psill": variogram.psill, "range": range_m, "nugget": variogram.nugget},
        anisotropy_scaling=1 / variogram.ratio,
        anisotropy_angle=90 - np.degrees(variogram.azimuth_rad),
    )
    return [np.asarray(part) for part in kriging.execute("points", x0, y0)]


def by_gstools(x, y, z, x0, y0, variogram, **options):
    """Ordinary kriging by gstools, whose models have h / length in the exponent; angles anticlockwise from east."""
    kind = {"spherical": gstools.Spherical, "exponential": gstools.Exponential, "gaussian": gstools.Gaussian}
    length = {"spherical": 1, "exponential": 1 / 3, "gaussian": 1 / np.sqrt(3)}[variogram.model] * variogram.range_m
    model = kind[variogram.model](
        dim=2,
        var=variogram.psill,
        len_scale=length,
        nugget=variogram.nugget,
        rescale=1,
        anis=variogram.ratio,
        angles=np.pi / 2 - variogram.azimuth_rad,
    )
    kriging = gstools.krige.Ordinary(model, (x, y), z, **{"exact": True, **options})
    return kriging((x0, y0), return_var=True)


def test_sample_variogram_of_meuse(meuse):
    """The first class of the gstat package's own example is 57 pairs, 79.29244 m, 0.1234479."""
    sample = sample_variogram(*meuse)
    assert len(sample.pairs) == 15
    assert list(sample.pairs[:2]) == [57, 299]
    np.testing.assert_allclose(sample.distance_m[:2], [79.29244, 163.97367], rtol=1e-6)
    np.testing.assert_allclose(sample.semivariance[:2], [0.1234479, 0.2162185], rtol=1e-6)


def test_sample_variogram_equals_gstools(meuse):
    x, y, z = meuse
    edges = np.linspace(0, 1500, 13)
    _, expected, pairs = gstools.vario_estimate((x, y), z, edges, return_counts=True)
    sample = sample_variogram(x, y, z, lags=edges)
    np.testing.assert_array_equal(sample.pairs, pairs)
    np.testing.assert_allclose(sample.semivariance, expected, rtol=1e-10)


def test_fit_to_meuse(meuse):
    """Published output of gstat's fit.variogram, which stops a little before the least squares are reached."""
    fitted = fit_variogram(sample_variogram(*meuse), "spherical")
    assert fitted.nugget == pytest.approx(0.05066243, rel=1e-3)
    assert fitted.psill == pytest.approx(0.59060780, rel=1e-4)
    assert fitted.range_m == pytest.approx(897.0209, rel=1e-4)
    assert fitted.ratio == 1


def test_kriging_of_meuse(meuse):
    """Figures on which an independent solver, pykrige 1.7.3 and gstools 1.7.0 agree to 1e-8."""
    estimate, variance = ordinary_kriging(*meuse, X0, Y0, FITTED)
    np.testing.assert_allclose(estimate, [5.56735737, 5.05549468, 5.82955242, 6.49961442], rtol=0, atol=1e-7)
    np.testing.assert_allclose(variance, [0.1639883, 0.16113502, 0.22868549, 0.3198082], rtol=0, atol=1e-7)


@pytest.mark.parametrize(
    "variogram",
    [
        FITTED,
        Variogram("exponential", 0.05, 0.6, 1200.0),
        Variogram("gaussian", 0.1, 0.5, 800.0),
        Variogram("spherical", 0.05, 0.6, 1000.0, ratio=0.4, azimuth_rad=np.radians(40)),
        Variogram("exponential", 0, 0.6, 900.0, ratio=1.8, azimuth_rad=np.radians(-25)),
        Variogram("gaussian", 0.05, 0.6, 500.0, ratio=0.5, azimuth_rad=np.radians(110)),
    ],
    ids=lambda v: f"{v.model}-{v.ratio}",
)
@pytest.mark.parametrize("library", [by_pykrige, by_gstools])
def test_kriging_equals_the_libraries(meuse, library, variogram):
    """At 200 places all over the data and beyond, and at readings."""
    rng = np.random.default_rng(0)
    x0, y0 = rng.uniform(178400, 181600, 200), rng.uniform(329500, 333800, 200)
    x0, y0 = np.append(x0, meuse[0][:5]), np.append(y0, meuse[1][:5])
    given = ordinary_kriging(*meuse, x0, y0, variogram)
    np.testing.assert_allclose(given, library(*meuse, x0, y0, variogram), rtol=0, atol=1e-8)


def test_errors_of_readings_equal_gstools(meuse):
    """gstools takes error variances as ``cond_err`` where it need not honour the readings."""
    x, y, z = meuse
    error = np.random.default_rng(1).uniform(0.01, 0.3, len(x))
    variogram = Variogram("exponential", 0, 0.6, 1200.0, ratio=0.5, azimuth_rad=0.5)
    x0, y0 = np.append(X0, x[:20]), np.append(Y0, y[:20])
    given = ordinary_kriging(x, y, z, x0, y0, variogram, variance_of_points=error)
    expected = by_gstools(x, y, z, x0, y0, variogram, exact=False, cond_err=error)
    np.testing.assert_allclose(given, expected, rtol=0, atol=1e-8)


def test_leaving_one_out_of_meuse(meuse):
    """Figures from the closed form of the leave-one-out errors of kriging (O. Dubrule 1983, Cross validation of
    kriging in a unique neighborhood, Mathematical Geology 15), independent code."""
    x, y, z = meuse
    error, variance = np.empty(len(x)), np.empty(len(x))
    for out in range(len(x)):
        kept = np.arange(len(x)) != out
        place = x[out : out + 1], y[out : out + 1]
        estimate, variance[out] = (float(a[0]) for a in ordinary_kriging(x[kept], y[kept], z[kept], *place, FITTED))
        error[out] = z[out] - estimate
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.391801, abs=1e-5)
    assert error.mean() == pytest.approx(-2.0e-5, abs=1e-5)
    assert np.mean(error**2 / variance) == pytest.approx(0.81854, abs=1e-5)


def test_neighbours_of_meuse_equal_a_library_on_the_same_points(meuse):
    """A radius and room for all neighbours: pykrige on the readings within the radius of each place."""
    x, y, z = meuse
    given = ordinary_kriging(x, y, z, X0, Y0, FITTED, neighbours=155, radius_m=900)
    for number, (x0, y0) in enumerate(zip(X0, Y0)):
        near = np.hypot(x - x0, y - y0) < 900
        expected = by_pykrige(x[near], y[near], z[near], np.array([x0]), np.array([y0]), FITTED)
        np.testing.assert_allclose([a[number] for a in given], np.ravel(expected), rtol=0, atol=1e-8)


def test_the_example_of_seven_samples():
    """Isaaks and Srivastava 1989, chapter 12: covariance 10 exp(-0.3 h) at (65, 137); printed 592.7, 8.96 and these
    weights to three digits. Weights are what readings of one and zero are turned into."""
    x, y, z = np.array(SEVEN, float).T
    variogram = Variogram("exponential", 0, 10, 10)
    place = np.array([65.0]), np.array([137.0])
    estimate, variance = ordinary_kriging(x, y, z, *place, variogram)
    assert estimate[0] == pytest.approx(592.7289, abs=1e-4)
    assert variance[0] == pytest.approx(8.956053, abs=1e-4)
    weights = [ordinary_kriging(x, y, unit, *place, variogram)[0][0] for unit in np.eye(7)]
    np.testing.assert_allclose(weights, [0.1729, 0.3178, 0.1287, 0.0864, 0.1511, 0.0572, 0.0858], atol=1e-4)
    multiplier = 10 - weights @ (10 * np.exp(-0.3 * np.hypot(x - 65, y - 137))) - variance[0]
    assert multiplier == pytest.approx(-0.906617, abs=1e-4)
    for library in (by_pykrige, by_gstools):
        np.testing.assert_allclose(np.ravel(library(x, y, z, *place, variogram)), [estimate[0], variance[0]], atol=1e-8)


def test_pure_nugget_is_the_mean_of_the_example():
    """The same book prints 603.7 for the mean of the seven."""
    x, y, z = np.array(SEVEN, float).T
    estimate, _ = ordinary_kriging(x, y, z, [65.0], [137.0], Variogram("spherical", 1, 0, 1))
    assert estimate[0] == pytest.approx(603.7143, abs=1e-4)
