"""How much likelier what two grids show along a shared edge is on one ground than on unlike ground."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Optional, Sequence

import numpy as np

from ..core import MAD_TO_SD

LEAST_WAVE_M = 1.5
"""Shortest wave along an edge that is compared, and three of its cells at least. Derived: lines of either direction
alternate at two cells."""
STRENGTHS = np.array([0.5, 0.7, 0.85, 0.95])
"""Correlations of the longest waves on either side of an edge. Derived: from where they begin to speak, ratios of 4 for
13 waves, to what noise leaves of them; the likelihood is the mean over all."""
BLURS_M = np.array([0.5, 1.0, 2.0])
"""Waves of this length keep exp(-1) of that correlation. Derived: half the distance between the lines on either side,
the whole, and twice that."""
UNLIKE = 0.2
"""Fraction of the edges at which the ground on either side is unlike, as where a field ends. Common practice, no
source."""
CLIP = 3.0
"""Values farther from the median of their edge than so many robust standard deviations count as if they lay there.
Common practice, no source: one strong feature does not decide alone."""
MOST_MISSING = 0.25
"""An edge with a larger fraction of cells without readings is left aside. Common practice, no source."""
LOG_CHI_SQUARE = 1.27
"""Minus the mean of the logarithm of a chi-square variable of one degree of freedom. Derived: log 2 + Euler's
constant."""
LEAST_POWERS = 8
"""Fewer waves do not show how power depends on wave length. Derived: three coefficients from fewer than three values
each are worth nothing."""


@dataclass(frozen=True)
class Likeness:
    """How alike two grids are along a shared edge.

    Attributes
    ----------
    ratio : float
        Log likelihood ratio of one ground on both sides against unlike ground.
    correlation : float
    weight : float
        About how many independent waves it rests on.
    """

    ratio: float = 0.0
    correlation: float = 0.0
    weight: float = 0.0


def wave_lengths(length_m: float, pitch_m: float) -> np.ndarray:
    """Return (K,) the lengths of the waves that are compared along an edge."""
    least = max(LEAST_WAVE_M, 3 * pitch_m)
    return 2 * length_m / np.arange(1, int(2 * length_m / least) + 1)


def amplitudes(profiles: Sequence[Optional[np.ndarray]], length_m: float, waves: int) -> list[Optional[np.ndarray]]:
    """Return (K,) the amplitudes of cosines along a stretch of an edge, for each of several profiles (n,) of it.

    Their squares are the power by wave number. Nothing comes of a profile that is None.
    """
    found: list[Optional[np.ndarray]] = [None] * len(profiles)
    known = {k: profile for k, profile in enumerate(profiles) if profile is not None}
    if known:
        values = np.stack(list(known.values()))
        values = values - np.median(values, axis=1, keepdims=True)
        limit = CLIP * MAD_TO_SD * np.median(np.abs(values), axis=1, keepdims=True)
        limit[limit == 0] = np.inf
        count = values.shape[1]
        rows = np.clip(values, -limit, limit) @ _cosines(waves, count).T * np.sqrt(2.0 * length_m) / count
        for k, row in zip(known, rows):
            found[k] = row
    return found


def profile_at(position: np.ndarray, value: np.ndarray, at: np.ndarray) -> Optional[np.ndarray]:
    """Return (n,) what an edge shows at evenly spaced positions; None where too much of it has no readings."""
    known = np.isfinite(value)
    nearest = np.abs(position - at[:, None]).argmin(axis=1)
    if np.count_nonzero(known[nearest]) < (1 - MOST_MISSING) * len(at):
        return None
    return np.interp(at, position[known], value[known])


@lru_cache(maxsize=16)
def _cosines(waves: int, count: int) -> np.ndarray:
    """Return (waves, count) cosines of one half wave and more; edges alike share them."""
    return np.cos(np.pi * np.outer(np.arange(1, waves + 1), np.arange(count) + 0.5) / count)


def power_law(waves: np.ndarray, powers: np.ndarray) -> Optional[np.ndarray]:
    """Return the polynomial of log power by log wave length, a parabola; None from too few waves or without power."""
    use = powers > np.max(powers, initial=0.0) * 1e-20
    if np.count_nonzero(use) < LEAST_POWERS:
        return None
    return np.polyfit(np.log(waves[use]), np.log(powers[use]) + LOG_CHI_SQUARE, 2)


def likeness(
    one: np.ndarray, two: np.ndarray, noise: np.ndarray, power: np.ndarray, waves: np.ndarray
) -> list[Likeness]:
    """Return how alike amplitudes on either side of an edge are, for each of P pairs of logs.

    Parameters
    ----------
    one, two : (P, K) float64
        Amplitudes of either side.
    noise : (P,) float64
        Power of the noise at every wave, the mean of both sides.
    power : (K,) float64
        Expected power.
    waves : (K,) float64
        Wave lengths in metres.
    """
    signal = np.clip(1 - noise[:, None] / power, 0.0, 1.0)
    weight = signal / (1 + (BLURS_M[1] / waves) ** 2)
    total, (a, b) = weight.sum(axis=1), (side / np.sqrt(power) for side in (one, two))
    size_a, size_b = (np.sum(weight * side**2, axis=1) for side in (a, b))
    shown = (total >= 1.0) & (size_a * size_b > 0)
    # Either side is as strong as it is: only whether they go together counts.
    a, b = (side * np.sqrt(total / np.where(shown, size, 1.0))[:, None] for side, size in ((a, size_a), (b, size_b)))
    kept = STRENGTHS[:, None, None] * np.exp(-((BLURS_M[:, None] / waves) ** 2))
    rho = kept.reshape(-1, 1, len(waves)) * signal
    left = 1 - rho**2
    logs = -np.sum(np.log(left) + (rho**2 * (a**2 + b**2) - 2 * rho * (a * b)) / left, axis=2) / 2
    top = np.maximum(logs.max(axis=0), 0.0)
    ratio = top + np.log((1 - UNLIKE) * np.mean(np.exp(logs - top), axis=0) + UNLIKE * np.exp(-top))
    correlation = np.sum(weight * a * b, axis=1) / np.where(shown, total, 1.0)
    columns = (column.tolist() for column in (shown, ratio, correlation, total))
    return [Likeness(*row) if there else Likeness() for there, *row in zip(*columns)]
