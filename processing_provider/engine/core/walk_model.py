"""What is known of a survey before its readings are compared: position errors, footprint, drift, mistakes.

See ``docs/methods/align.md``. A platform is how the instrument is moved; what belongs to the instrument is the same on
every platform.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Mapping

import numpy as np

from .blas_threads import eigen_symmetric
from .checks import check_choice

PRIOR = 0.01
"""Fraction of lines, or of grids, with a given mistake: one in a hundred (common practice, no source)."""


def certainty_of(gain: float, candidates: float) -> float:
    """Return the posterior probability of a mistake by its log likelihood ratio, with the prior ``PRIOR``.

    Parameters
    ----------
    gain : float
        Log likelihood gained against what is recorded.
    candidates : float
        Alternatives for each line, or each grid.

    Returns
    -------
    float
        Below 1 in floating point: no reading makes certain.
    """
    return float(1.0 / (1.0 + np.exp(-np.clip(gain - np.log(candidates / PRIOR), -30.0, 30.0))))


@dataclass(frozen=True)
class Platform:
    """Prior standard deviations, in metres, of the position errors of a platform.

    Attributes
    ----------
    name : str
        The word for it in a recipe.
    ends_m : float
        Error of the start of a line, and independently of its stop.
    pace_m : float
        Wander along the line between exact ends (root mean square over the line): uneven pace. 0 = none.
    pace_length_m : float
        Correlation length of the wander: exp(-(x / pace_length_m)^2 / 2) at a distance x.
    jitter_m : float
        A line's own lag about that of the instrument: when the button was pressed.
    across_m : float
        Error across the line.
    aligned_m, aligned_between_m : float
        Error along the line that is left once lines are aligned, and the part of it that the lines around do not share.
    aligned_tie_m : float
        Likewise, along a tie line whose along-line errors were estimated from its crossovers.
    """

    name: str
    ends_m: float
    pace_m: float
    pace_length_m: float
    jitter_m: float
    across_m: float
    aligned_m: float
    aligned_between_m: float
    aligned_tie_m: float

    @property
    def along_m(self) -> float:
        """Error along the line as logged, to the centimetre.

        At the fraction t of a line, independent errors of its ends have the variance ((1 - t)^2 + t^2) ends_m^2, in
        the mean 2/3 ends_m^2; wander and jitter come on top: for a carried instrument
        sqrt(2/3 0.12^2 + 0.15^2 + 0.06^2) = 0.19.
        """
        return round(float(np.sqrt(self.ends_m**2 * 2 / 3 + self.pace_m**2 + self.jitter_m**2)), 2)

    @property
    def between_lines_m(self) -> float:
        """Error along a line relative to the lines that predict it, to the centimetre.

        One neighbour errs as much as the line itself, a factor sqrt(2); the mean of two as sqrt(3/2). Weights of
        prediction lie between: the factor is the mean of both, for a carried instrument 1.32 * 0.19 = 0.25.
        """
        return round(self.along_m * (np.sqrt(2.0) + np.sqrt(1.5)) / 2, 2)


CARRIED = Platform(
    name="carried",
    ends_m=0.12,
    pace_m=0.15,
    pace_length_m=7.0,
    jitter_m=0.06,
    across_m=0.05,
    aligned_m=0.15,
    aligned_between_m=0.10,
    aligned_tie_m=0.08,
)
"""An instrument carried at walking pace between two tapes, its readings triggered by time.

Common practice, no source, for all but ``aligned_m``: a button pressed within a tenth of a second at 1.2 m/s (0.12 m),
pace kept to a few per cent between the ends of a line of 20 to 30 m, a person who is ahead still ahead after 7 m, and a
string followed to 5 cm. ``aligned_m`` is found by tests/calibration/align.py: 0.142 m, with a standard deviation of
0.017 m from survey to survey. The script finds 0.12 (0.02) m for ``aligned_between_m`` and 0.13 (0.05) m for
``aligned_tie_m``, somewhat more than is taken.
"""

CART = Platform(
    name="cart",
    ends_m=0.02,
    pace_m=0.0,
    pace_length_m=7.0,
    jitter_m=0.01,
    across_m=0.05,
    aligned_m=0.02,
    aligned_between_m=0.02,
    aligned_tie_m=0.02,
)
"""An instrument on a cart whose wheel triggers the readings, so that pace does not matter.

Common practice, no source: the wheel is set on the start edge within 2 cm, and slips or sinks by as much over a line;
its pulses come every 2 to 5 cm (jitter 0.01 m). In all 0.02 m along the line, which alignment does not better. A cart
follows a string no closer than a person does.
"""

PLATFORMS: Mapping[str, Platform] = {one.name: one for one in (CARRIED, CART)}


def platform_named(name: str) -> Platform:
    """Return the platform that a word of a recipe names.

    Raises
    ------
    EngineError
        When there is no platform of that name.
    """
    check_choice("platform", name, tuple(PLATFORMS))
    return PLATFORMS[name]


@dataclass(frozen=True)
class Instrument:
    """What is known of a ground-conductivity meter, however it is moved.

    Attributes
    ----------
    footprint_m : float
        Coils blur the ground by a Gaussian of this standard deviation, in metres.
    lag_m : float
        Prior standard deviation, in metres, of the lag of a line that was not aligned: the instrument's response and
        the logger's delay at walking speed.
    drift_s : float
        Correlation time of the drift in seconds: exp(-(t / drift_s)^2 / 2).
    warm_up_s : float
        Time constant in seconds with which an instrument that warms up settles: exp(-t / warm_up_s).
    """

    footprint_m: float
    lag_m: float
    drift_s: float
    warm_up_s: float

    @property
    def least_footprint_m(self) -> float:
        """The least blur that can be relied on, to the centimetre: half the variance, for coils held low (0.25)."""
        return round(float(self.footprint_m / np.sqrt(2.0)), 2)

    @property
    def resolution_m(self) -> float:
        """Readings nearer than this see much the same, to the decimetre.

        Ground without any structure has, once blurred, the correlation exp(-x^2 / (4 footprint_m^2)): a Gaussian of
        the standard deviation sqrt(2) footprint_m, 0.5 m. It is also the smallest correlation length of a feature.
        """
        return round(float(self.footprint_m * np.sqrt(2.0)), 1)

    @property
    def shortest_wave_m(self) -> float:
        """Wavelength of which the blur leaves 2 %, to the decimetre; shorter waves along a line are noise.

        The blur leaves exp(-2 (pi footprint_m / wavelength)^2) of a wave, which is 0.02 at 0.79 m.
        """
        return round(float(np.pi * self.footprint_m * np.sqrt(2 / np.log(1 / 0.02))), 1)


INSTRUMENT = Instrument(footprint_m=0.35, lag_m=0.3, drift_s=400.0, warm_up_s=300.0)
"""A meter of coils a metre apart, held low.

Common practice, no source: the coils' response falls off over a third of their distance; a logger writes up to a
quarter of a second late at 1.2 m/s (0.3 m); drift is noticed after some minutes, and warming up ends after 15 (three
time constants).
"""

KEPT = 0.998
"""Fraction of the variance of the wander that its shapes carry. Derived: what they leave out is sqrt(1 - KEPT) of
``pace_m``, 7 mm, a tenth of what alignment leaves."""
SAME = 1e-9
"""Fraction of its largest value by which a matrix may differ from itself seen from the other end. Derived: positions
are rounded to 1e-9 m, and nothing else lets evenly spaced nodes differ."""


def walk_shapes(v: np.ndarray, platform: Platform = CARRIED) -> np.ndarray:
    """Return the shapes of the along-line position error of a line.

    The first two are a shift and a stretch; the others a wander that is nothing at both ends, the slowest first.

    Parameters
    ----------
    v : (V,) float64
        Positions along the line in metres, ascending.
    platform : Platform

    Returns
    -------
    (V, m) float64
        Shapes in metres; with independent standard normal weights they make up the prior.
    """
    fraction = (v - v[0]) / max(v[-1] - v[0], 1e-9) - 0.5
    # Independent errors of both ends are a shift and a stretch, independent likewise.
    even = np.full(len(v), np.hypot(platform.ends_m / np.sqrt(2), platform.jitter_m))
    stretch = np.sqrt(2) * platform.ends_m * fraction
    return np.column_stack([even, stretch, _wander_shapes(np.round(v - v[0], 9).tobytes(), platform)])


@lru_cache(maxsize=8)
def _wander_shapes(nodes: bytes, platform: Platform) -> np.ndarray:
    """Return (V, m - 2) principal components of the wander between exact ends; grids of one length share them."""
    v = np.frombuffer(nodes)
    if not platform.pace_m:
        return np.zeros((len(v), 0))
    wander = np.exp(-((v[:, None] - v) ** 2) / (2 * platform.pace_length_m**2))
    ends = np.array([0, len(v) - 1])
    at_ends = wander[np.ix_(ends, ends)] + 1e-9 * np.eye(2)
    wander = wander - wander[:, ends] @ np.linalg.solve(at_ends, wander[ends])
    size, shape = _eigen_both_ways(platform.pace_m**2 * wander / max(np.mean(np.diag(wander)), 1e-9))
    size, shape = np.maximum(size[::-1], 0.0), shape[:, ::-1]
    m = int(np.searchsorted(np.cumsum(size) / max(size.sum(), 1e-30), KEPT)) + 1
    return shape[:, :m] * np.sqrt(size[:m])


def _eigen_both_ways(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return eigenvalues (n,), ascending, and eigenvectors (n, n) of a symmetric matrix.

    Evenly spaced nodes look the same from both ends. Eigenvectors are then even or odd about the middle, and both
    kinds are found from matrices half as large, in a quarter of the time.
    """
    half, odd = divmod(len(matrix), 2)
    if half < 2 or np.abs(matrix - matrix[::-1, ::-1]).max() > SAME * np.abs(matrix).max():
        return eigen_symmetric(matrix)
    own, mirrored = matrix[:half, :half], matrix[:half, ::-1][:, :half]
    even = np.zeros((half + odd, half + odd))
    even[:half, :half] = own + mirrored
    even[:half, half:] = np.sqrt(2.0) * matrix[:half, half : half + odd]
    even[half:, :half] = even[:half, half:].T
    even[half:, half:] = matrix[half : half + odd, half : half + odd]
    (size_even, of_even), (size_odd, of_odd) = eigen_symmetric(even), eigen_symmetric(own - mirrored)
    outer = np.concatenate([of_even[:half], of_odd], axis=1) / np.sqrt(2.0)
    middle = np.concatenate([of_even[half:], np.zeros((odd, half))], axis=1)
    inner = np.concatenate([of_even[:half], -of_odd], axis=1)[::-1] / np.sqrt(2.0)
    size, vectors = np.concatenate([size_even, size_odd]), np.concatenate([outer, middle, inner])
    order = np.argsort(size, kind="stable")
    return size[order], vectors[:, order]
