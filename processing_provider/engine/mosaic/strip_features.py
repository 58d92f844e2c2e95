"""Strips along an edge that stand out from the signal around: ditches, walls, banks."""

from __future__ import annotations

import numpy as np

from ..core import INSTRUMENT, inverse_symmetric

STRIPS_M = (0.5, 0.7, 1.0, 1.4, 2.0)
"""How wide the strips are. Derived: steps of sqrt(2) from little more than coils see at once to the common ditch; wider
ones are several side by side."""
STEP_M = 0.25
"""Distance of their middles. Derived: the standard deviation of the coils' blur, so that neighbours overlap."""
LEAST_SEEN = 0.3
"""A strip is looked for where segments see this fraction of its height. Found by ``tests/calibration/mosaic.py``."""
HEIGHT_SCALE = 0.03
"""Scale of the variance of their heights, as a fraction of what the signal changes by over a segment. Found by
``tests/calibration/mosaic.py``."""
TAIL = 0.5
"""Degrees of freedom of Student's t of the heights: most strips are nothing and a few stand out by far. Found by
``tests/calibration/mosaic.py``."""
UNKNOWN = 300.0
"""Variance to begin with, in units of the scale: what strips could not explain from the first on, the step would. Found
by ``tests/calibration/mosaic.py``."""
FEW = 0.3
"""Strips that stand out along a seam, on average: a ditch seldom runs along a border. Common practice, no source."""
MOST = 4
"""Strips that stand out along a seam, at most. Derived: of 0.3 expected, more than four have a
probability of 2e-5 (Poisson)."""
ROUNDS = 20
"""Rounds of expectation maximisation. Found by ``tests/calibration/mosaic.py``: more are no better."""
UNSEEN = 1e-3
"""A strip of which segments know less than this fraction of what they know of the best one is as good as a step.
Derived: its height would have thirty times the standard error of the best one's."""


def aside_of(position: np.ndarray, known: np.ndarray, side: np.ndarray) -> np.ndarray:
    """Return (M, K) how far segments lie from the edge, more than 0 on its first side; 0 for those a piece lacks.

    Parameters
    ----------
    position : (M, K, 2) float64
        Of M pieces of the edge with K segments, those of either side nearest first.
    known : (M, K) bool
        Whether there is such a segment.
    side : (K,) float64
        More than 0 on the first side, less on the second.
    """
    sides = [(position[:, of_side], known[:, of_side, None]) for of_side in (side > 0, side < 0)]
    middle = (sides[0][0][:, 0] + sides[1][0][:, 0]) / 2
    means = [np.sum(at * there, axis=1) / np.maximum(there.sum(axis=1), 1) for at, there in sides]
    across = means[0] - means[1]
    # Where grids overlap by far there is no such direction, and all is at the edge.
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), STEP_M)
    return known * np.sum((position - middle[:, None]) * across[:, None], axis=2)


def strips_in(aside: np.ndarray, value: np.ndarray, bordered: np.ndarray, typical: float) -> np.ndarray:
    """Return (K, K) the covariance of what strips along the edge add to K segments.

    Parameters
    ----------
    aside : (K,) float64
        Distance of the segments from the edge in metres, to both sides of it; NaN for those that do not count.
    value : (K,) float64
    bordered : (K + n, K + n) float64
        Covariance of the segments without strips, with n columns of drift at its border, as kriging has it.
    typical : float
        Variance of what the signal changes by over a segment.

    Notes
    -----
    A strip of any of the widths, blurred as coils blur it, may lie at any distance; its height is distributed as
    Student's t. The variances of the heights follow from the values by expectation maximisation. One strip that lies
    along the edge costs less than many segments that all stand out, so it is not taken for a step of the signal that
    the levels of the grids happen to make up for. A strip with a side right at the edge differs from a step by its
    other side only, and maximisation may climb to the wrong one of the two: it begins with all strips alike, and once
    more with the few that stand out most, and the likelier end counts.

    References
    ----------
    Tipping, M.E., 2001. Sparse Bayesian learning and the relevance vector machine. Journal of Machine Learning
    Research 1, 211-244.
    """
    shapes, scale = _shapes(aside), HEIGHT_SCALE * typical
    starts = np.full(shapes.shape[1], UNKNOWN * scale), _standing_out(shapes, value, bordered, scale)
    ends = [_climbed(shapes, value, bordered, scale, start) for start in starts]
    size = max(ends, key=lambda found: found[1])[0]
    return (shapes * size) @ shapes.T


def _with_strips(shapes: np.ndarray, size: np.ndarray, bordered: np.ndarray) -> np.ndarray:
    """Return the bordered covariance (K + n, K + n) with strips of some variances (A,)."""
    system, k = bordered.copy(), len(shapes)
    system[:k, :k] += (shapes * size) @ shapes.T
    return system


def _climbed(
    shapes: np.ndarray, value: np.ndarray, bordered: np.ndarray, scale: float, size: np.ndarray
) -> tuple[np.ndarray, float]:
    """Return the variances (A,) to which maximisation leads from some others, and their log posterior density."""
    k = len(shapes)
    for _ in range(ROUNDS):
        inverse = inverse_symmetric(_with_strips(shapes, size, bordered))[:k, :k]
        seen = inverse @ np.column_stack([value, shapes])
        height = size * (shapes.T @ seen[:, 0])
        left = np.maximum(size - size**2 * np.sum(shapes * seen[:, 1:], axis=0), 0.0)
        size = (TAIL * scale + height**2 + left) / (TAIL + 1)
    system = _with_strips(shapes, size, bordered)
    misfit = value @ inverse_symmetric(system)[:k, :k] @ value
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
        inverse = inverse_symmetric(_with_strips(shapes, size, bordered))[: len(shapes), : len(shapes)]
        pull, information = shapes.T @ (inverse @ value), np.sum(shapes * (inverse @ shapes), axis=0)
        # What drift could be as well is no evidence.
        clear = information > UNSEEN * information.max(initial=0.0)
        surprise = np.maximum(pull[clear] ** 2 / information[clear], 1.0)
        gain = (surprise - 1 - np.log(surprise)) / 2
        if gain.max(initial=0.0) < least:
            break
        weight = np.exp(gain - gain.max())
        size[clear] += weight / weight.sum() * (surprise - 1) / information[clear]
    return size


def _shapes(aside: np.ndarray) -> np.ndarray:
    """Return (K, A) what strips of height 1 add to the segments."""
    from scipy.special import ndtr

    near, far = np.nanmin(aside), np.nanmax(aside)
    parts = []
    for strip_m in STRIPS_M:
        # From the middle to both sides: which grid of a seam is the first does not count.
        reach = STEP_M * np.floor((far - near + strip_m) / 2 / STEP_M + 1e-6)
        middle = (near + far) / 2 + np.arange(-reach, reach + STEP_M / 2, STEP_M)
        away, blur = aside[:, None] - middle, INSTRUMENT.footprint_m
        parts.append(np.nan_to_num(ndtr((away + strip_m / 2) / blur) - ndtr((away - strip_m / 2) / blur)))
    shapes = np.concatenate(parts, axis=1)
    return shapes[:, shapes.max(axis=0) > LEAST_SEEN]
