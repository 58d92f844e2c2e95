"""Removes variation along a line that is finer than the footprint of the coils (smoothing spline)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..core import INSTRUMENT

COILS_M = INSTRUMENT.shortest_wave_m
"""Of a wave of this length half is kept, of one twice as long 98 %. Coils leave 2 % of such a wave."""
STEPS = 0.25 ** np.arange(5)
"""Stiffnesses that are tried, in the largest, from the last one on for as long as they predict better. Where the last
one predicts best, nothing is done. Derived: half of a wave is kept whose length goes with the sixth root, 0.8 m, 0.63
m, 0.50 m and on down to 0.32 m, at which a reading every 0.125 m shows nothing but noise."""
SAMPLE = 8
"""Recordings, spread over the grid, that the stiffness is chosen by. Found by tests/calibration/interpolate.py."""
FAINT = 1e-3
"""Noise below this fraction of the standard deviation of all readings is left alone. Derived: a map of 256 colours over
four standard deviations changes colour every 1.6 %."""
FREQUENCIES = np.linspace(0.0, np.pi, 257)[1::2]
"""Radians a reading, midpoints of 128 intervals. Derived: sums over midpoints of a smooth even periodic function
converge exponentially; twice as many change no fraction of noise by 1e-6 (shown in the tests)."""


@dataclass(frozen=True)
class SmoothedReadings:
    """Values of a smoothing spline at the readings.

    Attributes
    ----------
    z : (n,) float64
    noise_fraction, halfway_fraction : float
        Fraction of the variance of the readings' noise in the values, and half-way between them on the cubic spline
        through them.
    """

    z: np.ndarray
    noise_fraction: float
    halfway_fraction: float


def smoothed(v: np.ndarray, z: np.ndarray, first: np.ndarray, interval_m: float, noise: float) -> SmoothedReadings:
    """Return the smoothing spline through readings, as stiff as their noise asks for.

    Parameters
    ----------
    v : (n,) float64
        Positions along the lines, metres, strictly growing within a piece.
    z : (n,) float64
        Readings of pieces that stand one after the other.
    first : (n,) bool
        True at the first reading of every piece.
    interval_m : float
        Median distance between readings.
    noise : float
        Standard deviation of single readings, as of ``noise_of_smooth_runs``.

    Returns
    -------
    SmoothedReadings
        Readings without noise, pieces of less than four, and readings too far from each other to share a footprint are
        returned as they are; so is any parabola.

    Notes
    -----
    The curve minimises sum (z - s)^2 + stiffness sum (third differences of s)^2, divided differences where the
    distances differ. The stiffness is the one that predicts left-out readings best (generalised cross-validation), up
    to the one that keeps half of a wave of ``COILS_M``.

    References
    ----------
    Whittaker, E.T., 1922. On a new method of graduation. Proceedings of the Edinburgh Mathematical Society 41, 63-75.
    Golub, G.H., Heath, M., Wahba, G., 1979. Generalized cross-validation as a method for choosing a good ridge
    parameter. Technometrics 21(2), 215-223, doi:10.1080/00401706.1979.10489751.
    """
    if interval_m > COILS_M / 2 or noise <= FAINT * np.std(z):
        return _with_noise_fractions(z, 0.0)
    largest = 1.0 / float(_wave(2.0 * np.pi * interval_m / COILS_M))
    starts = np.flatnonzero(first)
    some = np.unique(np.linspace(0, len(starts) - 1, SAMPLE).astype(int))
    rows = np.concatenate([np.arange(*ends) for ends in zip(starts[some], np.append(starts, len(v))[some + 1])])
    sample, weight = z[rows], _third_differences(v[rows], first[rows], interval_m)
    best, score = len(STEPS) - 1, np.inf
    for number in range(best, -1, -1):
        before, score = score, _score(sample, weight, largest * STEPS[number])
        if score >= before:
            break
        best = number
    if best == len(STEPS) - 1:
        return _with_noise_fractions(z, 0.0)
    stiffness = largest * STEPS[best]
    return _with_noise_fractions(_curve(z, _third_differences(v, first, interval_m), stiffness), stiffness)


def _with_noise_fractions(z: np.ndarray, stiffness: float) -> SmoothedReadings:
    """Return a curve with the fractions of white noise in it at its stiffness."""
    kept = _gain(stiffness) ** 2
    # Cubic B-splines half-way between knots, over the same at knots.
    half, whole = FREQUENCIES / 2, FREQUENCIES
    spline = (46 * np.cos(half) + 2 * np.cos(3 * half)) / 48 / ((4 + 2 * np.cos(whole)) / 6)
    return SmoothedReadings(z, float(np.mean(kept)), float(np.mean(kept * spline**2)))


def _wave(frequency: ArrayLike) -> np.ndarray:
    """Return the squared amplitude of the third differences of a wave, by radians a reading."""
    return (2.0 * np.sin(np.asarray(frequency) / 2.0)) ** 6


def _gain(stiffness: float) -> np.ndarray:
    """Return how much of waves of all ``FREQUENCIES`` a curve keeps."""
    return 1.0 / (1.0 + stiffness * _wave(FREQUENCIES))


def _score(z: np.ndarray, weight: np.ndarray, stiffness: float) -> float:
    """Return the generalised cross-validation of a stiffness."""
    residual = z - _curve(z, weight, stiffness)
    return float(np.sum(residual**2)) / (1.0 - float(np.mean(_gain(stiffness)))) ** 2


def _curve(z: np.ndarray, weight: np.ndarray, stiffness: float) -> np.ndarray:
    """Return the curve of a stiffness at the readings; ``weight`` as of ``_third_differences``."""
    from scipy.linalg import solveh_banded

    if len(z) < 4:
        return z
    bands = np.zeros((4, len(z)))
    for lower in range(4):
        for upper in range(lower, 4):
            row, column = upper - lower, slice(lower, lower + weight.shape[1])
            bands[row, column] += weight[lower] * weight[upper]
    bands *= stiffness
    bands[0] += 1.0
    return solveh_banded(bands, z, overwrite_ab=True, lower=True, check_finite=False)


def _third_differences(v: np.ndarray, first: np.ndarray, interval_m: float) -> np.ndarray:
    """Return the weights (4, n - 3) of four readings one after the other; 0 where a piece ends between them."""
    if len(v) < 4:
        return np.zeros((4, 0))
    position = [v[k : len(v) - 3 + k] / interval_m for k in range(4)]
    whole = ~(first[1:-2] | first[2:-1] | first[3:])
    weight = np.empty((4, len(whole)))
    for k in range(4):
        product = np.ones(len(whole))
        for j in range(4):
            if j != k:
                product *= position[k] - position[j]
        weight[k] = np.where(whole, 6.0 / np.where(whole, product, 1.0), 0.0)
    return weight
