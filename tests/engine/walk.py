"""A small simulator of walked grids with known truth, for the tests of the corrections.

The faults and their sizes are those of careful walking with alternate directions (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Optional

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates
from turnrow.processing_provider.engine.readings import Readings

CELL = 0.1
MARGIN = 3.0
FOOTPRINT_M = 0.35


@dataclass(frozen=True)
class Faults:
    """What goes wrong on the walk: mS/m, metres, seconds. Everything off by default."""

    noise: float = 0.0
    stripe: float = 0.0
    direction: float = 0.0
    lag_m: float = 0.0
    lag_jitter_m: float = 0.0
    ends_m: float = 0.0
    pace_m: float = 0.0
    cross_m: float = 0.0
    drift: float = 0.0
    drift_s: float = 400.0
    spikes: float = 0.0


def usual(lag_m: float) -> Faults:
    """Return the faults of an ordinary walk."""
    return Faults(noise=0.15, stripe=0.5, direction=0.5, lag_m=lag_m, lag_jitter_m=0.06, ends_m=0.12, pace_m=0.15,
                  cross_m=0.05, drift=1.0, spikes=0.002)  # fmt: skip


@dataclass(frozen=True)
class Walk:
    """Readings of one grid and what is true about them."""

    readings: Readings
    field: Field
    offset: np.ndarray
    spike: np.ndarray
    lag_m: float


@dataclass
class Field:
    """True apparent conductivity on cells of 0.1 m, with a margin all round."""

    size_m: float
    values: np.ndarray = field(default=None)

    def __post_init__(self):
        n = round((self.size_m + 2 * MARGIN) / CELL) + 1
        if self.values is None:
            self.values = np.full((n, n), 15.0)

    @property
    def axes(self):
        """u down the rows, v along the columns."""
        axis = np.arange(len(self.values)) * CELL - MARGIN
        return np.meshgrid(axis, axis, indexing="ij")

    def at(self, u, v):
        """Value at positions in metres."""
        return map_coordinates(self.values, [(np.asarray(u) + MARGIN) / CELL, (np.asarray(v) + MARGIN) / CELL],
                               order=1, mode="nearest")  # fmt: skip

    def add(self, inside, contrast):
        """Add a feature, blurred by the footprint of the coils."""
        self.values = self.values + gaussian_filter(np.where(inside, contrast, 0.0), FOOTPRINT_M / CELL)
        return self


def geology(size_m: float, rng, sd: float = 0.6, length_m: float = 5.0) -> Field:
    """Return a smooth random field on a gentle slope."""
    found = Field(size_m)
    rough = gaussian_filter(rng.normal(size=found.values.shape), length_m / CELL, mode="wrap")
    u, v = found.axes
    slope = rng.normal(0, 0.03, 2)
    found.values = found.values + sd * rough / rough.std() + slope[0] * u + slope[1] * v
    return found


def site(size_m: float, rng) -> Field:
    """Return geology with ditches, walls, pits and a kiln of 1 to 4 mS/m; one ditch runs along the traverses."""
    found = geology(size_m, rng)
    u, v = found.axes
    for k in range(5):
        angle = 0.0 if k == 0 else rng.uniform(0, np.pi)
        middle = rng.uniform(0.15, 0.85, 2) * size_m
        away = np.abs((u - middle[0]) * np.cos(angle) + (v - middle[1]) * np.sin(angle))
        found.add(away < rng.uniform(0.4, 2.0) / 2, rng.choice([-1, 1]) * rng.uniform(1, 4))
    for _ in range(12):
        middle = rng.uniform(0, 1, 2) * size_m
        found.add(np.hypot(u - middle[0], v - middle[1]) < rng.uniform(0.4, 1.2), rng.choice([-1, 1, 1])
                  * rng.uniform(1, 4))  # fmt: skip
    return found


def walk(field: Field, rng, faults: Faults, *, spacing: float = 0.5, rate: float = 8.0, overrun: int = 0,
         grid: str = "A", one_way: bool = False, offsets: Optional[np.ndarray] = None) -> Walk:  # fmt: skip
    """Walk a square grid in alternate directions and log it.

    ``offsets`` are added to the lines besides the faults. ``lag_m`` is how far behind a value is written; the shift
    that puts it right is ``-lag_m``.
    """
    count, n = round(field.size_m / spacing), round(field.size_m * rate) + 2 * overrun
    heading = np.where((np.arange(count) % 2 == 1) & (not one_way), -1, 1)
    u = (np.arange(count) + 0.5) * spacing
    step = np.arange(n) - overrun
    along = (step + 0.5) / rate
    time = np.arange(count)[:, None] * (n / rate + 10.0) + np.arange(n) / rate
    v = np.where(heading[:, None] > 0, along, field.size_m - along)
    ends = rng.normal(0, faults.ends_m or 0, (count, 2))
    pace = gaussian_filter1d(rng.normal(size=(count, n)), 3.0 * rate, axis=1, mode="nearest")
    walked = v + ends[:, :1] + (ends[:, 1:] - ends[:, :1]) * along / field.size_m
    walked = walked + faults.pace_m * pace / pace.std()
    lag = faults.lag_m + rng.normal(0, faults.lag_jitter_m, (count, 1))
    side = gaussian_filter1d(rng.normal(size=(count, n)), 2.0 * rate, axis=1)
    true_u = u[:, None] + faults.cross_m * side / side.std()
    offset = rng.normal(0, faults.stripe, count) + heading * faults.direction / 2
    offset = offset + (0 if offsets is None else offsets)
    coarse = np.arange(-4, np.ceil(time.max() / 20.0) + 5) * 20.0
    drift = gaussian_filter1d(rng.normal(size=len(coarse) + 400), faults.drift_s / 20.0)[200:-200]
    drift = drift / np.sqrt(1 / (2 * np.sqrt(np.pi) * faults.drift_s / 20.0)) * faults.drift
    values = field.at(true_u, walked - heading[:, None] * lag) + offset[:, None]
    values = values + np.interp(time, coarse, drift) + rng.normal(0, faults.noise, (count, n))
    spike = rng.uniform(size=(count, n)) < faults.spikes
    values = values + spike * rng.choice([-1, 1], (count, n)) * rng.uniform(5, 40, (count, n))
    flag = np.where((v < 0) | (v > field.size_m), 1, 0)
    columns = {
        "u_m": np.broadcast_to(u[:, None], v.shape),
        "v_m": v,
        "time_s": time,
        "flag": flag,
        "heading": np.broadcast_to(heading[:, None], v.shape),
        "station": np.broadcast_to(step + 1.0, v.shape),
    }
    columns = {k: np.array(a).ravel() for k, a in columns.items()}
    readings = Readings.build(np.repeat(np.arange(1, count + 1), n), {"eca": values.ravel()}, grids=(grid,),
                              units={"eca": "mS/m"}, **columns)  # fmt: skip
    return Walk(readings, field, offset, spike.ravel(), faults.lag_m)


def line_means(readings: Readings, channel: str = "eca") -> np.ndarray:
    """Mean of each line's readings in use."""
    used = readings.in_use
    total = np.bincount(readings.line[used], readings.channels[channel][used])[1:]
    return total / np.bincount(readings.line[used])[1:]
