"""Which variogram to krige with: the model that best predicts readings left out."""

from __future__ import annotations

from typing import Iterator, Sequence

import numpy as np

from ..core import Progress, part_of
from .kriging import ordinary_kriging
from .points import check_columns, spacing_of
from .variogram import MODELS, Variogram, fit_variogram, line_lags, sample_variogram

BANDS = 3
"""Classes of direction between along and across. Derived: along, across, and one that holds the ratio in between."""
SEED = 1952
"""Of the choice of readings left out. Derived: any number; the same one makes every run alike."""
TESTS = 400
"""Readings to predict. Found by tests/calibration/scattered.py: 100 to 800 choose the same models."""
FOLDS = 8
"""How often readings are left out at most. Derived: boxes ``BOX_SPACINGS`` wide give ``TESTS`` readings of a grid of
fifty boxes in eight turns; smaller data have fewer to predict."""
BOX_SPACINGS = 6.0
"""Spacings between readings left out together. Found by tests/calibration/scattered.py: 3 to 12 choose as well."""
HOLE = 0.5
"""Spacings around a reading that are left out with it. Derived: the middle between two lines is as far from them."""


def choose_variogram(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    *,
    azimuth_rad: float = 0.0,
    models: Sequence[str] = MODELS,
    progress: Progress = None,
) -> Variogram:
    """Fit every model to readings and return the one that best predicts readings left out.

    Parameters
    ----------
    x, y : (n,) float64
        Map metres; dense along lines or scattered.
    z : (n,) float64
    azimuth_rad : float
        Direction of the traverses, clockwise from map north; the ratio of the ranges across it is fitted.
    models : sequence of {'spherical', 'exponential', 'gaussian'}
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    Variogram

    Raises
    ------
    EngineError
        As `sample_variogram` and `fit_variogram`.

    Notes
    -----
    Readings far apart from each other are taken out with all within half a spacing of the lines, and predicted from
    the others. The score of a model is the mean of ``log v + e^2 / v``, with e the error and v the kriging variance
    with the nugget: the logarithmic score, which on average is best for the true distribution (T. Gneiting and
    A. E. Raftery 2007, Strictly proper scoring rules, prediction, and estimation, JASA 102, doi
    10.1198/016214506000001437). How well a curve fits the classes says less: the classes are few, and their errors
    are correlated. Where readings are too few to leave half of them in, the first model is returned. The choice is the
    same at every run. See ``docs/methods/kriging.md``.
    """
    x, y, z = check_columns(("x", "y", "values"), (x, y, z), least=2)
    sampling, fitting, scoring = (part_of(progress, *part) for part in ((0.0, 0.4), (0.4, 0.5), (0.5, 1.0)))
    lags = line_lags(x, y)
    sample = sample_variogram(x, y, z, lags=lags, azimuth_rad=azimuth_rad, bands=BANDS, progress=sampling)
    fits = []
    for number, model in enumerate(models):
        if fitting is not None:
            fitting(number / len(models))
        fits.append(fit_variogram(sample, model))
    scores = np.zeros(len(fits))
    tests = 0
    for out, kept in _folds(x, y):
        for number, variogram in enumerate(fits):
            if scoring is not None:
                scoring(min((tests + len(out) * number / len(fits)) / TESTS, 1.0))
            estimate, variance = ordinary_kriging(x[kept], y[kept], z[kept], x[out], y[out], variogram)
            scores[number] += np.sum(np.log(variance) + (estimate - z[out]) ** 2 / variance)
        tests += len(out)
    return fits[int(np.argmin(scores))]


def _folds(x: np.ndarray, y: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield rows to predict, one a box at random, and the rows to predict them from, until there are enough."""
    from scipy.spatial import cKDTree

    points = np.stack([x - x.min(), y - y.min()], axis=1)
    spacing = spacing_of(points)
    rng = np.random.default_rng(SEED)
    tests = 0
    for _ in range(FOLDS):
        order = rng.permutation(len(points))
        boxes = np.floor(points / (BOX_SPACINGS * spacing) + rng.uniform(size=2))
        _, first = np.unique(boxes[order], axis=0, return_index=True)
        out = order[first]
        away, _ = cKDTree(points[out]).query(points)
        kept = np.flatnonzero(away > HOLE * spacing)
        if len(kept) < len(points) / 2:
            continue
        yield out, kept
        tests += len(out)
        if tests >= TESTS:
            return
