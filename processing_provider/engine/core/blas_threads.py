"""One thread for the linear algebra of numpy and scipy while the engine works.

The engine multiplies and solves many small matrices. A BLAS that spreads each of them over all processors makes its
threads wait for each other, the longer the busier the machine is: measured on a survey of 16 grids with two processors,
beside one other program, three times the wall time of a single thread. The library itself is asked, through its own
functions, and gets its number of threads back afterwards.

One survey gives one result, to the bit, also where the library cannot be asked. Its factorisations round otherwise with
more threads, however small the matrix is, and so do large products. So what readings and maps depend on is solved here:
by routines of LAPACK that work on one thread, and by sums in a fixed order.
"""

from __future__ import annotations

import ctypes
import sys
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Callable, Iterator, NamedTuple

import numpy as np

NAMES = tuple(
    (f"{prefix}openblas_get_num_threads{suffix}", f"{prefix}openblas_set_num_threads{suffix}")
    for prefix in ("", "scipy_")
    for suffix in ("", "64_", "_64")
) + (("MKL_Get_Max_Threads", "MKL_Set_Num_Threads"), ("bli_thread_get_num_threads", "bli_thread_set_num_threads"))
"""Functions that return and set the number of threads, of OpenBLAS (under the names that packagers give them), MKL and
BLIS."""
WORDS = ("blas", "mkl_rt", "blis")
"""Words in the file names of these libraries."""
SMALL_PRODUCT = 1 << 17
"""Multiplications of a product that stays on one thread. Source: half of what OpenBLAS takes two threads from,
``SMP_THRESHOLD_MIN * GEMM_MULTITHREAD_THRESHOLD`` of its interface/gemm.c and Makefile.rule, from memory."""


class _Library(NamedTuple):
    threads: Callable[[], int]
    set_threads: Callable[[int], object]


_lock = Lock()
_inside = 0
_before: list[tuple[_Library, int]] = []


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Hold BLAS to one thread inside a ``with`` block; nothing happens where no known library is loaded.

    Blocks may lie within each other, and in several threads: the last one out gives the number of threads back.
    """
    global _inside
    with _lock:
        _inside += 1
        if _inside == 1:
            _before[:] = [(library, library.threads()) for library in _libraries()]
            for library, _ in _before:
                library.set_threads(1)
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if not _inside:
                for library, threads in _before:
                    library.set_threads(threads)
                _before.clear()


def _libraries() -> list[_Library]:
    """Return the BLAS libraries that numpy and scipy have loaded."""
    found = []
    for path in sorted(_loaded_files()):
        try:
            library = ctypes.CDLL(path)
        except OSError:
            continue
        for get, put in NAMES:
            if hasattr(library, get) and hasattr(library, put):
                found.append(_Library(getattr(library, get), getattr(library, put)))
                break
    return found


def _loaded_files() -> set[str]:
    """Return the files of BLAS libraries: those mapped into the process (Linux), and those that numpy and scipy carry.

    Files that are one library under several names, as a link or by another library, do no harm: each is asked alike.
    """
    files = set()
    maps = Path("/proc/self/maps")
    if maps.exists():
        # A large file is mapped in many parts, and QGIS has hundreds of libraries.
        files |= {line.split(None, 5)[5] for line in maps.read_text(errors="replace").splitlines() if _has_word(line)}
    for name in ("numpy", "scipy"):
        package = sys.modules.get(name)
        home = Path(getattr(package, "__file__", None) or "/").parent
        for folder in (home.with_name(f"{name}.libs"), home / ".libs", home / ".dylibs") if package else ():
            files |= {str(path) for path in folder.glob("*")}
    return {file for file in files if _has_word(Path(file).name) and Path(file).is_file()}


def _has_word(text: str) -> bool:
    return any(word in text for word in WORDS)


def matrix_product(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return ``left @ right`` of two matrices, both float64 or both float32, in C order.

    Where QGIS is linked to GSL, numpy finds GSL's C interface to BLAS in the program, which takes some six times as
    long as the library that numpy was built for. SciPy calls BLAS by its Fortran names, which GSL does not have.
    """
    double, single = _products()
    return (single if left.dtype == np.float32 else double)(1.0, right.T, left.T).T


@lru_cache(maxsize=1)
def _products() -> tuple[Callable[..., np.ndarray], Callable[..., np.ndarray]]:
    """Return BLAS's products; an import costs more than many of these products, QGIS looks at each."""
    from scipy.linalg.blas import dgemm, sgemm

    return dgemm, sgemm


def steady_product(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return ``left @ right`` of two matrices, the same with any number of threads."""
    step = max(2, SMALL_PRODUCT // max(right.size, 1))
    if len(left) <= step:
        return left @ right
    return np.concatenate([left[row : row + step] @ right for row in range(0, len(left), step)])


def solved(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return the solutions (n, m) of ``matrix @ x = right`` for a matrix (n, n), the same with any number of threads.

    Raises
    ------
    numpy.linalg.LinAlgError
        When the matrix is singular.
    """
    from scipy.linalg.lapack import dgbsv

    # The routine for band matrices goes column by column; here every diagonal is in the band.
    beside = len(matrix) - 1
    bands = np.zeros((3 * beside + 1, len(matrix)))
    row, column = np.indices(matrix.shape)
    bands[2 * beside + row - column, column] = matrix
    _, _, found, singular = dgbsv(beside, beside, bands, right, overwrite_ab=True)
    return _regular(found, singular)


def solved_symmetric(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return the solutions (..., n, m) for symmetric matrices (..., n, n), the same with any number of threads.

    Raises
    ------
    numpy.linalg.LinAlgError
        When a matrix is singular.
    """
    dsysv = _symmetric_solver()
    if matrix.ndim == 2:
        _, _, one, singular = dsysv(matrix, right)
        return np.ascontiguousarray(_regular(one, singular))
    found = np.empty(right.shape)
    for place in np.ndindex(*matrix.shape[:-2]):
        _, _, one, singular = dsysv(matrix[place], right[place])
        found[place] = _regular(one, singular)
    return found


@lru_cache(maxsize=1)
def _symmetric_solver() -> Callable[..., tuple]:
    """Return LAPACK's routine; as of ``_products``."""
    from scipy.linalg.lapack import dsysv

    return dsysv


def inverse_symmetric(matrix: np.ndarray) -> np.ndarray:
    """Return the inverses of symmetric matrices (..., n, n), the same with any number of threads.

    Raises
    ------
    numpy.linalg.LinAlgError
        When a matrix is singular.
    """
    unit = np.eye(matrix.shape[-1])
    return solved_symmetric(matrix, unit if matrix.ndim == 2 else np.broadcast_to(unit, matrix.shape))


def _regular(found: np.ndarray, singular: int) -> np.ndarray:
    if singular:
        raise np.linalg.LinAlgError("Singular matrix")
    return found


def eigen_symmetric(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return eigenvalues (n,), ascending, and eigenvectors (n, n) of a symmetric matrix, the same with any threads.

    The matrix is made tridiagonal by Householder's reflections, as LAPACK does, but by sums in a fixed order.
    """
    from scipy.linalg import eigh_tridiagonal

    reduced, turn = np.array(matrix, float), np.eye(len(matrix))
    if len(reduced) == 1:
        return reduced[0], turn
    for k in range(len(reduced) - 2):
        across = reduced[k + 1 :, k].copy()
        across[0] += np.copysign(np.sqrt(np.sum(across**2)), across[0])
        square = np.sum(across**2)
        if not square:
            continue
        across *= np.sqrt(2 / square)
        mirrored = np.sum(reduced[k:, k + 1 :] * across, axis=1)
        reduced[k:, k + 1 :] -= mirrored[:, None] * across
        reduced[k + 1 :, k:] -= across[:, None] * np.sum(reduced[k + 1 :, k:] * across[:, None], axis=0)
        turn[:, k + 1 :] -= np.sum(turn[:, k + 1 :] * across, axis=1)[:, None] * across
    size, vectors = eigh_tridiagonal(np.diag(reduced), np.diag(reduced, -1), lapack_driver="stev")
    return size, steady_product(turn, vectors)
