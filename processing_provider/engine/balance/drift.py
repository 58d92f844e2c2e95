"""Drift of the instrument as a smooth function of time."""

from __future__ import annotations

import numpy as np

from ..core import INSTRUMENT, eigen_symmetric, nearest_whole, steady_product

NODES = 4
"""Nodes of a smooth function within its correlation length. Derived: with ``SMALL`` as below, the
functions miss less than 1e-4 of the variance at any position, which the tests of balancing show."""
SMALL = 1e-4
"""Parts of a smooth function with less than this fraction of the largest variance are left out. Derived: their standard
deviations are below 1 % of the largest."""
STEP_S = 5.0
"""Between times this far apart, in seconds, drift is a straight line. Derived: it is bent by (5 s / 400 s)^2 / 8 of its
standard deviation, 2e-5."""


def smooth_basis(where: np.ndarray, at: np.ndarray, scale: float) -> np.ndarray:
    """Return functions whose sum with unit normal factors is a Gaussian process of variance one.

    Parameters
    ----------
    where : (J,) float64
        Positions of the data; the functions are built on nodes beside them.
    at : array of float64
        Where the functions are wanted.
    scale : float
        Its correlation is exp(-(x / scale)^2 / 2).

    Returns
    -------
    (..., K) float64
        K functions at each position of ``at``.

    References
    ----------
    Rasmussen, C.E., Williams, C.K.I., 2006. Gaussian Processes for Machine Learning. MIT Press, section 8.1.
    """
    middle, step = (np.min(where) + np.max(where)) / 2, scale / NODES
    cells = np.unique(nearest_whole((where - middle) / step))
    nodes = middle + step * np.unique(np.concatenate([cells - 1, cells, cells + 1]))
    own = np.exp(-0.5 * ((nodes[:, None] - nodes) / scale) ** 2)
    variance, parts = eigen_symmetric(own)
    kept = variance > SMALL * variance[-1]
    across = np.exp(-0.5 * ((np.ravel(at)[:, None] - nodes) / scale) ** 2)
    functions = steady_product(across, parts[:, kept] / np.sqrt(variance[kept]))
    return functions.reshape(*np.shape(at), functions.shape[1])


def drift_basis(times: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the functions of time that drift is made of, (..., K) at the times ``at``; the last one is the warm-up.

    ``times`` are the times of all the grid's readings in seconds, finite.
    """
    smooth = smooth_basis(times, at, INSTRUMENT.drift_s)
    warm = np.exp(-np.maximum(at - np.min(times), 0.0) / INSTRUMENT.warm_up_s)
    return np.concatenate([smooth, warm[..., None]], axis=-1)


def drift_at(times: np.ndarray, factors: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the drift at the times ``at``, (N,); 0 where a time is missing or no drift was looked for."""
    if not len(factors):
        return np.zeros(len(at))
    clock = np.append(np.arange(np.min(times), np.max(times), STEP_S), np.max(times))
    found = np.interp(at, clock, drift_basis(times, clock) @ factors)
    return np.where(np.isfinite(at), found, 0.0)
