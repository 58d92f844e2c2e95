"""Products of matrices against sums written out."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.blas_threads import matrix_product


@pytest.mark.parametrize("every", [1, 2])
def test_product_is_the_sum_over_the_common_axis(every):
    rng = np.random.default_rng(5)
    left, right = rng.normal(size=(7, 5 * every))[:, ::every], rng.normal(size=(5, 4 * every))[:, ::every]
    product = matrix_product(left, right)
    expected = [[sum(left[i, k] * right[k, j] for k in range(5)) for j in range(4)] for i in range(7)]
    # Five products of numbers near 1 are rounded to some 1e-16 each.
    np.testing.assert_allclose(product, expected, atol=1e-14)
    assert product.flags.c_contiguous
