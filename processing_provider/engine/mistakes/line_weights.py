"""Weights of lines in what is predicted of each other, by where they lie: a Gaussian process across the lines."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

REACH = 6
"""Lines farther away than this many spacings say nothing more about a line. Found by tests/calibration/mistakes.py:
beyond it lies at most 0.0006 +- 0.0002 of the squared weights (``residuals``)."""
FAR = 8.0
"""Range in spacings of the signal that many lines share. Common practice, no source: geology reaches over 4 m, at lines
half a metre apart; how much of it there is, ``FAR_FRACTIONS`` leave to each grid."""
RANGES, NUGGETS, FAR_FRACTIONS = (1.5, 2.0, 2.5), (0.01, 0.03, 0.07, 0.15), (0.0, 0.2, 0.4)
"""Ranges in spacings, and fractions of the variance, from which each grid takes those that predict its lines best.
Found by tests/calibration/mistakes.py: of 12 sites the middle ones are chosen most, the outermost still by some, but
the nugget of 0.01 for lines walked on a cart (``residuals``)."""
NUGGET_LEFT = 0.15
"""Fraction of the nugget that is left when the wander is taken off. Derived: what alignment leaves of the error between
lines is (0.10 / 0.25)^2 = 0.16 of its variance (``CARRIED``)."""

Kernel = tuple[float, float, float]
"""Range, nugget and fraction of the signal that many lines share."""


@lru_cache(maxsize=32)
def weights_in(position: bytes, scored: bytes, lines: int, kernel: Kernel) -> tuple[np.ndarray, np.ndarray]:
    """Return (R, L) weights of all lines in the residuals of the scored ones, and (R,) conditional variances of those.

    The bytes are (G, L) positions of all arrangements, and which lines are scored in each. All arrangements are solved
    together; grids alike share them.
    """
    at, mine = np.frombuffer(position).reshape(-1, lines), np.frombuffer(scored, bool).reshape(-1, lines)
    most = int(np.count_nonzero(mine, axis=1).max())
    # Those with fewer lines get others as well, which are left out at the end.
    rows = np.argsort(~mine, axis=1, kind="stable")[:, :most]
    wanted = np.take_along_axis(mine, rows, axis=1)
    here = np.where(wanted, np.take_along_axis(at, rows, axis=1), np.nan)
    near, number = _lines_near(at, here, rows)
    of_near, variance = _weights_of(np.take_along_axis(at, near, axis=1), number, kernel)
    weights, foreign = np.zeros((*rows.shape, lines), np.float32), np.isnan(here)
    np.put_along_axis(weights, near[:, None], of_near, axis=2)
    weights[foreign], variance[foreign] = np.eye(lines)[rows[foreign]], 1.0
    return weights[wanted], variance[wanted].astype(np.float32)


def _lines_near(position: np.ndarray, here: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (G, n) lines within reach of those at the positions ``here`` (G, R), and (G, R) where they are in those.

    ``position`` is (G, L), ``rows`` (G, R) are the lines that are at ``here``. All get as many lines as the one with
    the most, the next nearest; NaN in ``here`` counts for nothing, and gets any line.
    """
    away = np.fmin.reduce(np.abs(position[:, :, None] - here[:, None]), axis=2)
    away = np.where(np.isnan(away), np.inf, away)
    count = min(np.count_nonzero(away <= REACH, axis=1).max(), np.count_nonzero(np.isfinite(position), axis=1).min())
    near = np.sort(np.argsort(away, axis=1, kind="stable")[:, :count], axis=1)
    number = np.zeros(position.shape, int)
    np.put_along_axis(number, near, np.arange(count)[None], axis=1)
    return near, np.take_along_axis(number, rows, axis=1)


def _smooth(position: np.ndarray, kernel: Kernel) -> np.ndarray:
    """Return (..., n, n) correlations of lines at (..., n) positions, without the nugget."""
    reach, _, far = kernel
    d = np.abs(position[..., :, None] - position[..., None, :])
    smooth = (1 - far) * np.exp(-(d**2) / (2 * reach**2))
    return smooth + far * np.exp(-d / FAR) if far else smooth


def weights_of_all(position: np.ndarray, kernel: Kernel) -> np.ndarray:
    """Return (n, n) weights of all lines in the residual of each, all others known."""
    nugget = kernel[1]
    inverse = np.linalg.inv((1 - nugget) * _smooth(position, kernel) + nugget * np.eye(len(position)))
    return inverse / np.diag(inverse)[:, None]


def _weights_of(position: np.ndarray, at: np.ndarray, kernel: Kernel) -> tuple[np.ndarray, np.ndarray]:
    """Return (G, R, n) weights of lines in the residuals of some, and (G, R) the conditional variances of those.

    ``position`` is (G, n), ``at`` (G, R) which lines the residuals are of.
    """
    smooth, own, nugget = _smooth(position, kernel), np.eye(position.shape[1]), kernel[1]
    columns = np.linalg.solve((1 - nugget) * smooth + nugget * own, np.swapaxes(own[at], 1, 2))
    weights = np.swapaxes(columns, 1, 2)
    weights = weights / np.take_along_axis(weights, at[..., None], axis=2)
    nugget *= NUGGET_LEFT
    return weights, np.sum((weights @ ((1 - nugget) * smooth + nugget * own)) * weights, axis=2)


@lru_cache(maxsize=4)
def candidate_weights(position: bytes) -> tuple[list[Kernel], np.ndarray]:
    """Return K kernels and (K, n, n) their weights; grids alike share them."""
    kernels = [(r, n, f) for r in RANGES for n in NUGGETS for f in FAR_FRACTIONS]
    return kernels, np.stack([weights_of_all(np.frombuffer(position), kernel) for kernel in kernels])
