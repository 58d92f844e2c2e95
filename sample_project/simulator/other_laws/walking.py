"""How a line is walked: what the log says of each reading, and where the coils were.

Speeds are log-normal and remembered for some metres; a missed beat moves the rest of a line by a pace; the values are
late by a time, so that what they are late by in metres goes with the speed. Sizes are made up (no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter


@dataclass(frozen=True)
class Gait:
    """How unevenly a platform is walked.

    Attributes
    ----------
    speed_m_s : float
        As it is planned.
    log_speed : float
        Standard deviation of the logarithm of the speed.
    ends_m, sway_m : float
        Scale of where the button is pressed (Student t of 4 degrees), and of the wander to either side.
    missed : float
        Probability that a line has a missed beat.
    lag_s : float
        By how much values are late.
    """

    speed_m_s: float = 1.0
    log_speed: float = 0.0
    ends_m: float = 0.0
    sway_m: float = 0.0
    missed: float = 0.0
    lag_s: float = 0.0


PERFECT = Gait()


def usual_gait(rng: np.random.Generator) -> Gait:
    """Return the gait of a surveyor who carries the instrument."""
    return Gait(rng.uniform(0.8, 1.3), rng.uniform(0.03, 0.07), 0.08, rng.uniform(0.03, 0.07), 0.05,
                rng.gamma(6, 0.05))  # fmt: skip


def cart_gait(rng: np.random.Generator) -> Gait:
    """Return the gait of a cart whose wheel triggers the readings."""
    return Gait(rng.uniform(0.8, 1.3), 0.0, 0.03, 0.03, 0.0, rng.gamma(6, 0.05))


def coloured(rng: np.random.Generator, count: int, memory: float) -> np.ndarray:
    """Return an autoregressive series of standard deviation 1; ``memory`` in samples."""
    keep = np.exp(-1 / memory)
    return lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.normal(size=count + round(6 * memory)))[-count:]


def progress(gait: Gait, step_m: float, count: int, ahead: int, rng: np.random.Generator) -> np.ndarray:
    """Return metres walked since the edge, at the middle of each of ``count`` steps of the log.

    ``ahead`` of the readings come before the edge.
    """
    speed = np.exp(gait.log_speed * coloured(rng, count, rng.uniform(1.5, 6) / step_m))
    walked = np.cumsum(speed) - speed / 2
    whole, begun = count * step_m, -ahead * step_m
    start, stop = gait.ends_m * rng.standard_t(4, 2)
    missed, at, pace = rng.random(), rng.integers(round(0.1 * count), round(0.9 * count)), rng.choice([-1, 1])
    walked = begun + start + walked * (whole + stop - start) / speed.sum()
    if missed < gait.missed:
        walked[at:] += pace * rng.uniform(0.7, 1.1)
    return walked


def late(walked: np.ndarray, step_s: float, lag_s: float) -> np.ndarray:
    """Return where the coils were ``lag_s`` before each reading, at the first speed before the first one."""
    index = np.arange(len(walked)) - lag_s / step_s
    before = np.minimum(index, 0) * (walked[1] - walked[0])
    return np.interp(index, np.arange(len(walked)), walked) + before


def aside(gait: Gait, count: int, step_m: float, rng: np.random.Generator) -> np.ndarray:
    """Return how far to one side of the line the coils are: wander of a few metres, and a bow from end to end."""
    bow = rng.normal(0, 0.7) * np.sin(np.pi * (np.arange(count) + 0.5) / count)
    return gait.sway_m * (coloured(rng, count, 3 / step_m) + bow)
