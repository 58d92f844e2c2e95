"""Ordinary kriging of scattered readings, from the readings around each position, with its variance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional

import numpy as np

from ..core import EngineError, check_positive
from ..geometry import EDGE_M
from .points import check_columns, merged, spacing_of, thinned
from .variogram import Variogram

ALL = 200
"""Up to so many readings all of them take part everywhere. Derived: one factorisation of 200 equations costs as much as
(200 / 40)^3 = 125 systems of ``NEIGHBOURS``, one a position."""
NEIGHBOURS = 40
"""Readings that take part at a position of larger data. Found by tests/calibration/scattered.py."""
SLOTS = 2**21
"""Matrix elements at a time. Derived: 16 MB an array."""
RIDGE = 1e-8
"""Least noise of a reading in partial sills under the Gaussian model, whose equations are singular in floating point
without. Derived: the square root of float64's rounding, 1.5e-8, keeps half of the digits."""
ROUNDING = 1e-6
"""Sills: a variance farther below zero than this is no rounding error, but equations without a solution. Derived:
float64 rounds to 1.1e-16, of which equations with ``RIDGE`` on the diagonal lose a factor of 1e8; a hundred times
that."""
NO_SOLUTION = (
    "The kriging equations have no solution: there are readings that the variogram does not distinguish. "
    "Give the variogram a nugget, or a shorter range."
)


@dataclass(frozen=True)
class _Field:
    """Readings, one a position, in scaled coordinates; variances in units of the sill."""

    points: np.ndarray
    z: np.ndarray
    error: np.ndarray
    variogram: Variogram
    psill: float
    signal_nugget: float
    """The part of the nugget that is variation of the field."""

    def covariance_at(self, distance_m: np.ndarray) -> np.ndarray:
        """Return the covariance of the field at a distance."""
        covariance = self.psill * self.variogram.correlation(distance_m)
        if self.signal_nugget:
            covariance[distance_m <= EDGE_M] += self.signal_nugget
        return covariance


def ordinary_kriging(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    x0: np.ndarray,
    y0: np.ndarray,
    variogram: Variogram,
    *,
    neighbours: Optional[int] = None,
    radius_m: Optional[float] = None,
    variance_of_points: Optional[np.ndarray] = None,
    nugget_is_noise: bool = False,
    progress: Optional[Callable[[float], None]] = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Estimate a channel at positions from readings scattered in any way.

    Parameters
    ----------
    x, y : (n,) float64
        Readings, map metres.
    z : (n,) float64
    x0, y0 : (m,) float64
        Positions, map metres.
    variogram : Variogram
    neighbours : int, optional
        At most so many readings take part at a position, see Notes; None = all of up to 200, else 40.
    radius_m : float, optional
        Readings farther than this take no part: the distance along the variogram's axis, and ``ratio`` times it
        across. None = no limit.
    variance_of_points : (n,) float64, optional
        Error variance of every reading, unit squared, independent from reading to reading; None = none.
    nugget_is_noise : bool
        Whether the nugget is error of the readings, which the estimate leaves out, rather than variation of the field.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    estimate, variance : (m,) float64
        In the unit of ``z`` and its square; NaN where no reading lies within the radius. The variance is that of the
        estimate's error against the field without errors of readings.

    Raises
    ------
    EngineError
        On columns of unequal length or with values that are no numbers, a negative error variance, fewer than one
        neighbour, a radius not above zero, or equations that have no solution.

    Notes
    -----
    A reading is ``mean + s + e``: an unknown mean, a field s with the variogram, independent error e. Errors that
    readings share, such as an offset of a line, are not covered. At a reading without error the estimate is that
    reading and the variance zero. Readings at one position count with their mean, weighted by their errors. The
    Gaussian model lends readings without nugget and error a variance of ``RIDGE``.

    The nearest readings of data that are dense along lines would all lie on the next one or two lines. So half the
    neighbours are the nearest readings, and half are the nearest of a set thinned to one reading a box, half as wide as
    the distance between lines. Under the Gaussian model, which trades noise against many readings, 40 neighbours have a
    standard error 20 to 50 % above that of all: give more there. See ``docs/methods/kriging.md``.
    """
    x, y, z = check_columns(("x", "y", "values"), (x, y, z))
    x0, y0 = check_columns(("x of places", "y of places"), (x0, y0), least=0)
    if neighbours is not None and neighbours < 1:
        raise EngineError(f"Invalid number of neighbours: {neighbours} was given. It must be 1 or more.")
    if radius_m is not None:
        check_positive("radius", radius_m)
    field = _field(x, y, z, _errors(variance_of_points, len(x)), variogram, nugget_is_noise)
    positions = variogram.scaled(x0 - x.mean(), y0 - y.mean())
    estimate, variance = np.full(len(x0), np.nan), np.full(len(x0), np.nan)
    n = len(field.z)
    most = min(n, neighbours or (n if n <= ALL else NEIGHBOURS))
    everywhere = most == n and radius_m is None
    solve = _from_all(field) if everywhere else _from_neighbours(field, most, radius_m)
    step = max(1, SLOTS // (n + 1 if everywhere else (most + 1) ** 2))
    for start in range(0, len(x0), step):
        if progress is not None:
            progress(start / len(x0))
        part = slice(start, start + step)
        estimate[part], variance[part] = solve(positions[part])
    return estimate, variance * variogram.sill


def _errors(variance_of_points: Optional[np.ndarray], n: int) -> np.ndarray:
    if variance_of_points is None:
        return np.zeros(n)
    (error,) = check_columns(("variance of points",), (variance_of_points,))
    if len(error) != n:
        raise EngineError(f"Invalid variance of points: {len(error)} were given. There must be {n}, one a reading.")
    if (error < 0).any():
        raise EngineError(f"Invalid variance of points: {error.min():g} was given. None may be below zero.")
    return error


def _field(
    x: np.ndarray, y: np.ndarray, z: np.ndarray, error: np.ndarray, variogram: Variogram, nugget_is_noise: bool
) -> _Field:
    """Return the field to krige from."""
    if nugget_is_noise:
        error = error + variogram.nugget
    middle = x.mean(), y.mean()
    x, y, z, error = merged(x, y, z, error)
    signal_nugget = 0.0 if nugget_is_noise else variogram.nugget
    if variogram.model == "gaussian":
        error = np.maximum(error, RIDGE * variogram.psill - signal_nugget)
    points = variogram.scaled(x - middle[0], y - middle[1])
    sill = variogram.sill
    return _Field(points, z, error / sill, variogram, variogram.psill / sill, signal_nugget / sill)


def _from_all(field: _Field) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Return a function that estimates positions (m, 2) from all readings."""
    from scipy.linalg.lapack import dgetrf, dgetrs

    n = len(field.z)
    left = np.ones((n + 1, n + 1))
    left[:n, :n] = field.covariance_at(_distances(field.points, field.points))
    left[np.arange(n), np.arange(n)] += field.error
    left[n, n] = 0
    factors, pivots, singular = dgetrf(left)
    if singular:
        raise EngineError(NO_SOLUTION)

    def solve(positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        right = np.ones((n + 1, len(positions)))
        right[:n] = field.covariance_at(_distances(field.points, positions))
        return _results(field, dgetrs(factors, pivots, right)[0].T, right.T, field.z)

    return solve


def _from_neighbours(
    field: _Field, most: int, radius_m: Optional[float]
) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Return a function that estimates positions (m, 2) from the readings around them."""
    from scipy.spatial import cKDTree

    radius_m = np.inf if radius_m is None else radius_m
    few = thinned(field.points, spacing_of(field.points) / 2)
    far = most // 2 if most < len(field.z) else 0
    trees = cKDTree(field.points), cKDTree(field.points[few])

    def solve(positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        distance, row = trees[0].query(positions, range(1, most - far + 1), distance_upper_bound=radius_m)
        away, number = trees[1].query(positions, range(1, far + 2), distance_upper_bound=radius_m)
        away, number = away[:, :far], number[:, :far]
        away[away <= distance[:, -1:]] = np.inf
        distance, row = np.hstack([distance, away]), np.hstack([row, np.append(few, 0)[number]])
        there = np.isfinite(distance)
        some = np.flatnonzero(there[:, 0])
        results = np.full((2, len(positions)), np.nan)
        results[:, some] = _solve(field, distance[some], np.where(there, row, 0)[some], there[some])
        return results[0], results[1]

    return solve


def _solve(field: _Field, distance: np.ndarray, row: np.ndarray, there: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Estimate positions from neighbours: distances, rows and whether there is one, (positions, neighbours)."""
    count, k = row.shape
    left = np.ones((count, k + 1, k + 1))
    points = field.points[row]
    left[:, :k, :k] = field.covariance_at(_distances(points, points)) * (there[:, :, None] & there[:, None, :])
    left[:, np.arange(k), np.arange(k)] += np.where(there, field.error[row], 1.0)
    left[:, :k, k] = left[:, k, :k] = there
    left[:, k, k] = 0
    right = np.ones((count, k + 1))
    right[:, :k] = field.covariance_at(np.where(there, distance, np.inf)) * there
    try:
        weights = np.linalg.solve(left, right[:, :, None])[:, :, 0]
    except np.linalg.LinAlgError:
        raise EngineError(NO_SOLUTION) from None
    return _results(field, weights, right, field.z[row])


def _results(field: _Field, weights: np.ndarray, right: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return estimate and variance from weights and multiplier (positions, neighbours + 1)."""
    variance = field.psill + field.signal_nugget - np.sum(weights * right, axis=1)
    if not (variance > -ROUNDING).all():
        raise EngineError(NO_SOLUTION)
    return np.sum(weights[:, :-1] * z, axis=1), np.maximum(variance, 0)


def _distances(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return the distances between points (..., n, 2) and (..., m, 2)."""
    dx, dy = (a[..., :, None, i] - b[..., None, :, i] for i in (0, 1))
    return np.sqrt(dx * dx + dy * dy)
