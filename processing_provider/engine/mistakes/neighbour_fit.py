"""How well each line fits its neighbours when it is turned round or moved along the traverse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from ..core import band_pass

NEAR_M = 1.0
"""A line may lie this far off along the traverse without any mistake: uneven pace, late start, lag. Found by
tests/calibration/mistakes.py: 95 % of the lines of a clean grid fit best within 0.6 m, and half as much again is to
spare (``fits``)."""
FEATURE_M = 0.8
"""Band-passed readings nearer than this say the same; it turns readings into independent ones. Found by
tests/calibration/mistakes.py, 0.75 +- 0.03 m on 12 sites (``fits``)."""
TURN_M = 2.5
"""A line that is turned round lies this near to its position at most. Common practice, no source: the overrun of both
ends of a line differs by a few metres."""
COARSE_M = 4.0
"""Swells longer than this (standard deviation) may be drift and say nothing about the position of a line. Derived: half
a wave of 2 pi 4 m = 25 m is walked in 10 s, and drift is smooth over minutes; shorter swells are ground."""
TAIL = 4.0
"""Degrees of freedom of Student's t for what lines differ by: iron and edges are heavier than normal. Found by
tests/calibration/mistakes.py, 3.4 +- 0.2 on 12 sites, to the next whole number (``residuals``)."""
LEAST_OVERLAP = 0.5
"""Fraction of the line that must still lie on its neighbours when it is moved. Common practice, no source."""
FALSE_ALARMS = 1 / 20
"""Clean grids in which chance reports a mistake, at most. Common practice, no source: the 5 % level of tests."""
AROUND = 6
"""Lines on either side that show how well lines fit here; those next to a line are held against it themselves. Derived:
the median of ten lines has a standard error of 1.25 / sqrt(10) = 0.4 of a line's, small beside ``MISFIT``."""
MISFIT = 3.5
"""Standard deviations of Fisher's z by which a line may fit worse than they do, at another position or turned round.
Found by tests/calibration/mistakes.py: 84 % of the lines of a clean grid fit no more than 2.1 worse than those around,
where 1 would be expected of independent readings; 3.5 leaves 5 % (``fits``)."""


@dataclass(frozen=True)
class Fit:
    """How well every line fits its neighbours.

    ``likelihood`` and ``correlation`` are (2, L, H): as recorded and turned round, over H moves in metres;
    ``near`` (H,) are moves that are no mistake, ``turn`` (H,) those that a line turned round may have. ``count`` (L,)
    are the independent readings of the lines.
    """

    move_m: np.ndarray
    likelihood: np.ndarray
    correlation: np.ndarray
    count: np.ndarray

    @property
    def near(self) -> np.ndarray:
        """(M,) bool: moves within which a line may lie without any mistake."""
        return np.abs(self.move_m) < NEAR_M

    @property
    def turn(self) -> np.ndarray:
        """(M,) bool: moves that count for a line turned round."""
        return np.abs(self.move_m) <= TURN_M


def fits_as_those_around(fit: Fit, trusted: np.ndarray, i: int, own: float) -> bool:
    """Return whether a line with the correlation ``own`` fits as those around it do as recorded."""
    away = np.abs(np.arange(len(trusted)) - i)
    around = trusted & (away > 1) & (away <= AROUND)
    if not around.any():
        return True
    typical = np.median(fit.correlation[0][around][:, fit.near].max(axis=1))
    z_typical, z_own = np.arctanh(np.clip([typical, own], -0.999, 0.999))
    return bool(z_own > z_typical - MISFIT / np.sqrt(max(fit.count[i] - 3, 1.0)))


def moves_of(fit: Fit) -> float:
    """Return how many independent positions of a line are looked at, both ways."""
    return (float(np.ptp(fit.move_m)) + 2 * TURN_M) / FEATURE_M


class NeighbourFit:
    """How well lines fit their neighbours as recorded and turned round about the middle of the grid, at every move.

    Parameters
    ----------
    matrices : (C, L, V) float64
        Lines side by side after the common lag, by channel; NaN where there are no readings.
    step_m : float
        Between readings.

    Notes
    -----
    Each line is held against the mean of its two neighbours at every move along the traverse; the part of a line that a
    move puts off its neighbours counts as unexplained. Channels of one instrument see the same ground, so their
    likelihoods are averaged, not added up. See ``docs/methods/mistakes.md``.
    """

    def __init__(self, matrices: np.ndarray, step_m: float) -> None:
        from scipy.fft import next_fast_len, rfft

        self._step_m, self._reach = step_m, int(LEAST_OVERLAP * matrices.shape[2])
        self._size = next_fast_len(2 * matrices.shape[2], real=True)
        self._known = np.isfinite(matrices)
        self._bands = [band_pass(matrix, step_m, COARSE_M) for matrix in matrices]
        self._waves = [[np.conj(rfft(own, self._size)) for own in (band, band[:, ::-1])] for band in self._bands]

    def fit(self, trusted: np.ndarray) -> Fit:
        """Return the fits to those neighbours that are trusted (L,)."""
        moves = np.arange(-self._reach, self._reach + 1)
        likelihood, products, norms = np.zeros((3, 2, len(trusted), len(moves)))
        for known, band, waves in zip(self._known, self._bands, self._waves):
            reference = _neighbours(band * trusted[:, None], known & trusted[:, None])
            count = known.sum(axis=1) * self._step_m / FEATURE_M
            product, norm = self._moved(waves, np.sum(band**2, axis=1), reference)
            explained = np.clip(product / np.maximum(norm, 1e-12), 0.0, 0.999)
            likelihood -= count[:, None] / 2 * np.log1p(-(explained**2)) / len(self._bands)
            products += product
            norms += norm
        return Fit(moves * self._step_m, likelihood, products / np.maximum(norms, 1e-12), count)

    def _moved(
        self, waves: Sequence[np.ndarray], power: np.ndarray, reference: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return (2, L, H) products of lines moved along the traverse with their reference, and (L, H) their norms.

        ``waves`` are the conjugate transforms of the lines as recorded and turned round, ``power`` (L,) their sums of
        squares.
        """
        from scipy.fft import irfft, rfft

        width, moves = reference.shape[1], np.arange(-self._reach, self._reach + 1)
        other = rfft(reference, self._size)
        products = np.stack([irfft(own * other, self._size)[:, moves] for own in waves])
        running = np.concatenate([np.zeros((len(power), 1)), np.cumsum(reference**2, axis=1)], axis=1)
        overlapped = running[:, width + np.minimum(moves, 0)] - running[:, np.maximum(moves, 0)]
        return products, np.sqrt(power[:, None] * overlapped)


def correlation_as_recorded(matrices: np.ndarray, step_m: float) -> np.ndarray:
    """Return (L,) the correlation of all lines with their neighbours where they are recorded.

    It is that of ``NeighbourFit``. ``matrices`` (C, L, V) are lines side by side, by channel; ``step_m`` is between
    readings.
    """
    products, norms = np.zeros((2, matrices.shape[1]))
    for matrix in matrices:
        band = band_pass(matrix, step_m, COARSE_M)
        reference = _neighbours(band, np.isfinite(matrix))
        products += np.sum(band * reference, axis=1)
        norms += np.sqrt(np.sum(band**2, axis=1) * np.sum(reference**2, axis=1))
    return products / np.maximum(norms, 1e-12)


def _neighbours(band: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Return the mean of the lines on both sides (of one at the edges of the grid), zero where neither is known."""
    total, count = np.zeros_like(band), np.zeros_like(band)
    total[1:], count[1:] = band[:-1], known[:-1]
    total[:-1] += band[1:]
    count[:-1] += known[1:]
    return total / np.maximum(count, 1.0)
