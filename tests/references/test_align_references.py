"""The lag held against other people's code."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.core.readings import Readings

phase_cross_correlation = pytest.importorskip("skimage.registration").phase_cross_correlation
RATE = 8


def profile(v):
    """A traverse of a few anomalies: sums of Gaussians, so that any shift of it is known exactly."""
    rng = np.random.default_rng(3)
    middle, width, height = rng.uniform(0, 20, 12), rng.uniform(0.35, 1.0, 12), rng.uniform(-4, 4, 12)
    return 15 + (height * np.exp(-(((v[..., None] - middle) / width) ** 2) / 2)).sum(axis=-1)


def lines(lag):
    """Twenty traverses over ground that does not change across them."""
    v = np.tile((np.arange(20 * RATE) + 0.5) / RATE, (20, 1))
    heading = np.where(np.arange(20) % 2, -1, 1)[:, None] + 0 * v
    number = np.arange(1, 21)[:, None] + 0 * v
    noise = np.random.default_rng(4).normal(0, 0.05, v.shape)
    values = profile(v - heading * lag) + noise
    columns = {"u_m": (number - 0.5) * 0.5, "v_m": v, "heading": heading}
    readings = Readings.build(number.ravel().astype(int), {"eca": values.ravel()}, grids=("A",),
                              **{k: a.ravel() for k, a in columns.items()})  # fmt: skip
    return readings, values


@pytest.mark.parametrize("lag", [0.0, 0.1, 0.25, -0.4])
def test_integer_lag_of_numpy_correlate_agrees_within_half_a_reading(lag):
    # numpy.correlate (numpy's reference manual): c[k] = sum_n a[n + k] v[n].
    readings, values = lines(lag)
    out, back = values[0] - values[0].mean(), values[1] - values[1].mean()
    apart = (np.argmax(np.correlate(out, back, "full")) - (len(out) - 1)) / RATE
    found = align_opposing(readings)[1].figures.estimate_m
    assert 2 * -found == pytest.approx(apart, abs=0.5 / RATE)


@pytest.mark.parametrize("lag", [0.1, 0.25, -0.4])
def test_registration_of_scikit_image_agrees(lag):
    # skimage.registration.phase_cross_correlation with normalization=None, which is plain cross-correlation by FFT
    # (Guizar-Sicairos, Thurman, Fienup, 2008, Optics Letters 33(2), 156-158, doi:10.1364/OL.33.000156).
    readings, values = lines(lag)
    taper = np.hanning(values.shape[1])
    out, back = ((values[k] - values[k].mean()) * taper for k in (0, 1))
    shift, _, _ = phase_cross_correlation(out[None, :], back[None, :], upsample_factor=50, normalization=None)
    found = align_opposing(readings)[1].figures.estimate_m
    assert 2 * -found == pytest.approx(shift[1] / RATE, abs=0.5 / RATE)
    assert -found == pytest.approx(lag, abs=0.02)
