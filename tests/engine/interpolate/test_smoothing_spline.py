"""Noise comes off along the lines, and nothing that coils have seen does."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from turnrow.processing_provider.engine.core import noise_of_smooth_runs
from turnrow.processing_provider.engine.interpolate import smoothing_spline

INTERVAL = 0.125
V = INTERVAL * np.arange(400)


def pieces(count, *starts):
    first = np.zeros(count, bool)
    first[[0, *starts]] = True
    return first


def blurred(width_m, height=3.0):
    """A ditch across the line as coils with a Gaussian footprint of 0.35 m see it."""
    return gaussian_filter1d(np.where(np.abs(V - 25.0) < width_m / 2, height, 0.0), 0.35 / INTERVAL)


def test_curve_is_the_least_squares_solution():
    # Eilers, P.H.C., 2003. A perfect smoother. Analytical Chemistry 75, 3631-3636 (from memory): (I + s D'D)^-1 z.
    rng = np.random.default_rng(0)
    z, first = rng.normal(size=60), pieces(60, 25)
    penalty = np.zeros((60, 60))
    for part in (slice(0, 25), slice(25, 60)):
        third = np.diff(np.eye(part.stop - part.start), 3, axis=0)
        penalty[part, part] = third.T @ third
    expected = np.linalg.solve(np.eye(60) + 2.5 * penalty, z)
    found = smoothing_spline._curve(z, smoothing_spline._third_differences(V[:60], first, INTERVAL), 2.5)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-10)


def test_noise_left_is_what_theory_says():
    z = np.random.default_rng(1).normal(size=40000)
    v = INTERVAL * np.arange(len(z))
    smooth = smoothing_spline.smoothed(v, z, pieces(len(z)), INTERVAL, 1.0)
    assert smooth.noise_fraction < 0.4
    # A variance of 40000 deviates, neighbours alike: 2 % at two standard errors.
    assert np.var(smooth.z) == pytest.approx(smooth.noise_fraction, rel=0.03)
    between = CubicSpline(v, smooth.z)(v[100:-100] + INTERVAL / 2)
    assert np.var(between) == pytest.approx(smooth.halfway_fraction, rel=0.03)


@pytest.mark.parametrize("width_m", [0.4, 1.0, 4.0])
def test_what_coils_see_across_the_line_stays(width_m):
    ditch = blurred(width_m)
    # At its stiffest the curve keeps 1 / (1 + (0.8 m / wavelength)^6) of a wave: 98.9 % of the narrowest ditch.
    power = np.abs(np.fft.rfft(ditch)) ** 2
    kept = np.average(1 / (1 + (0.8 * np.fft.rfftfreq(len(V), INTERVAL)) ** 6), weights=power)
    assert kept > 0.985
    noise = 0.15 * np.random.default_rng(2).normal(size=(20, len(V)))
    lines = (ditch + noise).ravel()
    first = pieces(len(lines), *range(0, len(lines), len(V)))
    smooth = smoothing_spline.smoothed(np.tile(V, 20), lines, first, INTERVAL, 0.15)
    assert smooth.noise_fraction < 0.6
    share = smooth.z.reshape(20, -1).mean(axis=0) @ ditch / (ditch @ ditch)
    # Twenty lines of noise move the share by sigma / (sqrt(20) |ditch|), twice that at most.
    assert share >= kept - 2 * 0.15 / np.sqrt(20 * (ditch @ ditch))


def test_readings_without_noise_stay():
    ground = 20 + 0.1 * V + blurred(1.0) + np.exp(-(((V - 10) / 0.5) ** 2) / 2)
    first = pieces(len(V))
    # Whatever noise there is said to be, prediction shows that there is none.
    for noise in (noise_of_smooth_runs(ground, first), 0.1):
        smooth = smoothing_spline.smoothed(V, ground, first, INTERVAL, noise)
        assert (smooth.noise_fraction, smooth.z is ground) == (1.0, True)


def test_parabolas_stay_whatever_the_distances():
    rng = np.random.default_rng(3)
    v = np.cumsum(rng.uniform(0.05, 0.2, 300))
    first = pieces(300, 120, 122)
    curve = smoothing_spline._curve(3 - v + 0.1 * v**2, smoothing_spline._third_differences(v, first, INTERVAL), 1.4)
    np.testing.assert_allclose(curve, 3 - v + 0.1 * v**2, rtol=0, atol=1e-7)


def test_readings_too_far_from_each_other_stay():
    z = np.random.default_rng(4).normal(size=100)
    assert smoothing_spline.smoothed(0.5 * np.arange(100), z, pieces(100), 0.5, 1.0).z is z


@pytest.mark.parametrize("count", [1, 3, 4])
def test_short_pieces(count):
    z = np.random.default_rng(5).normal(size=count)
    smooth = smoothing_spline.smoothed(V[:count], z, pieces(count), INTERVAL, 1.0)
    assert np.isfinite(smooth.z).all()
    if count < 4:
        np.testing.assert_array_equal(smooth.z, z)


@pytest.mark.parametrize("stiffness", [0.0, 0.1, 10.0, 1e3])
def test_twice_as_many_frequencies_change_no_fraction_of_noise(stiffness, monkeypatch):
    fractions = []
    for count in (257, 513):
        monkeypatch.setattr(smoothing_spline, "FREQUENCIES", np.linspace(0.0, np.pi, count)[1::2])
        found = smoothing_spline._with_noise_fractions(np.zeros(3), stiffness)
        fractions.append((found.noise_fraction, found.halfway_fraction))
    np.testing.assert_allclose(fractions[0], fractions[1], rtol=0, atol=1e-6)
