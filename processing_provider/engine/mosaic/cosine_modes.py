"""Waves of the readings across the lines of each grid: the signal's, and those of the drift."""

from __future__ import annotations

import numpy as np

from .line_segments import Segments

MODES = 8
"""Cosines over the width of a grid that its drift is made of. Derived: up to four waves; the variance 1 / n^2 of a
random walk leaves 7 % of the whole to those beyond the eighth."""


def cosines(across: np.ndarray) -> np.ndarray:
    """Return (..., MODES) cosines of 1, 2, ... half waves over the width of a grid at places (...) from 0 to 1."""
    return np.cos(np.pi * np.arange(1, MODES + 1) * across[..., None])


def without_plane(segments: Segments) -> np.ndarray:
    """Return (P,) the values without the slope of the plane that all grids share, by least squares within the grids."""
    columns = np.concatenate([segments.position, segments.value[:, None]], axis=1)
    size = np.maximum(np.bincount(segments.grid), 1)
    middle = np.stack([np.bincount(segments.grid, column) / size for column in columns.T], axis=1)
    away = columns - middle[segments.grid]
    normal = np.einsum("pi,pj->ij", away[:, :2], away)
    slope = np.linalg.lstsq(normal[:, :2], normal[:, 2], rcond=None)[0]
    return segments.value - np.sum((segments.position - segments.position.mean(axis=0)) * slope, axis=1)


def waves_of(segments: Segments, grids: int) -> np.ndarray:
    """Return (G, MODES) factors of the cosines in the segments' values, as their means along the lines show them."""
    size = np.maximum(np.bincount(segments.grid, minlength=grids), 1)
    mean = np.bincount(segments.grid, segments.value, grids) / size
    away = segments.value - mean[segments.grid]
    shapes = cosines(segments.across).T
    return 2 * np.stack([np.bincount(segments.grid, away * shape, grids) / size for shape in shapes], axis=1)
