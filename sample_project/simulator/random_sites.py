"""Random square sites on cells of 0.1 m, for tests that need many sites where the sample is one.

The engine's tests hold corrections against them. The sizes of features are made up (no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from .site import FOOTPRINT_M

CELL = 0.1
MARGIN = 3.0


@dataclass
class Field:
    """True apparent conductivity on cells of 0.1 m with a margin all round; flat where no values are given."""

    size_m: float
    values: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))

    def __post_init__(self) -> None:
        n = round((self.size_m + 2 * MARGIN) / CELL) + 1
        if not self.values.size:
            self.values = np.full((n, n), 15.0)

    @property
    def axes(self) -> list[np.ndarray]:
        """u down the rows, v along the columns."""
        axis = np.arange(len(self.values)) * CELL - MARGIN
        return np.meshgrid(axis, axis, indexing="ij")

    def at(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Value at positions in metres."""
        return map_coordinates(self.values, [(np.asarray(u) + MARGIN) / CELL, (np.asarray(v) + MARGIN) / CELL],
                               order=1, mode="nearest")  # fmt: skip

    def add(self, inside: np.ndarray, contrast: float) -> Field:
        """Add a feature, blurred by the footprint of the coils."""
        self.values = self.values + gaussian_filter(np.where(inside, contrast, 0.0), FOOTPRINT_M / CELL)
        return self

    def iron(self, u: float, v: float, peak: float) -> Field:
        """Add a small piece of iron; ``peak`` is what the instrument reads right above it."""
        all_u, all_v = self.axes
        away = ((all_u - u) ** 2 + (all_v - v) ** 2) / FOOTPRINT_M**2
        self.values = self.values + peak * np.exp(-away / 2)
        return self


def geology(size_m: float, rng: np.random.Generator, sd: float = 0.6, length_m: float = 5.0) -> Field:
    """Return a smooth random field on a gentle slope."""
    found = Field(size_m)
    rough = gaussian_filter(rng.normal(size=found.values.shape), length_m / CELL, mode="wrap")
    u, v = found.axes
    slope = rng.normal(0, 0.03, 2)
    found.values = found.values + sd * rough / rough.std() + slope[0] * u + slope[1] * v
    return found


def site(size_m: float, rng: np.random.Generator) -> Field:
    """Return geology with ditches, walls, pits and iron; one ditch runs along the traverses."""
    found = geology(size_m, rng)
    u, v = found.axes
    for k in range(5):
        angle = 0.0 if k == 0 else rng.uniform(0, np.pi)
        middle = rng.uniform(0.15, 0.85, 2) * size_m
        away = np.abs((u - middle[0]) * np.cos(angle) + (v - middle[1]) * np.sin(angle))
        found.add(away < rng.uniform(0.4, 2.0) / 2, rng.choice([-1, 1]) * rng.uniform(1, 4))
    for _ in range(12):
        middle = rng.uniform(0, 1, 2) * size_m
        found.add(np.hypot(u - middle[0], v - middle[1]) < rng.uniform(0.4, 1.2), rng.choice([-1, 1, 1])
                  * rng.uniform(1, 4))  # fmt: skip
    for _ in range(round(size_m**2 / 100)):
        across, along = rng.uniform(0, 1, 2) * size_m
        found.iron(across, along, rng.choice([-1, 1, 1]) * rng.uniform(3, 15))
    return found


def busy(size_m: float = 20.0) -> Field:
    """Return a site full of ditches aslant to the lines, and pits; the same at every call."""
    rng = np.random.default_rng(7)
    found = geology(size_m, rng)
    u, v = found.axes
    for k in range(9):
        found.add(np.abs(v - size_m / 8 * k + (1.0 if k % 2 else -1.0) * (u - size_m / 2)) < 0.4, 3.0)
    for middle in rng.uniform(0, size_m, (60, 2)):
        found.add(np.hypot(u - middle[0], v - middle[1]) < rng.uniform(0.4, 0.9), 3.0)
    return found
