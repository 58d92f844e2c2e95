"""Strips along an edge that stand out from the ground: ditches, walls, banks."""

from __future__ import annotations

import numpy as np

from ..core import INSTRUMENT

WIDTHS_M = (0.5, 0.7, 1.0, 1.4, 2.0)
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
FEW = 0.3
"""Strips that stand out along a seam, on average: a ditch seldom runs along a border."""
MOST = 4
"""Strips that stand out along a seam, at most."""
ROUNDS = 20
UNTOLD = 1e-3
"""A strip that patches tell by less than this share of the one that they tell best is as good as a step."""


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
    the levels of the grids happen to make up for. A strip with a side right at the edge is told from a step by its
    other side only, and maximisation may climb to the wrong one of the two: it begins with all strips alike, and once
    more with the few that stand out most, and the likelier end counts.

    References
    ----------
    Tipping, M.E., 2001. Sparse Bayesian learning and the relevance vector machine. Journal of Machine Learning
    Research 1, 211-244.
    """
    shapes, scale = _shapes(aside), USUAL * usual
    starts = np.full(shapes.shape[1], UNKNOWN * scale), _standing_out(shapes, value, bordered, scale)
    ends = [_climbed(shapes, value, bordered, scale, start) for start in starts]
    size = max(ends, key=lambda found: found[1])[0]
    return (shapes * size) @ shapes.T


def _with_strips(shapes: np.ndarray, size: np.ndarray, bordered: np.ndarray) -> np.ndarray:
    """Return the bordered covariance (K + n, K + n) with strips of some variances (A,)."""
    system, k = bordered.copy(), len(shapes)
    system[:k, :k] += (shapes * size) @ shapes.T
    return system


def _climbed(shapes: np.ndarray, value: np.ndarray, bordered: np.ndarray, scale: float, size: np.ndarray):
    """Return the variances (A,) to which maximisation leads from some others, and their log posterior density."""
    k = len(shapes)
    for _ in range(ROUNDS):
        inverse = np.linalg.inv(_with_strips(shapes, size, bordered))[:k, :k]
        seen = inverse @ np.column_stack([value, shapes])
        height = size * (shapes.T @ seen[:, 0])
        left = np.maximum(size - size**2 * np.sum(shapes * seen[:, 1:], axis=0), 0.0)
        size = (TAIL * scale + height**2 + left) / (TAIL + 1)
    system = _with_strips(shapes, size, bordered)
    misfit = value @ np.linalg.inv(system)[:k, :k] @ value
    prior = TAIL * np.sum(np.log(size) + scale / size)
    return size, -float(np.linalg.slogdet(system)[1] + misfit + prior) / 2


def _standing_out(shapes: np.ndarray, value: np.ndarray, bordered: np.ndarray, scale: float) -> np.ndarray:
    """Return variances (A,) of few strips that explain the values, one after the other, and of hardly any others.

    A strip of the variance that suits it best gains (x - 1 - log x) / 2 of log likelihood, x being the squared height
    over its variance by chance (Tipping and Faul 2003, Fast marginal likelihood maximisation for sparse Bayesian
    models, from memory). Each is spread over all places and widths in proportion to their likelihoods.
    """
    size = np.full(shapes.shape[1], scale * TAIL / (TAIL + 1))
    least = np.log(max(len(size), 1) / FEW)
    for _ in range(MOST):
        inverse = np.linalg.inv(_with_strips(shapes, size, bordered))[: len(shapes), : len(shapes)]
        pull, told = shapes.T @ (inverse @ value), np.sum(shapes * (inverse @ shapes), axis=0)
        # What drift could be as well tells nothing.
        clear = told > UNTOLD * told.max(initial=0.0)
        surprise = np.maximum(pull[clear] ** 2 / told[clear], 1.0)
        gain = (surprise - 1 - np.log(surprise)) / 2
        if gain.max(initial=0.0) < least:
            break
        share = np.exp(gain - gain.max())
        size[clear] += share / share.sum() * (surprise - 1) / told[clear]
    return size


def _shapes(aside: np.ndarray) -> np.ndarray:
    """Return (K, A) what strips of height 1 add to the patches."""
    from scipy.special import ndtr

    near, far = np.nanmin(aside), np.nanmax(aside)
    parts = []
    for width in WIDTHS_M:
        # From the middle to both sides: which grid of a seam is the first does not count.
        reach = APART_M * np.floor((far - near + width) / 2 / APART_M + 1e-6)
        middle = (near + far) / 2 + np.arange(-reach, reach + APART_M / 2, APART_M)
        away = aside[:, None] - middle
        parts.append(
            np.nan_to_num(
                ndtr((away + width / 2) / INSTRUMENT.footprint_m) - ndtr((away - width / 2) / INSTRUMENT.footprint_m)
            )
        )
    shapes = np.concatenate(parts, axis=1)
    return shapes[:, shapes.max(axis=0) > LEAST_SEEN]
