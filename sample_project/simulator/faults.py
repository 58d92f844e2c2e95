"""What goes wrong on a walk, one size for each fault, and how instrument faults change the readings.

The sizes of an ordinary walk are those of careful walking in alternate directions (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Mapping

import numpy as np

from .site import CHANNELS

DRIFT_STEP_S = 10.0
"""Sampling interval of the drift; Derived: 1/40 of its correlation time, so linear interpolation is exact to 1e-4."""


@dataclass(frozen=True)
class Faults:
    """Sizes of what goes wrong on a walk: metres, seconds and mS/m (``eca_10``; other channels by their factor).

    Everything is off by default.

    Attributes
    ----------
    noise, stripe : float
        Standard deviation by reading, and of the offset of each traverse.
    direction : float
        Readings on the way out less readings on the way back.
    lag_m, lag_jitter_m : float
        A reading is stamped where the walker is ``lag_m`` later; standard deviation of that from traverse to traverse.
    ends_m : float
        Standard deviation of where the button is really pressed, at each end.
    pace_m, arc_m : float
        Root mean square of the wander along the traverse (none at the ends) that changes every few metres, and standard
        deviation of one arc from end to end, in its middle.
    across_m : float
        Root mean square of the wander across the traverse.
    drift, drift_s : float
        Standard deviation of the drift, a Gaussian process with the correlation exp(-(t / drift_s)^2 / 2); every grid
        starts anew.
    warm_up, warm_up_s : float
        Amount that decays by exp(-t / warm_up_s) from the start of a grid.
    base : float
        Standard deviation of the level with which the instrument is set down on one spot.
    spikes, dropouts : float
        Fraction of readings.
    """

    noise: float = 0.0
    stripe: float = 0.0
    direction: float = 0.0
    lag_m: float = 0.0
    lag_jitter_m: float = 0.0
    ends_m: float = 0.0
    pace_m: float = 0.0
    arc_m: float = 0.0
    across_m: float = 0.0
    drift: float = 0.0
    drift_s: float = 400.0
    warm_up: float = 0.0
    warm_up_s: float = 300.0
    base: float = 0.0
    spikes: float = 0.0
    dropouts: float = 0.0


def usual(lag_m: float) -> Faults:
    """Return the faults of an ordinary walk with a carried instrument."""
    return Faults(noise=0.15, stripe=0.5, direction=0.5, lag_m=lag_m, lag_jitter_m=0.06, ends_m=0.12, pace_m=0.15,
                  across_m=0.05, drift=1.0, warm_up=1.0, base=0.1, spikes=0.002)  # fmt: skip


def of_the_sample() -> Faults:
    """Return the faults of the sample: an ordinary walk, a colder start, lost readings, base readings exact."""
    return replace(usual(0.3), warm_up=1.2, base=0.0, dropouts=0.0005)


def drift_reach(faults: Faults) -> int:
    """Return how many steps of white noise the drift needs before its first and after its last step."""
    return math.ceil(5 * faults.drift_s / math.sqrt(2) / DRIFT_STEP_S)


def drift(elapsed_s: np.ndarray, faults: Faults, white: np.ndarray) -> np.ndarray:
    """Return the drift at the readings: instruments warm and cool smoothly, and more at the start.

    White noise under a Gaussian with the standard deviation drift_s / sqrt(2) has the correlation
    exp(-(t / drift_s)^2 / 2).

    Parameters
    ----------
    elapsed_s : (n,) array
        Seconds since the start of the grid.
    faults : Faults
    white : (m,) array
        Standard normal numbers, one every ``DRIFT_STEP_S``, beginning ``drift_reach(faults)`` steps before the start.

    Returns
    -------
    (n,) array
        mS/m.
    """
    reach, sd_steps = drift_reach(faults), faults.drift_s / math.sqrt(2) / DRIFT_STEP_S
    bell = np.exp(-((np.arange(-reach, reach + 1) / sd_steps) ** 2) / 2)
    slow = np.convolve(white, bell / np.sqrt(np.sum(bell**2)), mode="valid")
    slow = faults.drift * np.interp(elapsed_s, DRIFT_STEP_S * np.arange(len(slow)), slow)
    return slow + faults.warm_up * np.exp(-elapsed_s / faults.warm_up_s)


def read(
    clean: Mapping[str, np.ndarray], offsets: np.ndarray, faults: Faults, rng: np.random.Generator
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return the readings by channel (NaN where the logger dropped out), and (n,) bool where it did.

    Parameters
    ----------
    clean : mapping of (n,) arrays
        True values by channel.
    offsets : (n,) array
        Stripe, direction and drift of ``eca_10`` together, mS/m.
    """
    n = len(offsets)
    lost = rng.random(n) < faults.dropouts
    channels = {}
    for name, values in clean.items():
        noise, hit = rng.standard_normal(n), rng.random(n) < faults.spikes
        size = rng.uniform(6, 25, n) * rng.choice([-1.0, 1.0], n)
        wrong = offsets + faults.noise * noise + np.where(hit, size, 0.0)
        channels[name] = np.where(lost, np.nan, values + CHANNELS[name].error_factor * wrong)
    return channels, lost
