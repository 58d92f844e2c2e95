"""The normal equations of the adjustment: levels, terms and drift of all grids, solved as one sparse system."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from .base_stations import BaseStations
from .cosine_modes import MODES
from .observations import SeamSteps, Terms
from .one_level import Solution

SHARED = 0.5
"""Variance of drift that all grids have alike (warming up), as a fraction of each one's own. Found by
``tests/calibration/mosaic.py``."""
FRACTION_SD = 0.5
"""Prior standard deviation of the fraction of the waves that is drift, in units of that of yes and no. Found by
``tests/calibration/mosaic.py``."""
GAIN_SD = 0.1
"""Prior standard deviation of a gain about 1. Common practice, no source: settings of one instrument differ by a few
percent."""
LEAST = 1e-6
"""Least variance in units of the signal's roughness. Derived: a thousandth of it as standard deviation is no matter on
a map, and 1e10 times the rounding of float64."""


@dataclass(frozen=True)
class AdjustedLevels:
    """Levels of the grids, as adjusted.

    Attributes
    ----------
    value : (G, T) float64
        Level, and with some models the tilts or the gain.
    covariance : (G, T, T) float64
    between : (G, G) float64
        Covariance of the levels.
    group : (G,) int
        One number for all grids that seams connect.
    drift_sd : float
        Standard deviation of the drift besides its fraction of the waves, about that at the ends of a grid.
    """

    value: np.ndarray
    covariance: np.ndarray
    between: np.ndarray
    group: np.ndarray
    drift_sd: float


class NormalEquations:
    """The normal equations of all seams, solved; a group's first grid is held at 0.

    Attributes
    ----------
    drift : float
        Variance of the drift besides its fraction of the waves, s^2 in the notes of ``solve_steps``.
    fraction : float
        Fraction of the waves that is drift.
    border : (B,) float64
        Signal along each straight border, in its standard deviations.
    """

    def __init__(
        self,
        steps: SeamSteps,
        inverse: np.ndarray,
        terms: Terms,
        group: np.ndarray,
        drift: float,
        fraction: float,
        of_border: np.ndarray,
        stations: Optional[BaseStations] = None,
    ) -> None:
        from scipy.sparse import csc_matrix
        from scipy.sparse.linalg import splu

        grids, wide = len(terms.free), steps.design.shape[2] // 2 - 1
        self.grids, self.wide, self.terms, self.group = grids, wide, terms, group
        self.unknown, self.drift = steps.unknown, drift
        weighted = inverse @ steps.design
        blocks = np.swapaxes(steps.design, 1, 2) @ weighted
        size = int(steps.unknown.max()) + 1
        right = np.bincount(self.unknown.ravel(), (steps.step[:, None] @ weighted).ravel(), size)
        rows = np.broadcast_to(self.unknown[:, :, None], blocks.shape)
        columns = np.broadcast_to(self.unknown[:, None], blocks.shape)
        entries = (blocks.ravel(), rows.ravel(), columns.ravel())
        waves = grids * wide + MODES
        sure = 1 / (FRACTION_SD**2 * fraction * (1 - fraction) + LEAST)
        right[waves] += sure * fraction
        single = np.append(sure, of_border), *[np.arange(waves, size)] * 2
        parts = [entries, self._prior(), single]
        if stations is not None:
            right, spots = self._spots(stations, right)
            parts.append(spots)
        size = len(right)
        value, row, column = (np.concatenate(part) for part in zip(*parts))
        matrix = csc_matrix((value, (row, column)), shape=(size, size))
        self.solver = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        self.solution = self.solver.solve(right)
        self.fraction = float(self.solution[waves])
        self.border = self.solution[waves + 1 : waves + 1 + len(of_border)]

    def _prior(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return values, rows and columns of the priors."""
        grids, wide, first_mode, drift = self.grids, self.wide, self.wide - MODES, self.drift
        at = self.terms.at
        start = np.arange(grids) * wide
        precision = np.zeros((grids, wide))
        precision[np.unique(self.group, return_index=True)[1], 0] = 1.0
        # A tilt commonly reaches the size of the drift at the edges.
        likely = 1 / GAIN_SD**2 if self.terms.gain else 3 * np.mean(at**2, axis=0) / drift
        precision[:, 1:first_mode] = np.where(self.terms.free[:, None], likely, 1 / LEAST**2)
        modes = np.arange(1, MODES + 1) ** 2 / drift
        precision[:, first_mode:] = modes
        shared = grids * wide + np.arange(MODES)
        own = (start[:, None] + first_mode + np.arange(MODES)).ravel()
        couple, pull = np.tile(shared, grids), -np.tile(modes, grids)
        diagonal = np.concatenate([precision.ravel(), (grids + 1 / SHARED) * modes])
        rows = np.concatenate([np.arange(len(diagonal)), own, couple])
        columns = np.concatenate([np.arange(len(diagonal)), couple, own])
        return np.concatenate([diagonal, pull, pull]), rows, columns

    def _spots(
        self, stations: BaseStations, right: np.ndarray
    ) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Return the right side with what base readings add, and their values, rows and columns.

        What the spot of each group reads comes last among the unknowns.
        """
        grids = np.flatnonzero(stations.known)
        level, spot, sure = grids * self.wide, len(right) + self.group[grids], 1 / stations.variance[grids]
        right = np.append(right, np.zeros(self.group.max() + 1))
        for place in (level, spot):
            np.add.at(right, place, sure * stations.level[grids])
        every = np.arange(len(right) - self.group.max() - 1, len(right))
        rows = np.concatenate([level, level, spot, spot, every])
        columns = np.concatenate([level, spot, level, spot, every])
        return right, (np.concatenate([np.tile(sure, 4), np.full(len(every), LEAST)]), rows, columns)

    def relative_levels(self) -> Solution:
        """Return the levels (G,), the first grid of each group at 0, and their covariance (G, G)."""
        level = np.arange(self.grids) * self.wide
        unit = np.zeros((len(self.solution), self.grids))
        unit[level, np.arange(self.grids)] = 1.0
        return Solution(self.solution[level], self.solver.solve(unit)[level])

    def predicted(self, steps: SeamSteps) -> np.ndarray:
        """Return the steps (S, M) that the solution explains."""
        return (steps.design @ self.solution[self.unknown][:, :, None])[:, :, 0]

    def drift_factors(self) -> np.ndarray:
        """Return (G, MODES) the drift besides its fraction of the waves, as factors of the cosines."""
        return self.solution[: self.grids * self.wide].reshape(self.grids, self.wide)[:, -MODES:].copy()

    def levels(self, weight: np.ndarray, fixed: int) -> AdjustedLevels:
        """Return the levels, and likewise the terms, with a weighted mean of each group or one grid held at 0."""
        grids, number = self.grids, self.wide - MODES
        wanted = (np.arange(grids)[:, None] * self.wide + np.arange(number)).ravel()
        unit = np.zeros((len(self.solution), len(wanted)))
        unit[wanted, np.arange(len(wanted))] = 1.0
        covariance = self.solver.solve(unit)[wanted]
        move = self._held(weight, fixed).reshape(len(wanted), -1)
        covariance = (move @ covariance @ move.T).reshape(grids, number, grids, number)
        value = (move @ self.solution[wanted]).reshape(grids, number)
        own = np.arange(grids)
        within, between = covariance[own, :, own], covariance[:, 0, :, 0]
        return AdjustedLevels(value, within, between, self.group, float(np.sqrt(self.drift)))

    def _held(self, weight: np.ndarray, fixed: int) -> np.ndarray:
        """Return (G, T, G, T) the map of solutions onto those in which what stays is 0.

        Where all grids of a group are free to have a term, only its differences can be estimated.
        """
        grids, number = self.grids, self.wide - MODES
        same = self.group[:, None] == self.group
        mean = np.where(same, weight, 0.0)
        mean = mean / mean.sum(axis=1, keepdims=True)
        loose = mean * np.all(self.terms.free | ~same, axis=1)[:, None]
        if fixed >= 0:
            mean[self.group == self.group[fixed]] = np.eye(grids)[fixed]
        move = np.eye(grids * number).reshape(grids, number, grids, number)
        for term in range(1, number):
            move[:, term, :, term] -= loose
            move[:, 0, :, term] -= self.terms.site[:, term - 1, None] * loose
        move[:, 0] -= np.tensordot(mean, move[:, 0], 1)
        return move
