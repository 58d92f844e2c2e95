"""Products of matrices against sums written out."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.blas_threads import matrix_product


@pytest.mark.parametrize("every", [1, 2])
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_product_is_the_sum_over_the_common_axis(every, kind):
    rng = np.random.default_rng(5)
    sizes = (7, 5 * every), (5, 4 * every)
    left, right = (rng.normal(size=size).astype(kind)[:, ::every] for size in sizes)
    product = matrix_product(left, right)
    expected = [[sum(float(left[i, k]) * right[k, j] for k in range(5)) for j in range(4)] for i in range(7)]
    # Five products of numbers near 1 are rounded to an epsilon or less each.
    np.testing.assert_allclose(product, expected, atol=50 * np.finfo(kind).eps)
    assert product.dtype == kind
    assert product.flags.c_contiguous
