"""Gaussian smoothing of lines as a product of matrices: one matrix serves all lines, channels and trials."""

from __future__ import annotations

import numpy as np


def smoother(count: int, width: float, reach: float) -> np.ndarray:
    """Return the symmetric matrix (count, count) that smooths rows of so many values: ``values @ matrix``.

    Parameters
    ----------
    count : int
    width : float
        Standard deviation of the Gaussian, in values.
    reach : float
        Where the Gaussian ends, in standard deviations. Beyond both ends of a row values count as zero.
    """
    # Up to the whole step that is nearest to the reach.
    steps = np.arange(int(reach * width + 0.5) + 1)
    weight = np.exp(-0.5 * (steps / width) ** 2)
    weight = np.append(weight / (2 * weight.sum() - 1), 0.0)
    apart = np.abs(np.arange(count)[:, None] - np.arange(count))
    return weight[np.minimum(apart, len(weight) - 1)]
