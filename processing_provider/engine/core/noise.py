"""Noise of a reading, estimated from the readings themselves."""

from __future__ import annotations

import numpy as np


def noise_of(matrix: np.ndarray) -> float:
    """Return the noise of a reading, from second differences along the lines (normal white noise)."""
    second = np.abs(matrix[:, :-2] - 2 * matrix[:, 1:-1] + matrix[:, 2:])
    second = second[np.isfinite(second)]
    return float(1.4826 * np.median(second) / np.sqrt(6.0)) if len(second) else 0.0
