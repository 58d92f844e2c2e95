"""How readings differ with their distance: the sample variogram, a model of it, and the fit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Optional, Sequence, Union

import numpy as np

from ..core import EngineError, Progress, check_choice, check_finite, check_positive
from .points import check_columns, spacing_of

MODELS = ("spherical", "exponential", "gaussian")
Lags = Union[int, Sequence[float], np.ndarray]
PAIRS = 100_000
"""Pairs in a class of distance. Derived: a mean of so many independent squared normal deviates has a standard error of
sqrt(2 / 100000) = 0.45 % of itself."""
SEED = 20_150
"""Of the random subset of pairs. Derived: any number; the same one makes every run alike."""
LEAST_ROWS = 4
"""Classes to fit from. Derived: one more than nugget, partial sill and range."""
FLAT = 1e-24
"""Variance of shapes between 0 and 1 that is rounding. Derived: float64 rounds them by 1.1e-16, squared 1e-32."""
RANGE_STARTS = 17
"""Ranges, and ratios, from which the search for the best starts. Derived: over a factor of 64 they are a factor of 1.3
from each other, within which the sum of squares has one minimum."""


@dataclass(frozen=True)
class Variogram:
    """Model of the semivariance between two positions.

    Attributes
    ----------
    model : {'spherical', 'exponential', 'gaussian'}
    nugget : float
        Semivariance just off zero distance, unit of the readings squared.
    psill : float
        Partial sill: what the semivariance gains above the nugget, unit squared.
    range_m : float
        Distance along the axis at which the spherical model reaches its sill, and the others 95 % of it.
    ratio : float
        Range across the axis divided by the range along it.
    azimuth_rad : float
        Axis of the range, clockwise from map north.

    Raises
    ------
    EngineError
        On an unknown model, a negative nugget or partial sill, none above zero, or a range or ratio not above zero.

    Notes
    -----
    With h the distance in range_m, in coordinates whose part across the axis is divided by ratio:
    spherical 1.5 h - 0.5 h^3 up to 1, exponential 1 - exp(-3 h), gaussian 1 - exp(-3 h^2), times the partial sill
    (E. H. Isaaks and R. M. Srivastava 1989, An Introduction to Applied Geostatistics, chapter 16; from memory).
    """

    model: str
    nugget: float
    psill: float
    range_m: float
    ratio: float = 1.0
    azimuth_rad: float = 0.0

    def __post_init__(self) -> None:
        check_choice("variogram model", self.model, MODELS)
        for name, value in (("nugget", self.nugget), ("partial sill", self.psill)):
            if check_finite(name, value) < 0:
                raise EngineError(f"Invalid {name}: {value:g} was given. It must not be below zero.")
        check_positive("sill", self.nugget + self.psill)
        check_positive("range", self.range_m)
        check_positive("ratio of the ranges", self.ratio)
        check_finite("azimuth", self.azimuth_rad)

    @property
    def sill(self) -> float:
        """Nugget and partial sill together."""
        return self.nugget + self.psill

    def scaled(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return (n, 2) coordinates, metres, in which the model is the same in all directions."""
        along, across = _along_across(x, y, self.azimuth_rad)
        return np.stack([across / self.ratio, along], axis=-1)

    def correlation(self, distance_m: np.ndarray) -> np.ndarray:
        """Return the fraction of the partial sill that positions have in common at a distance in scaled coordinates."""
        return _correlation(self.model, distance_m / self.range_m)

    def semivariance(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the semivariance, unit squared, of positions x and y metres from each other; zero at no distance."""
        distance = np.hypot(*np.moveaxis(self.scaled(np.asarray(x, float), np.asarray(y, float)), -1, 0))
        return np.where(distance > 0, self.nugget + self.psill * (1 - self.correlation(distance)), 0.0)


@dataclass(frozen=True)
class SampleVariogram:
    """Mean semivariance of pairs of readings, a row a class of distance and direction; empty classes have no row.

    Attributes
    ----------
    distance_m, semivariance : (n,) float64
        Mean distance of the pairs and half their mean squared difference.
    pairs : (n,) int64
    angle_rad : (n,) float64
        Direction of the pairs off the axis, 0 along to pi/2 across: root mean square parts.
    azimuth_rad : float
        The axis, clockwise from map north.
    bands : int
        Classes of direction between along and across.
    """

    distance_m: np.ndarray
    semivariance: np.ndarray
    pairs: np.ndarray
    angle_rad: np.ndarray
    azimuth_rad: float
    bands: int


def line_lags(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return limits of classes of distance, metres, for readings that are dense along lines.

    From a quarter of the spacing of the lines to 32 times it, each class wider by half an octave, but not beyond a
    third of the diagonal of the extent: kriging between the lines needs the short classes.
    """
    x, y = check_columns(("x", "y"), (x, y), least=2)
    edges = spacing_of(np.stack([x, y], axis=1)) * np.append(0.0, 2.0 ** np.arange(-2, 5.1, 0.5))
    return edges[: max(LEAST_ROWS, int(np.searchsorted(edges, math.hypot(np.ptp(x), np.ptp(y)) / 3))) + 1]


def sample_variogram(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    *,
    lags: Lags = 15,
    azimuth_rad: float = 0.0,
    bands: int = 1,
    most_pairs: int = PAIRS,
    progress: Progress = None,
) -> SampleVariogram:
    """Return the sample variogram of scattered readings.

    Parameters
    ----------
    x, y : (n,) float64
        Map metres.
    z : (n,) float64
    lags : int or sequence of float
        Number of equally wide classes up to a third of the diagonal of the extent; or the limits of the classes in
        metres, rising, see `line_lags`. A distance belongs to the class whose upper limit it does not exceed.
    azimuth_rad : float
        Direction of the traverses, clockwise from map north.
    bands : int
        Equal classes of direction between along and across; 1 = all directions together.
    most_pairs : int
        A class of distance with more pairs than about this is estimated from as many, see Notes.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    SampleVariogram

    Raises
    ------
    EngineError
        On fewer than two readings, values that are no numbers, limits that do not rise, or readings all at one
        position.

    Notes
    -----
    Semivariance after G. Matheron 1963, Principles of geostatistics, Economic Geology 58, doi
    10.2113/gsecongeo.58.8.1246. Where a class has too many pairs, it takes all the pairs among a random subset of the
    readings, as large as the class needs: every pair is as likely as any other, and short distances keep all theirs.
    The subset is the same at every run.
    """
    x, y, z = check_columns(("x", "y", "values"), (x, y, z), least=2)
    edges = _edges(lags, x, y)
    check_positive("number of direction bands", bands)
    rows = []
    for number, (low, high) in enumerate(zip(edges[:-1], edges[1:])):
        if progress is not None:
            progress(number / (len(edges) - 1))
        first, second = _pairs(x, y, low, high, most_pairs)
        along, across = _along_across(x[first] - x[second], y[first] - y[second], azimuth_rad)
        band = np.minimum(np.arctan2(np.abs(across), np.abs(along)) / (np.pi / 2) * bands, bands - 1).astype(int)
        square = (z[first] - z[second]) ** 2
        sums = [np.bincount(band, w, bands) for w in (np.hypot(along, across), square / 2, along**2, across**2)]
        rows.append([np.bincount(band, minlength=bands), *sums])
    pairs, distance, half, along, across = np.stack(rows, axis=1).reshape(5, -1)
    there = pairs > 0
    if not there.any() or not (distance > 0).any():
        raise EngineError(
            f"No two of the {len(x)} readings are up to {edges[-1]:g} m from each other, so there is no variogram. "
            "Check the coordinates, or take longer classes of distance."
        )
    pairs, distance, half, along, across = (a[there] for a in (pairs, distance, half, along, across))
    angle = np.arctan2(np.sqrt(across), np.sqrt(along))
    return SampleVariogram(
        distance / pairs, half / pairs, pairs.astype(np.int64), angle, float(azimuth_rad), int(bands)
    )


def fit_variogram(sample: SampleVariogram, model: Optional[str] = None) -> Variogram:
    """Fit a model to a sample variogram; with bands of direction, the ratio of the ranges too.

    Parameters
    ----------
    sample : SampleVariogram
    model : {'spherical', 'exponential', 'gaussian'}, optional
        None = the one that fits best.

    Returns
    -------
    Variogram

    Raises
    ------
    EngineError
        On an unknown model, too few classes, or readings that do not vary.

    Notes
    -----
    Least squares with weights of pairs / distance^2 (E. J. Pebesma 2004, Multivariable geostatistics in S: the gstat
    package, Computers & Geosciences 30, doi 10.1016/j.cageo.2004.03.012: its default weights). For given ranges nugget
    and partial sill follow in closed form; the ranges are searched, from half the shortest to four times the longest
    distance, the ratio from 1/8 to 8.
    """
    if model is not None:
        check_choice("variogram model", model, MODELS)
    rows = np.flatnonzero(sample.distance_m > 0)
    if len(rows) < LEAST_ROWS:
        raise EngineError(
            f"The sample variogram has {len(rows)} classes with pairs; {LEAST_ROWS} are needed to fit a "
            "model. Take more or longer classes of distance, or give the variogram."
        )
    if not (sample.semivariance[rows] > 0).any():
        raise EngineError("The readings do not vary, so no variogram can be fitted. Check the channel.")
    fits = [_fit(sample, rows, name) for name in ((model,) if model else MODELS)]
    return min(fits, key=lambda fit: fit[0])[1]


def _fit(sample: SampleVariogram, rows: np.ndarray, model: str) -> tuple[float, Variogram]:
    """Return the least weighted sum of squared residuals of a model, and its variogram."""
    from scipy.optimize import minimize

    distance, semivariance, angle = sample.distance_m[rows], sample.semivariance[rows], sample.angle_rad[rows]
    weight = sample.pairs[rows] / distance**2
    limits = np.log([[distance.min() / 2, distance.max() * 4], [1 / 8, 8]])[: 2 if sample.bands > 1 else 1]

    def solve(logs: np.ndarray) -> tuple[float, float, float, float, float]:
        range_m, ratio = np.append(np.exp(np.clip(logs, *limits.T)), 1.0)[:2]
        scaled = distance / range_m * np.hypot(np.cos(angle), np.sin(angle) / ratio)
        return (*_sills(1 - _correlation(model, scaled), semivariance, weight), range_m, ratio)

    starts = np.stack(
        np.meshgrid(*(np.linspace(limit[0], limit[1], RANGE_STARTS) for limit in limits)), axis=-1
    ).reshape(-1, len(limits))
    start = min(starts, key=lambda logs: solve(logs)[0])
    options = {"xatol": 1e-9, "fatol": np.inf}
    found = minimize(lambda logs: solve(logs)[0], start, method="Nelder-Mead", options=options)
    squares, nugget, psill, range_m, ratio = (float(value) for value in solve(found.x))
    return squares, Variogram(model, nugget, psill, range_m, ratio, sample.azimuth_rad)


def _correlation(model: str, h: np.ndarray) -> np.ndarray:
    if model == "spherical":
        near = np.minimum(h, 1.0)
        return 1 - near * (1.5 - 0.5 * near * near)
    return np.exp(-3 * h) if model == "exponential" else np.exp(-3 * h * h)


def _along_across(x: np.ndarray, y: np.ndarray, azimuth_rad: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the parts of a map vector along an azimuth and to the right of it."""
    sin, cos = math.sin(azimuth_rad), math.cos(azimuth_rad)
    return x * sin + y * cos, x * cos - y * sin


def _edges(lags: Lags, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    if isinstance(lags, (int, float, np.number)):
        check_positive("number of lags", lags)
        return np.linspace(0, math.hypot(np.ptp(x), np.ptp(y)) / 3, int(lags) + 1)
    edges = np.asarray(lags, dtype=float)
    if len(edges) < 2 or edges[0] < 0 or not (np.diff(edges) > 0).all():
        raise EngineError(
            f"Invalid lags: {', '.join(f'{edge:g}' for edge in edges)} were given. "
            "The limits of the classes must be two or more distances from zero on, each longer than the one before."
        )
    return edges


def _pairs(x: np.ndarray, y: np.ndarray, low: float, high: float, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows of the pairs at distances above low up to high, all or those among a random subset."""
    from scipy.spatial import cKDTree

    points = np.stack([x, y], axis=1)
    order = np.random.default_rng(SEED).permutation(len(x))
    probes = points[order[:500]]
    around = cKDTree(points).query_ball_point(probes, high, return_length=True).mean() - 1
    fraction = math.sqrt(most / max(around * len(x) / 2, 1))
    rows = np.sort(order[: max(2, math.ceil(fraction * len(x)))]) if fraction < 1 else np.arange(len(x))
    pair = rows[cKDTree(points[rows]).query_pairs(high, output_type="ndarray")]
    distance = np.hypot(*(points[pair[:, 0]] - points[pair[:, 1]]).T)
    pair = pair[(distance > low) | (low == 0)]
    return pair[:, 0], pair[:, 1]


def _sills(shape: np.ndarray, semivariance: np.ndarray, weight: np.ndarray) -> tuple[float, float, float]:
    """Return the least weighted sum of squared residuals, and its nugget and partial sill, neither below zero."""

    def squares(nugget: float, psill: float) -> tuple[float, float, float]:
        return float(np.sum(weight * (semivariance - nugget - psill * shape) ** 2)), nugget, psill

    part = weight / weight.sum()
    mean, mean_shape = part @ semivariance, part @ shape
    spread = part @ (shape - mean_shape) ** 2
    slope = part @ ((shape - mean_shape) * (semivariance - mean)) / spread if spread > FLAT else 0.0
    if slope <= 0:
        return squares(float(mean), 0.0)
    if mean - slope * mean_shape < 0:
        return squares(0.0, float(np.sum(weight * shape * semivariance) / np.sum(weight * shape**2)))
    return squares(float(mean - slope * mean_shape), float(slope))
