"""Smoothing of lines by a product of matrices."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from turnrow.processing_provider.engine.core.filters import smoother


@pytest.mark.parametrize(("count", "width", "reach"), [(160, 2.8, 3.0), (40, 6.4, 4.0), (5, 4.0, 3.0), (1, 2.0, 3.0)])
def test_product_is_the_filter_of_scipy(count, width, reach):
    # scipy.ndimage.gaussian_filter1d with zeros beyond the ends.
    rows = np.random.default_rng(3).normal(size=(7, count))
    expected = gaussian_filter1d(rows, width, axis=1, mode="constant", truncate=reach)
    np.testing.assert_allclose(rows @ smoother(count, width, reach), expected, rtol=0, atol=1e-13)
