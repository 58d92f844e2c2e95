"""Noise of single readings: how much there is, and what of it coils cannot have seen taken off along the lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import INSTRUMENT

COILS_M = INSTRUMENT.shortest_wave_m
"""Of a wave of this length half is kept, of one twice as long 98 %. Coils leave 2 % of such a wave."""
STEPS = 0.25 ** np.arange(5)
"""Stiffnesses that are tried, in the largest, from the last one on for as long as they predict better. That one does
next to nothing: where it predicts best, nothing is done."""
SAMPLE = 8
"""Recordings, spread over the grid, that tell how stiff the curve may be."""
FAINT = 1e-3
"""Noise below this share of the standard deviation of all readings shows on no map."""
FREQUENCIES = np.linspace(0.0, np.pi, 257)[1::2]
"""Radians a reading."""


@dataclass(frozen=True)
class Quiet:
    """A curve through readings, (n,), and the share of the variance of their noise that is left.

    ``left`` at the readings, ``halfway`` between them on the cubic spline through the curve.
    """

    z: np.ndarray
    left: float
    halfway: float


def quietened(v: np.ndarray, z: np.ndarray, first: np.ndarray, interval_m: float, noise: float) -> Quiet:
    """Lay a curve through readings that is as stiff as their noise asks for.

    Parameters
    ----------
    v : (n,) float64
        Places along the lines, metres, strictly growing within a piece.
    z : (n,) float64
        Readings of pieces that stand one after the other.
    first : (n,) bool
        True at the first reading of every piece.
    interval_m : float
        Usual distance between readings.
    noise : float
        Standard deviation of single readings, as of ``noise_of_smooth_runs``.

    Returns
    -------
    Quiet
        Readings without noise, pieces of less than four, and readings too far apart to see the same ground come back
        as they are; so does any parabola.

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
        return _with_shares(z, 0.0)
    largest = 1.0 / _wave(2.0 * np.pi * interval_m / COILS_M)
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
        return _with_shares(z, 0.0)
    stiffness = largest * STEPS[best]
    return _with_shares(_curve(z, _third_differences(v, first, interval_m), stiffness), stiffness)


def _with_shares(z: np.ndarray, stiffness: float) -> Quiet:
    """Return a curve with the shares of white noise that are left at its stiffness."""
    kept = _kept(stiffness) ** 2
    # Cubic B-splines half-way between knots, over the same at knots.
    half, whole = FREQUENCIES / 2, FREQUENCIES
    spline = (46 * np.cos(half) + 2 * np.cos(3 * half)) / 48 / ((4 + 2 * np.cos(whole)) / 6)
    return Quiet(z, float(np.mean(kept)), float(np.mean(kept * spline**2)))


def _wave(frequency: np.ndarray) -> np.ndarray:
    """Return the squared amplitude of the third differences of a wave, by radians a reading."""
    return (2.0 * np.sin(frequency / 2.0)) ** 6


def _kept(stiffness: float) -> np.ndarray:
    """Return how much of waves of all ``FREQUENCIES`` a curve keeps."""
    return 1.0 / (1.0 + stiffness * _wave(FREQUENCIES))


def _score(z: np.ndarray, weight: np.ndarray, stiffness: float) -> float:
    """Return the generalised cross-validation of a stiffness."""
    rest = z - _curve(z, weight, stiffness)
    return float(rest @ rest) / (1.0 - float(np.mean(_kept(stiffness)))) ** 2


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
    place = [v[k : len(v) - 3 + k] / interval_m for k in range(4)]
    whole = ~(first[1:-2] | first[2:-1] | first[3:])
    weight = np.empty((4, len(whole)))
    for k in range(4):
        apart = np.ones(len(whole))
        for j in range(4):
            if j != k:
                apart *= place[k] - place[j]
        weight[k] = np.where(whole, 6.0 / np.where(whole, apart, 1.0), 0.0)
    return weight
