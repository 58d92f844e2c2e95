"""Base stations of a survey: where all grids were read on one spot, they determine the levels of the grids."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import Readings, kind_code, recordings, robust_sd
from .one_level import Solution, posteriors

LEAST_SETS = 2
"""Sets of base readings that a grid must have. Derived: a single set says nothing of the drift in between."""
FOLLOWED = 2.0
"""Degrees of freedom of a grid's sets that its drift takes up, besides the mean. Derived: the drift that balancing
takes off has a warm-up and a smooth part, which over a grid is little more than one slope."""
ONE_SPOT, SURE = 0.8, 0.75
"""Probability that all base readings were taken on one spot: beforehand, and that from which on they count. Common
practice, no source: right base readings left aside cost as much as wrong ones that count."""
NOISIER = (1.0, 4.0, 16.0)
"""What the variance of base readings may have to be multiplied by, each as probable. Common practice, no source: an
instrument held a little higher reads a few percent less, so that sets of one grid agree better than those of two."""
OTHER_SPOTS = ((1.0, 0.6), (9.0, 0.3), (81.0, 0.1))
"""What the variance of the signal may have to be multiplied by for spots of their own, and how probable that is. Common
practice, no source: a spot may lie over a feature or off the site."""
LEAST = 1e-6
"""Least variance of a level, as a fraction of that of the signal. Derived: a thousandth of the signal as standard
deviation is no matter on a map, and keeps the covariance invertible in float64."""
TINY = 1e-12
"""Least variance where the signal has none. Derived: above the rounding of float64 for values up to 1000."""


@dataclass(frozen=True)
class BaseStation:
    """The base readings of one grid, in the unit of the channel.

    Attributes
    ----------
    level : float
        Mean of the medians of the sets.
    sets : int
    squares : float
        Sum of the squared deviations of the sets.
    lines : float
        Variance of the mean offset of the lines: what their stripes leave between lines and base readings.
    """

    level: float
    sets: int
    squares: float
    lines: float


@dataclass(frozen=True)
class BaseStations:
    """Levels of G grids by their base readings, but for what the spot itself reads, in the unit of the channel.

    Attributes
    ----------
    level, variance : (G,) float64
        NaN for a grid without.
    signal : float
        Variance of the signal from spot to spot.
    """

    level: np.ndarray
    variance: np.ndarray
    signal: float

    @property
    def known(self) -> np.ndarray:
        """(G,) whether a grid has base readings."""
        return np.isfinite(self.level)

    def of(self, grids: np.ndarray) -> BaseStations:
        """Return those of some grids (G,) bool."""
        return BaseStations(np.where(grids, self.level, np.nan), self.variance, self.signal)

    def of_rows(self, grids: np.ndarray) -> BaseStations:
        """Return those of some grids, by their indices, alone."""
        return BaseStations(self.level[grids], self.variance[grids], self.signal)

    def in_units_of(self, unit: float) -> BaseStations:
        """Return the same in multiples of ``unit``."""
        return BaseStations(self.level / unit, self.variance / unit**2, self.signal / unit**2)

    def on_one_spot(self, by_seams: Sequence[Solution], alike_sd: float) -> bool:
        """Return whether they were all taken on one spot.

        Parameters
        ----------
        by_seams, alike_sd
            As for ``levels_with_proof``, by the seams alone.

        Notes
        -----
        The level of a grid by its base readings less its level is what the spot reads, the same for all grids. From
        spot to spot it differs as the signal does. What ``levels_with_proof`` weighs, and how noisy base readings are,
        is unknown in both cases.
        """
        known = self.known
        if np.count_nonzero(known) < 2:
            return False
        spots = self.signal * np.eye(np.count_nonzero(known))
        same, other = [], []
        for assumed in posteriors(by_seams, alike_sd):
            residual = Solution(self.level - assumed.levels.level, assumed.levels.covariance).of(np.flatnonzero(known))
            for noisier in NOISIER:
                own = np.diag(noisier * self.variance[known])
                same.append(assumed.log + residual.likely(own)[0])
                other += [
                    assumed.log + np.log(probable) + residual.likely(own + factor * spots)[0]
                    for factor, probable in OTHER_SPOTS
                ]
        odds = np.logaddexp.reduce(same) - np.logaddexp.reduce(other) + np.log(ONE_SPOT / (1 - ONE_SPOT))
        return bool(odds > np.log(SURE / (1 - SURE)))


def station_of(part: Readings, channel: str) -> Optional[BaseStation]:
    """Return the base readings of one grid whose traverses are balanced, None where there are too few."""
    values, error = part.channels[channel], part.se.get(channel)
    sets = np.array([np.median(values[rows]) for rows in recordings(part, "base", values)])
    if len(sets) < LEAST_SETS or error is None:
        return None
    survey = (part.kind == kind_code("survey")) & part.in_use & np.isfinite(values) & np.isfinite(error)
    if not survey.any():
        return None
    level = float(np.mean(sets))
    lines = _variance_of_lines(part.take(survey), channel)
    return BaseStation(level, len(sets), float(np.sum((sets - level) ** 2)), lines)


def stations_of(grids: Sequence[Optional[BaseStation]], signal: float) -> Optional[BaseStations]:
    """Return the base readings of all grids side by side, None where less than two grids have any.

    ``signal`` is the variance of the signal from spot to spot.
    """
    there = [grid for grid in grids if grid is not None]
    if len(there) < 2:
        return None
    # How far sets scatter on one spot is alike in all grids.
    scatter = sum(grid.squares for grid in there) / sum(max(grid.sets - 1 - FOLLOWED, 1.0) for grid in there)
    level = np.array([np.nan if grid is None else grid.level for grid in grids])
    variance = [np.nan if grid is None else scatter / grid.sets + grid.lines + LEAST * signal + TINY for grid in grids]
    return BaseStations(level, np.array(variance), signal)


def _variance_of_lines(part: Readings, channel: str) -> float:
    """Return the variance of the mean of the lines' offsets.

    It joins that of what was taken off lines of one heading and that of the uncertainty about it.
    """
    lines, first = np.unique(part.line, return_index=True)
    offset, unsure = ((part.raw[channel] - part.channels[channel])[first], part.se[channel][first])
    scatter = robust_sd(offset[2:] - offset[:-2]) ** 2 / 2
    return float((scatter + np.median(unsure) ** 2) / len(lines))
