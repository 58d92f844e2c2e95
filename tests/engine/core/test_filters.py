"""Smoothing of lines by a product of matrices, and the band-pass."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from turnrow.processing_provider.engine.core.filters import CUT, band_pass, difference_of_gaussians, smoother


@pytest.mark.parametrize(("count", "width", "reach"), [(160, 2.8, 3.0), (40, 6.4, 4.0), (5, 4.0, 3.0), (1, 2.0, 3.0)])
def test_product_is_the_filter_of_scipy(count, width, reach):
    # scipy.ndimage.gaussian_filter1d with zeros beyond the ends.
    rows = np.random.default_rng(3).normal(size=(7, count))
    expected = gaussian_filter1d(rows, width, axis=1, mode="constant", truncate=reach)
    np.testing.assert_allclose(rows @ smoother(count, width, reach), expected, rtol=0, atol=1e-13)


@pytest.mark.parametrize("every", [1, 3])
def test_difference_of_gaussians_is_that_of_sums_over_what_is_known(every):
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(6, 200))
    rows[rng.random(rows.shape) < 0.2] = np.nan
    known = np.isfinite(rows)
    means = []
    for width in (0.3, 1.0):
        # Written out: a Gaussian that ends at the whole step nearest to CUT standard deviations.
        steps = np.arange(-int(CUT * width / 0.125 + 0.5), int(CUT * width / 0.125 + 0.5) + 1)
        weight = np.exp(-0.5 * (steps * 0.125 / width) ** 2)
        sums = [[np.convolve(row, weight, mode="same") for row in of] for of in (np.where(known, rows, 0.0), known)]
        means.append(np.array(sums[0]) / np.array(sums[1]))
    expected = np.where(known, means[0] - means[1], 0.0)[:, ::every]
    found = difference_of_gaussians(rows, 0.125, 0.3, 1.0, every=every)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-12)


def test_iron_is_clipped_and_the_rest_is_not():
    rows = np.random.default_rng(5).normal(size=(20, 200))
    rows[7, 90] = 500.0
    band, free = band_pass(rows, 0.125), difference_of_gaussians(rows, 0.125, 0.15, 1.5)
    # Four robust standard deviations of the band itself (which a single reading does not move).
    spread = np.std(np.delete(free, 7, axis=0))
    assert np.max(np.abs(band)) == pytest.approx(4 * spread, rel=0.1)
    untouched = np.abs(free) < 3.5 * spread
    np.testing.assert_array_equal(band[untouched], free[untouched])
