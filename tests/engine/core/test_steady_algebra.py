"""Solutions, inverses, eigenvectors and products: right, and the same bytes with one thread of BLAS and with two."""

import numpy as np
import pytest
from threadpoolctl import threadpool_limits
from turnrow.processing_provider.engine.core import (
    eigen_symmetric,
    inverse_symmetric,
    solved,
    solved_symmetric,
    steady_product,
)

SIZES = (1, 2, 3, 10, 26, 67, 104)


def matrices(size, definite=True):
    """A symmetric matrix, positive definite or bordered as in kriging, a general one, and right sides."""
    rng = np.random.default_rng(size)
    root, right = rng.normal(size=(size, 2 * size)), rng.normal(size=(size, 5))
    symmetric = root @ root.T + np.eye(size)
    if not definite:
        symmetric[-1, -1] = 0.0
    return symmetric, np.eye(size) + rng.normal(size=(size, size)), right


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("definite", [True, False])
def test_solutions_are_those_of_lapack_s_general_routine(size, definite):
    if size == 1 and not definite:
        pytest.skip("singular")
    symmetric, general, right = matrices(size, definite)
    # Rounding grows with the condition number (Higham 2002, Accuracy and stability of numerical algorithms, 9.3).
    for matrix, found in ((symmetric, solved_symmetric(symmetric, right)), (general, solved(general, right))):
        expected = np.linalg.solve(matrix, right)
        near = 10 * size * np.finfo(float).eps * np.linalg.cond(matrix) * np.abs(expected).max()
        np.testing.assert_allclose(found, expected, rtol=0, atol=near)
    np.testing.assert_allclose(inverse_symmetric(symmetric) @ symmetric, np.eye(size), atol=1e-9)


def test_a_stack_is_solved_one_by_one():
    stack = np.stack([matrices(7)[0], matrices(7, definite=False)[0]])
    right = np.stack([matrices(7)[2]] * 2)
    np.testing.assert_allclose(stack @ solved_symmetric(stack, right), right, atol=1e-10)
    np.testing.assert_allclose(stack @ inverse_symmetric(stack), np.stack([np.eye(7)] * 2), atol=1e-10)


@pytest.mark.parametrize("solve", [solved, solved_symmetric])
def test_a_singular_matrix_is_an_error_as_with_numpy(solve):
    with pytest.raises(np.linalg.LinAlgError):
        solve(np.zeros((3, 3)), np.ones((3, 1)))


@pytest.mark.parametrize("size", SIZES)
def test_eigenvectors_make_up_the_matrix(size):
    matrix = matrices(size)[0]
    values, vectors = eigen_symmetric(matrix)
    # Backward stable: errors are a small multiple of eps times the norm (LAPACK Users' Guide, 4.7).
    near = 10 * size * np.finfo(float).eps * values[-1]
    np.testing.assert_allclose(values, np.linalg.eigvalsh(matrix), rtol=0, atol=near)
    np.testing.assert_allclose((vectors * values) @ vectors.T, matrix, rtol=0, atol=near)
    np.testing.assert_allclose(vectors.T @ vectors, np.eye(size), atol=10 * size * np.finfo(float).eps)


def test_eigenvectors_of_a_matrix_that_is_diagonal_already():
    values, vectors = eigen_symmetric(np.diag([3.0, 1.0, 2.0, 0.0]))
    assert values.tolist() == [0.0, 1.0, 2.0, 3.0]
    np.testing.assert_array_equal(np.abs(vectors), np.eye(4)[:, [3, 1, 2, 0]])


@pytest.mark.parametrize("size", SIZES)
def test_two_threads_give_the_same_bytes(size):
    symmetric, general, right = matrices(size)
    tall = np.tile(right, (1, 40))

    def results():
        return [solved(general, right), solved_symmetric(symmetric, right), inverse_symmetric(symmetric),
                *eigen_symmetric(symmetric), steady_product(tall.T, symmetric)]  # fmt: skip

    with threadpool_limits(1, user_api="blas"):
        alone = [found.tobytes() for found in results()]
    with threadpool_limits(2, user_api="blas"):
        assert [found.tobytes() for found in results()] == alone
