"""What comes off each grid: its level, slopes, gain and drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np


@dataclass(frozen=True)
class Corrections:
    """What is taken off each of G grids.

    Attributes
    ----------
    value, covariance : (G, 4), (G, 4, 4) float64
        Level, slope in x, slope in y, stretch.
    middle : (G, 3) float64
        Mean x and y, median value.
    group, neighbours : (G,) int
        One number for all grids that seams connect; with how many grids each has seams.
    drift_sd : float or None
    drift : (G, MODES) float64
        Factors of the cosines over the width of a grid that are its drift.
    based : (G,) bool
        Grids whose levels rest on base readings as well.
    between : (G, G) float64
        Covariance of the levels.
    """

    value: np.ndarray
    covariance: np.ndarray
    middle: np.ndarray
    group: np.ndarray
    neighbours: np.ndarray
    drift_sd: Optional[float]
    drift: np.ndarray
    based: np.ndarray
    between: np.ndarray

    @property
    def gain(self) -> np.ndarray:
        """(G,) factor by which the contrast of each grid is too high."""
        # The stretch is the difference of logged and true contrast over their mean.
        return (1 + self.value[:, 3] / 2) / (1 - self.value[:, 3] / 2)

    def _design(self, grid: np.ndarray, at: np.ndarray) -> np.ndarray:
        # What has no position or no value moves as the middle of its grid does.
        return np.concatenate([np.ones((len(at), 1)), np.nan_to_num(at - self.middle[grid])], axis=1)

    def taken(self, grid: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Return (n,) what comes off x, y and value (n, 3) of some grids (n,)."""
        design = self._design(grid, at)
        stretched = design[:, 3] * (1 - 1 / self.gain)[grid]
        return np.sum(design[:, :3] * self.value[grid, :3], axis=1) + stretched

    def error(self, grid: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Return (n,) the standard error of ``taken``."""
        design = self._design(grid, at)
        return np.sqrt(np.maximum(np.einsum("na,nab,nb->n", design, self.covariance[grid], design), 0.0))

    def open_steps(
        self, names: Sequence[str], pairs: Sequence[tuple[int, int]], least: float
    ) -> tuple[tuple[str, str, float], ...]:
        """Return every two grids of ``pairs`` whose step has a standard error above ``least``, with that error."""
        variance = np.diag(self.between)
        error = np.sqrt(np.maximum(variance[:, None] + variance - 2 * self.between, 0.0))
        return tuple((names[g], names[h], float(error[g, h])) for g, h in sorted(set(pairs)) if error[g, h] > least)
