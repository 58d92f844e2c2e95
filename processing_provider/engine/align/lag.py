"""The lag of the instrument: by how much opposite neighbours must move to show the same signal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import ROUNDING, Lines, Readings, band_pass

SEARCH_M = 1.0
"""Largest shift of a reading that is looked for; opposite lines then move by twice as much to each other.
Derived: three standard deviations of the lag of an instrument (0.3 m), to the metre."""
SEARCH_READINGS = 2.0
"""Where readings are farther from each other, so many of their distances are looked through. Derived: a logger writes a
value one reading late at most, and a peak needs a reading beyond it on either side."""
BLOCKS = 20
"""Groups of neighbouring pairs that are left out in turn for the standard error. Derived: a variance from 20 groups is
known to sqrt(2 / 19), a third of it; more groups are too short to be independent."""
PROOF = 2.0
"""A shift is applied from this many standard errors on. Common practice, no source: 95 % of a normal distribution lie
within."""
SIGNIFICANT = 4.0
"""The correlation at the peak must be this many of its standard errors above zero. Derived: at some 10 independent lags
noise alone gets there in 1 of 3000 surveys."""


@dataclass(frozen=True)
class Correlation:
    """Of P pairs at K lags: products and their norms, and which line of the pair goes out."""

    lag_m: np.ndarray
    product: np.ndarray
    norm: np.ndarray
    out_first: np.ndarray

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


def opposite(lines: Lines) -> np.ndarray:
    """Return the pairs of neighbours walked in opposite directions."""
    if not len(lines.pairs):
        return lines.pairs
    return lines.pairs[lines.heading[lines.pairs[:, 0]] * lines.heading[lines.pairs[:, 1]] < 0]


def correlate(readings: Readings, lines: Lines, channels: Sequence[str]) -> list[Correlation]:
    """Return the correlation of opposite neighbours at all lags, one for each channel."""
    pairs = opposite(lines)
    if not len(pairs):
        return []
    out_first = lines.heading[pairs[:, 0]] > 0
    out, back = np.where(out_first, pairs.T, pairs.T[::-1])
    reach = int(np.floor(2 * search_of(lines.step_m) / lines.step_m + ROUNDING)) + 2
    found = []
    for matrix in lines.resample(readings, readings.stacked(channels)):
        known = np.isfinite(matrix)
        size = np.nanmax(np.abs(matrix)) if known.any() else 0.0
        band = band_pass(matrix, lines.step_m)
        band[np.abs(band) <= 1e-9 * size] = 0.0
        product, norm = _products(band[out], band[back], known[out], known[back], reach)
        found.append(Correlation(np.arange(-reach, reach + 1) * lines.step_m, product, norm, out_first))
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


@dataclass(frozen=True)
class LagEstimate:
    """The shift, its standard error and correlation; fields as in ``AlignFigures``."""

    shift_m: float = 0.0
    estimate_m: Optional[float] = None
    shift_error_m: Optional[float] = None
    correlation_before: Optional[float] = None
    correlation_after: Optional[float] = None
    remark: str = ""


def estimate_of(correlations: list[Correlation], channels: int) -> tuple[LagEstimate, bool]:
    """Return the estimate and whether neighbours show anything."""
    pooled = _pool(correlations, channels)
    if pooled is None:
        return LagEstimate(remark="No line has an opposite neighbour with contrast: nothing to align."), False
    pairs = len(pooled.product)
    n = min(BLOCKS, pairs)
    block = np.repeat(np.arange(n), [len(part) for part in np.array_split(np.arange(pairs), n)])
    # All pairs, then each block of them left out in turn.
    curve, *left_out = pooled.curves(np.arange(-1, n)[:, None] != block)
    lag, height = _peak(pooled.lag_m, curve)
    lags, heights = np.transpose([_peak(pooled.lag_m, one) for one in left_out])
    lag_error, height_error = (np.sqrt((n - 1) / n * np.sum((a - a.mean()) ** 2)) for a in (lags, heights))
    before = float(np.interp(0.0, pooled.lag_m, curve))
    remark = unknown = _unknown(lag / 2, height, height_error, n, search_of(pooled.lag_m[1] - pooled.lag_m[0]))
    if not unknown and abs(lag) <= PROOF * lag_error:
        remark = (f"The shift found, {lag / 2:+.3f} m, is within two standard errors ({lag_error / 2:.3f} m): it was "
                  "not applied.")  # fmt: skip
    after = before if remark else float(height)
    shift, error = float(lag / 2), float(lag_error / 2)
    return LagEstimate(0.0 if remark else shift, shift, error, before, after, remark), not unknown


def search_of(step_m: float) -> float:
    """Return the largest shift of readings ``step_m`` from each other that is looked for; both in metres."""
    return max(SEARCH_M, SEARCH_READINGS * step_m)


def _unknown(shift: float, height: float, height_error: float, blocks: int, search_m: float) -> str:
    """Return why opposite neighbours show no lag, empty where they do."""
    if blocks < 3:
        return "Too few opposite neighbours for a standard error: nothing was moved."
    if height <= SIGNIFICANT * height_error or height <= 0:
        return f"Opposite neighbours do not correlate significantly ({height:.2f}): nothing was moved."
    if abs(shift) >= search_m:
        return f"The best shift lies at the end of the search range ({shift:+.2f} m): nothing was moved."
    return ""


def _pool(correlations: list[Correlation], channels: int) -> Optional[Correlation]:
    """Join grids and channels. A channel weighs by how well it correlates, c / (1 - c^2) at its peak."""
    if not correlations:
        return None
    lag_m = min((c.lag_m for c in correlations), key=lambda lag: lag[1] - lag[0])
    by_channel = []
    for i in range(channels):
        grids = correlations[i::channels]
        product = np.concatenate([_at_lags(lag_m, c.lag_m, c.product) for c in grids])
        norm = np.concatenate([_at_lags(lag_m, c.lag_m, c.norm) for c in grids])
        by_channel.append(Correlation(lag_m, product, norm, np.concatenate([c.out_first for c in grids])))
    product, norm = np.zeros_like(by_channel[0].product), np.zeros_like(by_channel[0].norm)
    for one in by_channel:
        size = one.norm.mean()
        height = one.curves(np.ones((1, len(product)), bool)).max()
        if size > 0 and height > 0:
            weight = height / (1.0 - min(height, 0.99) ** 2) / size
            product += weight * one.product
            norm += weight * one.norm
    return Correlation(lag_m, product, norm, by_channel[0].out_first) if norm.any() else None


def _at_lags(wanted: np.ndarray, lag_m: np.ndarray, values: np.ndarray) -> np.ndarray:
    if wanted is lag_m or (len(wanted) == len(lag_m) and np.allclose(wanted, lag_m)):
        return values
    return np.stack([np.interp(wanted, lag_m, row) for row in values])


def _peak(lag_m: np.ndarray, curve: np.ndarray) -> tuple[float, float]:
    """Return lag and height of the highest point of a parabola through the three highest neighbours."""
    k = int(np.argmax(curve))
    if k in (0, len(curve) - 1):
        return float(lag_m[k]), float(curve[k])
    low, top, high = curve[k - 1 : k + 2]
    bend = low - 2 * top + high
    fraction = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(lag_m[k] + fraction * (lag_m[1] - lag_m[0])), float(top - 0.25 * (low - high) * fraction)
