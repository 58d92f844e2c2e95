"""BLAS is held to one thread while the engine works; threadpoolctl, which finds the libraries on its own, watches."""

import numpy as np
import pytest
import scipy.linalg
from threadpoolctl import threadpool_info, threadpool_limits
from turnrow.processing_provider.engine.core import one_blas_thread


def threads():
    """Threads of every BLAS library in the process, as threadpoolctl sees them."""
    # Both of numpy and scipy are loaded.
    scipy.linalg.cholesky(np.eye(2))
    return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]


@pytest.fixture
def two_threads():
    """Every library set to two threads, whatever the environment says."""
    if not threads():
        pytest.skip("no BLAS library here that threadpoolctl knows")
    with threadpool_limits(2, user_api="blas"):
        yield


@pytest.mark.usefixtures("two_threads")
def test_one_thread_inside_and_as_many_as_before_outside():
    assert set(threads()) == {2}
    with one_blas_thread():
        assert set(threads()) == {1}
        with one_blas_thread():
            assert set(threads()) == {1}
        assert set(threads()) == {1}
    assert set(threads()) == {2}


@pytest.mark.usefixtures("two_threads")
def test_threads_are_given_back_after_an_error():
    def fails():
        with one_blas_thread():
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fails()
    assert set(threads()) == {2}


@pytest.mark.usefixtures("two_threads")
def test_a_decorated_function_works_on_one_thread():
    @one_blas_thread()
    def counted():
        return set(threads())

    assert counted() == counted() == {1}
    assert set(threads()) == {2}


def test_nothing_happens_without_a_library(monkeypatch):
    from turnrow.processing_provider.engine.core import blas_threads

    monkeypatch.setattr(blas_threads, "_loaded_files", lambda: {"/nowhere/libopenblas.so"})
    before = threads()
    with one_blas_thread():
        assert threads() == before
