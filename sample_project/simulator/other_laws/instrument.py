"""What goes wrong with the values, by laws of heavy tails: noise, stripes, drift, gain, steps, resets, full scale.

Sizes are made up (no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from .walking import coloured

STEP_S = 2.0
"""Sampling interval of drift and gain."""


@dataclass(frozen=True)
class Errors:
    """Sizes of what goes wrong with the values of ``eca_10``; everything is off by default.

    Attributes
    ----------
    noise, quantum : float
        Scale of noise by reading (Student t of 4 degrees, a little of the last one in the next), and the last digit
        that the logger keeps, mS/m.
    stripe, direction, base : float
        Scale of the offset of each line (Student t of 3 degrees), readings on the way out less those on the way back,
        standard deviation of the level of each set of base readings, mS/m.
    drift, wave, warm_up : float
        Standard deviation of the random walk in a minute (steps of Student t of 4 degrees), amplitude of a wave of
        temperature of 10 to 40 minutes, and amount that decays as 1 / (1 + t / 2 minutes), mS/m.
    gain : float
        Standard deviation of the factor on the values, which changes within a minute or so, as the height does.
    bursts : float
        Spikes of one or two readings, a reading.
    level : float
        Scale of the level of each grid (Student t of 4 degrees), where the instrument is set anew for each, mS/m.
    reset : float
        The instrument is set anew half-way through a grid, mS/m.
    steps : int
        Lines inside of which the level steps by 1.5 to 3 mS/m.
    clipped : float
        Fraction of the readings that are at full scale.
    cut : bool
        Whether values beyond that scale are cut off, as they are where it is the instrument's.
    """

    noise: float = 0.02
    quantum: float = 0.01
    stripe: float = 0.0
    direction: float = 0.0
    base: float = 0.0
    drift: float = 0.0
    wave: float = 0.0
    warm_up: float = 0.0
    gain: float = 0.0
    bursts: float = 0.0
    level: float = 0.0
    reset: float = 0.0
    steps: int = 0
    clipped: float = 0.0
    cut: bool = True


NONE = Errors()
"""A calm instrument: noise of 0.02 mS/m and nothing else."""


def usual_errors(rng: np.random.Generator) -> Errors:
    """Return the errors of an ordinary survey."""
    return Errors(
        noise=rng.uniform(0.06, 0.12), quantum=float(rng.choice([0.01, 0.05, 0.1])), stripe=rng.uniform(0.15, 0.4),
        direction=rng.normal(0, 0.4), base=0.08, drift=rng.uniform(0.05, 0.25), wave=rng.uniform(0, 0.6),
        warm_up=rng.gamma(2, 0.4), gain=rng.uniform(0.003, 0.015), bursts=1 / 800,
    )  # fmt: skip


def noise(errors: Errors, count: int, rng: np.random.Generator) -> np.ndarray:
    """Return (n,) noise of single readings, with bursts."""
    out = errors.noise * lfilter([1.0], [1, -0.2], rng.standard_t(4, count)) / math.sqrt(2)
    for at in rng.integers(0, count, rng.poisson(errors.bursts * count)):
        out[at : at + int(rng.integers(1, 3))] += rng.choice([-1, 1]) * (4 + rng.gamma(2, 8))
    return out


def drift(errors: Errors, time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return (n,) drift at ``time_s``, seconds since the instrument was turned on."""
    count = math.ceil(time_s.max() / STEP_S) + 2
    scale = errors.drift * math.sqrt(STEP_S / 60 / 2)
    slow = np.cumsum(scale * rng.standard_t(4, count))
    period, phase = 60 * rng.uniform(10, 40), rng.uniform(0, 2 * math.pi)
    walk = np.interp(time_s, STEP_S * np.arange(count), slow)
    wave = errors.wave * np.sin(2 * math.pi * time_s / period + phase)
    return walk + wave + errors.warm_up / (1 + time_s / 120)


def gain(errors: Errors, time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the (n,) factor on the values."""
    count = math.ceil(time_s.max() / STEP_S) + 2
    series = coloured(rng, count, rng.uniform(20, 120) / STEP_S)
    return 1 + errors.gain * np.interp(time_s, STEP_S * np.arange(count), series)


def full_scale(errors: Errors, values: np.ndarray) -> float:
    """Return the value at which readings are cut off, a multiple of the last digit; infinite where none is."""
    if not errors.clipped:
        return math.inf
    return float(np.floor(np.quantile(values, 1 - errors.clipped) / errors.quantum) * errors.quantum)


def rounded(errors: Errors, values: np.ndarray) -> np.ndarray:
    """Return values to the last digit that the logger keeps."""
    return np.round(values / errors.quantum) * errors.quantum
