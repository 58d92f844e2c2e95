"""How well neighbours walked in opposite directions show the same signal, by the shift of their readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import ROUNDING, Lines, Readings, band_pass
from .walk import values_at

SEARCH_M = 1.0
"""Largest shift of a reading that is looked for, at the median speed; opposite lines then move by twice as much to each
other. Derived: three standard deviations of the lag of an instrument (0.3 m), to the metre."""
SEARCH_READINGS = 2.0
"""Where readings are farther from each other, so many of their distances are looked through. Derived: a logger writes a
value one reading late at most, and a peak needs a reading beyond it on either side."""


@dataclass(frozen=True)
class Correlation:
    """Of P pairs at K lags: products and their norms, and which line of the pair goes out.

    ``lag_m`` (K,) is by how much the lines of a pair move to each other, at the median speed: twice the shift.
    """

    lag_m: np.ndarray
    product: np.ndarray
    norm: np.ndarray
    out_first: np.ndarray

    @property
    def shift_m(self) -> np.ndarray:
        """(K,) shifts of a reading along its heading."""
        return self.lag_m / 2

    @property
    def units(self) -> int:
        """How many pairs there are."""
        return len(self.product)

    @property
    def search_m(self) -> float:
        """Largest shift that is looked for, metres."""
        return search_of(float(self.lag_m[1] - self.lag_m[0]))

    def curves(self, keep: np.ndarray) -> np.ndarray:
        """Correlation by lag (B, K) of B choices of pairs (B, P).

        Out-back and back-out pairs weigh the same: oblique features shift them oppositely.
        """
        total, sides = np.zeros((len(keep), len(self.lag_m))), np.zeros((len(keep), 1))
        for side in (keep & self.out_first, keep & ~self.out_first):
            there = side.any(axis=1, keepdims=True)
            with np.errstate(invalid="ignore", divide="ignore"):
                total += np.where(there, (side @ self.product) / (side @ self.norm), 0.0)
            sides += there
        return np.nan_to_num(total / np.maximum(sides, 1))


def search_of(step_m: float) -> float:
    """Return the largest shift of readings ``step_m`` from each other that is looked for; both in metres."""
    return max(SEARCH_M, SEARCH_READINGS * step_m)


def opposite(lines: Lines) -> np.ndarray:
    """Return the pairs of neighbours walked in opposite directions."""
    if not len(lines.pairs):
        return lines.pairs
    return lines.pairs[lines.heading[lines.pairs[:, 0]] * lines.heading[lines.pairs[:, 1]] < 0]


def correlate(
    readings: Readings, lines: Lines, channels: Sequence[str], ratio: np.ndarray, pairs: np.ndarray
) -> list[Correlation]:
    """Return the correlation of pairs (P, 2) of neighbours at all lags, one for each channel.

    ``ratio`` (L,) is how much faster than the median each line was walked: a lag moves it by so much more.
    """
    if not len(pairs):
        return []
    out_first = lines.heading[pairs[:, 0]] > 0
    out, back = np.where(out_first, pairs.T, pairs.T[::-1])
    faster = (ratio[out] + ratio[back]) / 2
    steps = 2 * search_of(lines.step_m) / lines.step_m
    reach, wide = (int(np.floor(steps * by + ROUNDING)) + 2 for by in (1.0, max(1.0, float(faster.max()))))
    lags = np.arange(-reach, reach + 1)
    found = []
    for matrix in lines.resample(readings, readings.stacked(channels)):
        known = np.isfinite(matrix)
        size = np.nanmax(np.abs(matrix)) if known.any() else 0.0
        band = band_pass(matrix, lines.step_m)
        band[np.abs(band) <= 1e-9 * size] = 0.0
        product, norm = _products(band[out], band[back], known[out], known[back], wide)
        if wide > reach or np.any(faster != 1.0):
            product, norm = (values_at(one, wide + lags * faster[:, None]) for one in (product, norm))
        found.append(Correlation(lags * lines.step_m, product, norm, out_first))
    return found


def _products(
    out: np.ndarray, back: np.ndarray, out_known: np.ndarray, back_known: np.ndarray, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return (P, 2 reach + 1) sums of out(v) back(v + lag) where both are known, and their norms."""

    def at_lags(one: np.ndarray, other: np.ndarray) -> np.ndarray:
        wide = np.zeros((len(other), other.shape[1] + 2 * reach))
        wide[:, reach : reach + other.shape[1]] = other
        windows = np.lib.stride_tricks.sliding_window_view(wide, one.shape[1], axis=1)
        return np.einsum("pv,pkv->pk", one.astype(float), windows)

    return at_lags(out, back), np.sqrt(at_lags(out**2, back_known) * at_lags(out_known, back**2))


def by_channel(correlations: Sequence[Correlation], channels: int) -> list[Correlation]:
    """Join grids, of which each has so many channels in turn; return one correlation a channel."""
    if not correlations:
        return []
    lag_m = min((c.lag_m for c in correlations), key=lambda lag: lag[1] - lag[0])
    found = []
    for i in range(channels):
        grids = correlations[i::channels]
        product = np.concatenate([_at_lags(lag_m, c.lag_m, c.product) for c in grids])
        norm = np.concatenate([_at_lags(lag_m, c.lag_m, c.norm) for c in grids])
        found.append(Correlation(lag_m, product, norm, np.concatenate([c.out_first for c in grids])))
    return found


def pooled(channels: Sequence[Correlation]) -> Optional[Correlation]:
    """Join channels, None where none has contrast.

    A channel weighs by how well it correlates, c / (1 - c^2) at its peak.
    """
    if not channels:
        return None
    product, norm = np.zeros_like(channels[0].product), np.zeros_like(channels[0].norm)
    for one in channels:
        size = one.norm.mean()
        height = one.curves(np.ones((1, len(product)), bool)).max()
        if size > 0 and height > 0:
            weight = height / (1.0 - min(height, 0.99) ** 2) / size
            product += weight * one.product
            norm += weight * one.norm
    return Correlation(channels[0].lag_m, product, norm, channels[0].out_first) if norm.any() else None


def _at_lags(wanted: np.ndarray, lag_m: np.ndarray, values: np.ndarray) -> np.ndarray:
    if wanted is lag_m or (len(wanted) == len(lag_m) and np.allclose(wanted, lag_m)):
        return values
    return np.stack([np.interp(wanted, lag_m, row) for row in values])
