"""Waves of the readings across the lines of each grid: the ground's, and what is left of the drift."""

from __future__ import annotations

import numpy as np

from .line_segments import Patches

MODES = 8
"""Cosines over the width of a grid that what is left of its drift is made of."""


def cosines(across: np.ndarray) -> np.ndarray:
    """Return (..., MODES) cosines of 1, 2, ... half waves over the width of a grid at places (...) from 0 to 1."""
    return np.cos(np.pi * np.arange(1, MODES + 1) * across[..., None])


def without_plane(patches: Patches) -> np.ndarray:
    """Return (P,) the values without the slope of the plane that all grids share, by least squares within the grids."""
    columns = np.concatenate([patches.place, patches.value[:, None]], axis=1)
    size = np.maximum(np.bincount(patches.grid), 1)
    middle = np.stack([np.bincount(patches.grid, column) / size for column in columns.T], axis=1)
    away = columns - middle[patches.grid]
    slope = np.linalg.lstsq(away[:, :2].T @ away[:, :2], away[:, :2].T @ away[:, 2], rcond=None)[0]
    return patches.value - (patches.place - patches.place.mean(axis=0)) @ slope


def waves_of(patches: Patches, grids: int) -> np.ndarray:
    """Return (G, MODES) factors of the cosines in the patches' values, as their means along the lines show them."""
    size = np.maximum(np.bincount(patches.grid, minlength=grids), 1)
    mean = np.bincount(patches.grid, patches.value, grids) / size
    away = patches.value - mean[patches.grid]
    shapes = cosines(patches.across).T
    return 2 * np.stack([np.bincount(patches.grid, away * shape, grids) / size for shape in shapes], axis=1)
