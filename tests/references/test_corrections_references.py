"""The corrections held against other people's code."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, signal
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.balance.balance import balance_traverses
from turnrow.processing_provider.engine.core.filters import CLIP, COARSE_M, FINE_M, band_pass
from turnrow.processing_provider.engine.core.noise import robust_sd
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.flag import outliers

phase_cross_correlation = pytest.importorskip("skimage.registration").phase_cross_correlation

RATE = 8
LENGTH_M, COUNT = 20, 20


def profile(v):
    """A traverse of a few anomalies well inside its ends: sums of Gaussians, so that any shift is known exactly."""
    rng = np.random.default_rng(3)
    middle, width, height = rng.uniform(4, 16, 12), rng.uniform(0.35, 0.6, 12), rng.uniform(-4, 4, 12)
    return 15 + (height * np.exp(-(((v[..., None] - middle) / width) ** 2) / 2)).sum(axis=-1)


def survey(lag_m=0.0, stripe=0.0, noise=0.0):
    """Traverses over ground that does not change across them: readings, and their (L, V) values."""
    rng = np.random.default_rng(4)
    v = np.tile((np.arange(LENGTH_M * RATE) + 0.5) / RATE, (COUNT, 1))
    heading = np.where(np.arange(COUNT) % 2, -1, 1)[:, None] + 0 * v
    number = np.arange(1, COUNT + 1)[:, None] + 0 * v
    values = profile(v - heading * lag_m) + rng.normal(0, stripe, (COUNT, 1)) + rng.normal(0, noise, v.shape)
    columns = {"u_m": (number - 0.5) * 0.5, "v_m": v, "heading": heading}
    readings = Readings.build(number.ravel().astype(int), {"eca": values.ravel()}, grids=("A",),
                              **{k: a.ravel() for k, a in columns.items()})  # fmt: skip
    return readings, values


def lags_of_scikit_image(values):
    """Half the shift between opposite neighbours in metres, a pair each, by phase correlation.

    skimage.registration.phase_cross_correlation with its default, normalization="phase" (Guizar-Sicairos, Thurman,
    Fienup, 2008, Optics Letters 33(2), 156-158, doi:10.1364/OL.33.000156).
    """
    pairs = zip(values[::2], values[1::2])
    return np.array([phase_cross_correlation(a[None, :], b[None, :])[0][1] for a, b in pairs]) / RATE / 2


@pytest.mark.parametrize("readings", [-5, 0, 2, 4])
def test_a_shift_of_whole_readings_is_what_phase_correlation_finds(readings):
    # Lines that are the same but for a whole number of readings: where phase correlation is at its best.
    lag = readings / RATE / 2
    table, values = survey(lag)
    assert lags_of_scikit_image(values) == pytest.approx(lag)
    found = align_opposing(table)[1].figures.estimate_m
    # An autocorrelation is even, so the parabola through three points of its peak has its top on the whole reading.
    assert -found == pytest.approx(lag, abs=0.01 / RATE)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_phase_correlation_is_off_by_metres_on_walked_lines_and_the_alignment_is_not(walk, seed):
    # Phase correlation gives each wavelength the same weight, whether there are anomalies in it or only noise; and
    # neighbouring lines of a real walk see different ground.
    rng = np.random.default_rng(seed)
    readings = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.4)).readings
    values = readings.channels["eca"].reshape(40, 160).copy()
    values[1::2] = values[1::2, ::-1].copy()  # walked back
    wrong = lags_of_scikit_image(values) - 0.4
    assert np.sqrt(np.mean(wrong**2)) > 1.0
    found = align_opposing(outliers.flag_outliers(readings)[0])[1].figures.estimate_m
    assert -found == pytest.approx(0.4, abs=1 / RATE)


def test_band_pass_is_the_difference_of_two_convolutions_of_scipy_signal():
    step = 1 / RATE
    lines = np.random.default_rng(5).normal(0, 1, (6, 400))
    smooth = []
    for width in (FINE_M / step, COARSE_M / step):
        reach = int(3 * width + 0.5)
        window = signal.windows.gaussian(2 * reach + 1, width)
        smooth.append(signal.convolve(lines, window[None, :] / window.sum(), mode="same", method="direct"))
    band, expected = band_pass(lines, step), smooth[0] - smooth[1]
    # Away from the ends, where what is missing counts, and from what is clipped as iron.
    limit = max(CLIP * robust_sd(band), np.quantile(np.abs(expected), 0.9))
    compared = np.abs(expected) < 0.9 * limit
    compared[:, :50] = compared[:, -50:] = False
    assert compared.sum() > 1000
    np.testing.assert_allclose(band[compared], expected[compared], atol=1e-12)


@pytest.mark.parametrize("half", outliers.HALF_WINDOWS)
def test_running_median_is_that_of_scipy(half):
    values = np.random.default_rng(6).normal(15, 3, 200)
    ours = outliers._median_of(outliers._windows(values, np.zeros(200, int), half))
    inside = slice(half, -half)
    np.testing.assert_array_equal(ours[inside], signal.medfilt(values, 2 * half + 1)[inside])
    np.testing.assert_array_equal(ours, ndimage.median_filter(values, 2 * half + 1, mode="mirror"))


def test_method_median_takes_line_medians_to_a_local_straight_line_of_numpy():
    # numpy.polyfit of degree 1 around each line in turn, Gaussian window of four lines (its weights are squared).
    table, values = survey(0.0, stripe=0.7, noise=0.3)
    record = balance_traverses(table, method="median")[1]
    middle, u = np.median(values, axis=1), (np.arange(COUNT) + 0.5) * 0.5
    window = [np.exp(-(((u - at) / (4 * 0.5)) ** 2) / 4) for at in u]
    level = [np.polyval(np.polyfit(u, middle, 1, w=w), at) for w, at in zip(window, u)]
    expected = middle - level - np.mean(middle - level)
    np.testing.assert_allclose([row.offset for row in record.table], expected, atol=1e-9)
