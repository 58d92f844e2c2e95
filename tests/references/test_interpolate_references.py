"""Interpolation against scipy's own interpolators, and against the closed forms behind its error figures."""

from math import comb

import numpy as np
import pytest
from scipy.interpolate import (
    CloughTocher2DInterpolator,
    CubicSpline,
    LinearNDInterpolator,
    RectBivariateSpline,
    RegularGridInterpolator,
)
from scipy.signal import resample
from scipy.special import ndtri
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings
from turnrow.processing_provider.engine.interpolate.splines import knot_slopes, second_derivatives
from turnrow.processing_provider.engine.interpolate.standard_error import HALFWAY

X0, Y0 = 400000.0, 5000000.0


def walked(values, spacing, interval):
    """Return readings of a north-up grid from (lines, readings) values."""
    u = spacing / 2 + spacing * np.arange(values.shape[0])
    v = interval / 2 + interval * np.arange(values.shape[1])
    us, vs = (a.ravel() for a in np.meshgrid(u, v, indexing="ij"))
    line = np.repeat(np.arange(len(u)), len(v))
    return u, v, Readings.build(line, {"eca": values.ravel()}, u_m=us, v_m=vs, x=X0 + us, y=Y0 + vs)


def on_cells(lattice, function):
    """Evaluate a function of (n, 2) local positions on the cells of a lattice."""
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    return function(np.stack([x.ravel(), y.ravel()], axis=1)).reshape(lattice.shape)


@pytest.mark.parametrize("pieces", [(7,), (3, 9, 1, 2, 6), (2, 2), (1,), (12, 5)])
def test_splines_equal_scipy_with_the_same_curvature_at_the_ends(pieces):
    """scipy.interpolate.CubicSpline, bc_type second derivative; a cubic spline is unique once these are given."""
    rng = np.random.default_rng(sum(pieces))
    x = np.concatenate([np.cumsum(rng.uniform(0.1, 1.0, n)) for n in pieces])
    z = rng.normal(size=(2, len(x)))
    ends = np.cumsum(pieces)
    first = np.isin(np.arange(len(x)), np.append(0, ends[:-1]))
    curvature = second_derivatives(x, z, first)
    slope = knot_slopes(x, z[0], curvature[0], first)
    for start, end in zip(ends - pieces, ends):
        part = slice(start, end)
        if end - start < 3:
            assert not curvature[:, part].any()
            continue
        np.testing.assert_allclose(curvature[:, start], curvature[:, start + 1], rtol=1e-12)
        np.testing.assert_allclose(curvature[:, end - 1], curvature[:, end - 2], rtol=1e-12)
        bounds = ((2, curvature[0, start]), (2, curvature[0, end - 1]))
        spline = CubicSpline(x[part], z[0, part], bc_type=bounds)
        np.testing.assert_allclose(curvature[0, part], spline(x[part], 2), rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(slope[part], spline(x[part], 1), rtol=1e-9, atol=1e-9)


def test_linear_equals_bilinear_interpolation():
    """scipy.interpolate.RegularGridInterpolator, method linear."""
    values = np.random.default_rng(0).normal(size=(20, 40))
    u, v, readings = walked(values, 0.5, 0.25)
    lattice = Lattice.covering(X0, Y0, X0 + 10, Y0 + 10, 0.2)
    expected = on_cells(lattice, RegularGridInterpolator((u, v), values, bounds_error=False))
    given = interpolate_readings(readings, "eca", lattice, method="linear").values
    inside = np.isfinite(expected)
    assert inside.sum() > 2000
    np.testing.assert_allclose(given[inside], expected[inside], rtol=0, atol=1e-7)


def test_cubic_equals_a_tensor_product_spline_inside():
    """scipy.interpolate.RectBivariateSpline, s = 0.

    It has other end conditions (not-a-knot). Their influence falls by 2 - sqrt(3) = 0.268 from knot to knot
    (de Boor 1978, chapter IV), so 14 knots inside it is below 1e-8 of the second difference's size. Half a metre apart,
    readings see no ground in common, and none of them counts as noise.
    """
    values = np.random.default_rng(1).normal(size=(36, 60))
    u, v, readings = walked(values, 0.5, 0.5)
    lattice = Lattice.covering(X0, Y0, X0 + 18, Y0 + 30, 0.2)
    spline = RectBivariateSpline(u, v, values, s=0)
    expected = on_cells(lattice, lambda p: spline(p[:, 0], p[:, 1], grid=False))
    given = interpolate_readings(readings, "eca", lattice).values
    x, y = np.meshgrid(lattice.x - X0, lattice.y - Y0)
    inside = (np.minimum(x, 18 - x) > 0.5 * 14.5) & (np.minimum(y, 30 - y) > 0.5 * 14.5)
    assert inside.sum() > 500
    np.testing.assert_allclose(given[inside], expected[inside], rtol=0, atol=6 * (2 - np.sqrt(3)) ** 14 * 10)
    everywhere = (np.minimum(x, 18 - x) > 0.25) & (np.minimum(y, 30 - y) > 0.25)
    assert np.abs(given - expected)[everywhere].max() > 1e-3, "the end conditions differ, and so must the edges"


def test_sinc_is_the_band_limited_interpolation_of_a_periodic_field():
    """scipy.signal.resample: Fourier interpolation, exact for a periodic field below the Nyquist frequency.

    The field repeats after 10 m in u and has waves of 4 and more line spacings. Duchon 1979 gives the response of
    the Lanczos filter with three lobes; at a quarter of the sampling frequency it is off by 1 %.
    """
    u = 0.25 + 0.5 * np.arange(60)
    v = 0.125 + 0.25 * np.arange(80)
    waves = sum(np.cos(2 * np.pi * n * u / 10 + n) for n in (1, 2, 3, 5))
    values = waves[:, None] * np.ones(len(v))
    u, v, readings = walked(values, 0.5, 0.25)
    fine = resample(waves[20:40], 80)  # one period from u = 10.25 on, every 0.125 m
    lattice = Lattice.covering(X0 + 10, Y0 + 5, X0 + 20, Y0 + 10, 0.25)
    given = interpolate_readings(readings, "eca", lattice, method="sinc").values
    expected = np.interp(lattice.x - X0, 10.25 + 0.125 * np.arange(80), fine)
    inside = lattice.x - X0 > 10.25
    np.testing.assert_allclose(given[:, inside], np.tile(expected[inside], (len(given), 1)), rtol=0, atol=0.01 * 4)


def as_coils_see(x, y, seed=2):
    """Gaussian features convolved with a Gaussian footprint: widths add in squares.

    A footprint of 0.35 m full width at half height has the standard deviation 0.35 / 2.3548 m. Convolution of a
    Gaussian of unit height and variance s^2 with a unit-mass one of variance t^2, in two dimensions, is a Gaussian
    of variance s^2 + t^2 and height s^2 / (s^2 + t^2).
    """
    rng = np.random.default_rng(seed)
    foot = (0.35 / 2.3548) ** 2
    z = np.full(np.shape(x), 20.0)
    for a, b, width, height in zip(*rng.uniform([[1], [1], [0.5], [3]], [[19], [19], [1.2], [9]], (4, 25))):
        square = width**2 + foot
        z += height * width**2 / square * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 2 / square)
    return z


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_a_quarter_of_the_error_of_triangles(turn_deg):
    """scipy.interpolate.LinearNDInterpolator: Delaunay triangles, as general gridding programs draw them."""
    u, v, readings = walked(np.zeros((40, 160)), 0.5, 0.125)
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, y = cos * readings.u_m - sin * readings.v_m, sin * readings.u_m + cos * readings.v_m
    z = as_coils_see(readings.u_m, readings.v_m)
    readings = readings.replace(x=X0 + x, y=Y0 + y, channels={"eca": z})
    lattice = Lattice.covering(X0 + x.min(), Y0 + y.min(), X0 + x.max(), Y0 + y.max(), 0.25)
    triangles = on_cells(lattice, LinearNDInterpolator(np.stack([x, y], axis=1), z))
    truth = on_cells(lattice, lambda p: as_coils_see(p[:, 0] * cos + p[:, 1] * sin, p[:, 1] * cos - p[:, 0] * sin))
    given = interpolate_readings(readings, "eca", lattice).values
    both = np.isfinite(triangles) & np.isfinite(given)
    assert both.sum() > 5500
    error, of_triangles = (np.sqrt(np.mean((a - truth)[both] ** 2)) for a in (given, triangles))
    assert error < of_triangles / 4


def test_less_error_than_smooth_triangles():
    """scipy.interpolate.CloughTocher2DInterpolator: cubic pieces on triangles, for points that lie anyhow.

    Both are of cubic order. The triangles do not know of the lines: their gradients are a compromise over neighbours
    that lie four times as far apart across the lines as along them. Ours has at most six tenths of their error.
    """
    u, v, readings = walked(np.zeros((40, 160)), 0.5, 0.125)
    readings = readings.replace(channels={"eca": as_coils_see(readings.u_m, readings.v_m)})
    lattice = Lattice.covering(X0 + 1, Y0 + 1, X0 + 19, Y0 + 19, 0.25)
    places = np.stack([readings.u_m, readings.v_m], axis=1)
    triangles = on_cells(lattice, CloughTocher2DInterpolator(places, readings.channels["eca"]))
    truth = on_cells(lattice, lambda p: as_coils_see(p[:, 0], p[:, 1]))
    given = interpolate_readings(readings, "eca", lattice).values
    error, of_triangles = (np.sqrt(np.mean((a - truth) ** 2)) for a in (given, triangles))
    assert error <= 0.6 * of_triangles


def test_noise_let_through_half_way_between_knots():
    """The cardinal spline of scipy.interpolate.CubicSpline: sum of squared weights 0.756 half-way."""
    knots = np.arange(41.0)
    half_way = [CubicSpline(knots, row)(20.5) for row in np.eye(41)]
    assert sum(w * w for w in half_way) == pytest.approx(1 - 0.244, abs=5e-4)


def test_factors_of_the_noise_estimate():
    """Variance of a fourth difference of unit noise: sum of squared binomials; median of |N(0, 1)|: its quantile."""
    assert sum(comb(4, k) ** 2 for k in range(5)) == 70
    assert ndtri(0.75) == pytest.approx(0.674490, abs=1e-6)


def test_noise_of_the_map_is_its_standard_error():
    """On flat ground the only error is noise: its standard deviation over the cells must be the standard error."""
    values = 0.5 * np.random.default_rng(6).normal(size=(80, 320))
    _, _, readings = walked(values, 0.5, 0.125)
    lattice = Lattice.covering(X0 + 1, Y0 + 1, X0 + 39, Y0 + 39, 0.25)
    result = interpolate_readings(readings, "eca", lattice)
    # 23,000 cells, neighbours sharing readings: about 2 %; leaving lines out cannot prove that nothing lies between.
    expected = np.sqrt(np.mean(result.standard_error**2))
    assert np.std(result.values) == pytest.approx(expected, rel=0.06)


@pytest.mark.parametrize("gap", [1, 2, 3])
def test_weights_in_the_middle_of_a_gap_are_those_of_the_cardinal_spline(gap):
    """scipy.interpolate.CubicSpline through lines one spacing from each other with a gap among them."""
    knots = np.concatenate([np.arange(-20.0, 1.0), np.arange(float(gap), gap + 21.0)])
    cardinal = CubicSpline(knots, np.eye(len(knots)))(gap / 2)
    # The nearest three lines on either side; those farther off are left out.
    weights = cardinal[20:17:-1]
    np.testing.assert_allclose(HALFWAY[True][gap - 1], weights, rtol=0, atol=5e-4)
    assert np.abs(cardinal[:18]).max() < 0.04
