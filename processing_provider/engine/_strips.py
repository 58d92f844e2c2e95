"""Strips along an edge that stand out from the ground: ditches, walls, banks."""

from __future__ import annotations

import numpy as np

from ._observations import BLUR_M

WIDTHS_M = (0.5, 1.0, 2.0)
"""Widths of the strips; wider ones are several side by side."""
APART_M = 0.25
"""Distance of their middles."""
LEAST_SEEN = 0.3
"""A strip is looked for where patches see this share of its height."""
USUAL = 0.03
"""Scale of the variance of their heights, as a share of what the ground changes by over a patch."""
TAIL = 0.5
"""Degrees of freedom of Student's t of the heights: most strips are nothing and a few stand out by far."""
UNKNOWN = 300.0
"""Variance to begin with, in units of the scale: what strips could not tell from the first on, the step would take."""
ROUNDS = 20


def aside_of(place: np.ndarray, known: np.ndarray, side: np.ndarray) -> np.ndarray:
    """Return (M, K) how far patches lie from the edge, more than 0 on its first side; 0 for those a piece lacks.

    Parameters
    ----------
    place : (M, K, 2) float64
        Of M pieces of the edge with K patches, those of either side nearest first.
    known : (M, K) bool
        Whether there is such a patch.
    side : (K,) float64
        More than 0 on the first side, less on the second.
    """
    sides = [(place[:, of_side], known[:, of_side, None]) for of_side in (side > 0, side < 0)]
    middle = sum(at[:, 0] for at, _ in sides) / 2
    means = [np.sum(at * there, axis=1) / np.maximum(there.sum(axis=1), 1) for at, there in sides]
    across = means[0] - means[1]
    # Where grids overlap by far there is no such direction, and all is at the edge.
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), APART_M)
    return known * np.sum((place - middle[:, None]) * across[:, None], axis=2)


def strips_in(aside: np.ndarray, value: np.ndarray, bordered: np.ndarray, usual: float) -> np.ndarray:
    """Return (K, K) the covariance of what strips along the edge add to K patches.

    Parameters
    ----------
    aside : (K,) float64
        Distance of the patches from the edge in metres, to both sides of it; NaN for those that do not count.
    value : (K,) float64
    bordered : (K + n, K + n) float64
        Covariance of the patches without strips, with n columns of drift at its border, as kriging has it.
    usual : float
        Variance of what the ground changes by over a patch.

    Notes
    -----
    A strip of any of the widths, blurred as coils blur it, may lie at any distance; its height is distributed as
    Student's t. The variances of the heights follow from the values by expectation maximisation. One strip that lies
    along the edge costs less than many patches that all stand out, so it is not taken for a step of the ground that
    the levels of the grids happen to make up for.

    References
    ----------
    Tipping, M.E., 2001. Sparse Bayesian learning and the relevance vector machine. Journal of Machine Learning
    Research 1, 211-244.
    """
    shapes, k = _shapes(aside), len(aside)
    scale = USUAL * usual
    size = np.full(shapes.shape[1], UNKNOWN * scale)
    for _ in range(ROUNDS):
        system = bordered.copy()
        system[:k, :k] += (shapes * size) @ shapes.T
        seen = np.linalg.inv(system)[:k, :k] @ np.column_stack([value, shapes])
        height = size * (shapes.T @ seen[:, 0])
        left = size - size**2 * np.sum(shapes * seen[:, 1:], axis=0)
        size = (TAIL * scale + height**2 + left) / (TAIL + 1)
    return (shapes * size) @ shapes.T


def _shapes(aside: np.ndarray) -> np.ndarray:
    """Return (K, A) what strips of height 1 add to the patches."""
    from scipy.special import ndtr

    near, far = np.nanmin(aside), np.nanmax(aside)
    parts = []
    for width in WIDTHS_M:
        middle = np.arange(near - width / 2, far + width / 2 + APART_M / 2, APART_M)
        away = aside[:, None] - middle
        parts.append(np.nan_to_num(ndtr((away + width / 2) / BLUR_M) - ndtr((away - width / 2) / BLUR_M)))
    shapes = np.concatenate(parts, axis=1)
    return shapes[:, shapes.max(axis=0) > LEAST_SEEN]
