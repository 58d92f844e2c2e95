"""A small simulator of walked grids with known truth, for the tests of the corrections.

The faults and their sizes are those of careful walking with alternate directions (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Optional, Sequence

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates
from turnrow.processing_provider.engine.core.readings import Readings, flag_bit, kind_code

CELL = 0.1
MARGIN = 3.0
FOOTPRINT_M = 0.35


@dataclass(frozen=True)
class Faults:
    """What goes wrong on the walk: mS/m, metres, seconds. Everything off by default.

    ``pace_m`` is how far a person is ahead or behind between the ends of a line, every few metres anew; ``arc_m`` the
    standard deviation of how far in the middle of a line, in one arc from end to end; ``ends_m`` how far off the ends
    are.
    ``drift`` is the standard deviation of a Gaussian process with the correlation exp(-(t / drift_s)^2 / 2);
    ``warm_up`` fades with exp(-t / warm_up_s). ``base`` is the scatter of setting the instrument down on one spot.
    """

    noise: float = 0.0
    stripe: float = 0.0
    direction: float = 0.0
    lag_m: float = 0.0
    lag_jitter_m: float = 0.0
    ends_m: float = 0.0
    pace_m: float = 0.0
    arc_m: float = 0.0
    cross_m: float = 0.0
    drift: float = 0.0
    drift_s: float = 400.0
    warm_up: float = 0.0
    warm_up_s: float = 300.0
    base: float = 0.0
    spikes: float = 0.0


def usual(lag_m: float) -> Faults:
    """Return the faults of an ordinary walk."""
    return Faults(noise=0.15, stripe=0.5, direction=0.5, lag_m=lag_m, lag_jitter_m=0.06, ends_m=0.12, pace_m=0.15,
                  cross_m=0.05, drift=1.0, warm_up=1.0, base=0.1, spikes=0.002)  # fmt: skip


@dataclass(frozen=True)
class Walk:
    """Readings of one grid and what is true about them.

    ``offset`` is that of each survey line; ``true_u``, ``true_v``, ``drift`` and ``spike`` are by reading.
    """

    readings: Readings
    field: Field
    offset: np.ndarray
    spike: np.ndarray
    lag_m: float
    true_u: np.ndarray
    true_v: np.ndarray
    drift: np.ndarray


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

    def iron(self, u: float, v: float, peak: float):
        """Add a small piece of iron; ``peak`` is what the instrument reads right above it."""
        all_u, all_v = self.axes
        away = ((all_u - u) ** 2 + (all_v - v) ** 2) / FOOTPRINT_M**2
        self.values = self.values + peak * np.exp(-away / 2)
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
    """Return geology with ditches, walls, pits and iron; one ditch runs along the traverses."""
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
    for _ in range(round(size_m**2 / 100)):
        middle = rng.uniform(0, 1, 2) * size_m
        found.iron(*middle, rng.choice([-1, 1, 1]) * rng.uniform(3, 15))
    return found


def busy(size_m: float = 20.0) -> Field:
    """Return ground full of ditches aslant to the lines, and pits; the same at every call."""
    rng = np.random.default_rng(7)
    found = geology(size_m, rng)
    u, v = found.axes
    for k in range(9):
        found.add(np.abs(v - size_m / 8 * k + (1.0 if k % 2 else -1.0) * (u - size_m / 2)) < 0.4, 3.0)
    for middle in rng.uniform(0, size_m, (60, 2)):
        found.add(np.hypot(u - middle[0], v - middle[1]) < rng.uniform(0.4, 0.9), 3.0)
    return found


@dataclass(frozen=True)
class _Stretch:
    """Readings taken in one go: where they are written down and where they were taken, (n,) each."""

    number: int
    kind: str
    heading: int
    u: np.ndarray
    v: np.ndarray
    true_u: np.ndarray
    true_v: np.ndarray
    start_s: float


def walk(field: Field, rng, faults: Faults, *, spacing: float = 0.5, rate: float = 8.0, overrun: int = 0,
         grid: str = "A", one_way: bool = False, offsets: Optional[np.ndarray] = None, ties: Sequence[float] = (),
         base_every: int = 0, start: tuple[float, float] = (0.0, 0.0), size_m: Optional[float] = None,
         level: float = 0.0, base_at: Optional[tuple[float, float]] = None) -> Walk:  # fmt: skip
    """Walk a square grid in alternate directions and log it.

    ``offsets`` are added to the lines besides the faults, ``level`` to the whole grid. ``lag_m`` is how far behind a
    value is written; the shift that puts it right is ``-lag_m``. Tie lines at the v of ``ties`` are walked after the
    lines, numbered from 901; base readings (line 990) before the first line, after every ``base_every`` lines and at
    the end, at the spot ``base_at`` of the field or just outside the start corner. ``start`` and ``size_m``: where the
    grid lies in the field; x and y are places in the field.
    """
    spot = (-1.0, -1.0) if base_at is None else (base_at[0] - start[0], base_at[1] - start[1])
    size_m = field.size_m if size_m is None else size_m
    count, n = round(size_m / spacing), round(size_m * rate) + 2 * overrun
    heading = np.where((np.arange(count) % 2 == 1) & (not one_way), -1, 1)
    stretches, clock = [], 0.0
    for k in range(count):
        if base_every and k % base_every == 0:
            stretches.append(_standing(spot, rate, clock + 20.0))
            clock += 50.0
        across = (k + 0.5) * spacing
        stretches.append(_line(rng, faults, k + 1, "survey", heading[k], across, size_m, rate, overrun, clock))
        clock += n / rate + 10.0
    for k, across in enumerate(ties):
        stretches.append(_line(rng, faults, 901 + k, "tie", -1 if k % 2 else 1, across, size_m, rate, overrun, clock))
        clock += n / rate + 10.0
    if base_every:
        stretches.append(_standing(spot, rate, clock + 20.0))
    return _log(field, rng, faults, stretches, rate, grid, offsets, start, size_m, level)


def block(rng, faults: Faults, *, across: int = 3, size_m: float = 20.0, level: float = 1.25,
          one_spot: bool = False, **how) -> list[Walk]:  # fmt: skip
    """Walk ``across`` times ``across`` grids over one site; ``level`` is the standard deviation of their levels.

    With ``one_spot`` all grids have their base readings at the corner of the block, else each at its own.
    """
    how["base_at"] = (-1.0, -1.0) if one_spot else None
    ground = site(across * size_m, rng)
    return [
        walk(ground, rng, faults, grid=f"{chr(65 + i)}{j + 1}", start=(i * size_m, j * size_m), size_m=size_m,
             level=rng.normal(0, level), **how)
        for i in range(across) for j in range(across)
    ]  # fmt: skip


def _line(rng, faults, number, kind, heading, across, size_m, rate, overrun, clock) -> _Stretch:
    """Return a line as it is written down, and as it is walked."""
    n = round(size_m * rate) + 2 * overrun
    progress = (np.arange(n) - overrun + 0.5) / rate
    written = progress if heading > 0 else size_m - progress
    ends = rng.normal(0, faults.ends_m, 2)
    pace = gaussian_filter1d(rng.normal(size=n), 3.0 * rate, mode="nearest")
    pace = pace - np.interp(progress, [0.0, size_m], np.interp([0.0, size_m], progress, pace))
    side = gaussian_filter1d(rng.normal(size=n), 2.0 * rate)
    along = (
        written + ends[0] + (ends[1] - ends[0]) * progress / size_m + faults.pace_m * pace / np.sqrt(np.mean(pace**2))
    )
    if faults.arc_m:
        along = along + faults.arc_m * rng.normal() * np.sin(np.pi * np.clip(progress / size_m, 0.0, 1.0))
    along = along - heading * (faults.lag_m + rng.normal(0, faults.lag_jitter_m))
    aside = across + faults.cross_m * side / side.std()
    fixed = np.full(n, across)
    if kind == "tie":
        return _Stretch(number, kind, heading, written, fixed, along, aside, clock)
    return _Stretch(number, kind, heading, fixed, written, aside, along, clock)


def _standing(spot: tuple[float, float], rate: float, clock: float) -> _Stretch:
    nowhere, (u, v) = np.full(round(10 * rate), np.nan), (np.full(round(10 * rate), at) for at in spot)
    return _Stretch(990, "base", 0, nowhere, nowhere, u, v, clock)


def _log(field, rng, faults, stretches, rate, grid, offsets, start, size_m, level) -> Walk:
    length = np.array([len(s.u) for s in stretches])
    owner = np.repeat(np.arange(len(stretches)), length)
    seq = np.concatenate([np.arange(n) for n in length])
    join = {name: np.concatenate([getattr(s, name) for s in stretches]) for name in ("u", "v", "true_u", "true_v")}
    number, heading, begun = (np.array([getattr(s, name) for s in stretches]) for name in
                              ("number", "heading", "start_s"))  # fmt: skip
    kind = np.array([kind_code(s.kind) for s in stretches])
    time = begun[owner] + seq / rate
    scatter = np.where(kind == kind_code("base"), faults.base, faults.stripe)
    offset = rng.normal(0, 1, len(stretches)) * scatter + heading * faults.direction / 2
    surveyed = kind == kind_code("survey")
    offset[surveyed] += 0 if offsets is None else offsets
    drift = _drift(rng, faults, time)
    values = field.at(join["true_u"] + start[0], join["true_v"] + start[1]) + offset[owner] + drift + level
    values = values + rng.normal(0, faults.noise, len(time))
    spike = rng.uniform(size=len(time)) < faults.spikes
    values = values + spike * rng.choice([-1, 1], len(time)) * rng.uniform(5, 40, len(time))
    along = np.where(kind[owner] == kind_code("tie"), join["u"], join["v"])
    flag = np.where((along < 0) | (along > size_m), flag_bit("overrun"), 0)
    flag = flag | np.where(kind[owner] == kind_code("base"), flag_bit("unplaced"), 0)
    run = np.array([1 + np.count_nonzero(number[:k] == number[k]) for k in range(len(number))])
    readings = Readings.build(
        number[owner], {"eca": values}, grids=(grid,), units={"eca": "mS/m"}, run=run[owner], seq=seq, time_s=time,
        u_m=join["u"], v_m=join["v"], x=join["u"] + start[0], y=join["v"] + start[1], flag=flag,
        heading=heading[owner], kind=kind[owner], station=seq + 1.0,
    )  # fmt: skip
    return Walk(readings, field, offset[surveyed], spike, faults.lag_m, join["true_u"] + start[0],
                join["true_v"] + start[1], drift)  # fmt: skip


def _drift(rng, faults: Faults, time: np.ndarray) -> np.ndarray:
    step = 10.0
    width = faults.drift_s / np.sqrt(2) / step
    coarse = gaussian_filter1d(rng.normal(size=int(time.max() / step) + 400), width)[195:]
    coarse = coarse * np.sqrt(2 * np.sqrt(np.pi) * width) * faults.drift
    return np.interp(time, np.arange(len(coarse)) * step, coarse) + faults.warm_up * np.exp(-time / faults.warm_up_s)


def line_means(readings: Readings, channel: str = "eca") -> np.ndarray:
    """Mean of each survey line's readings in use."""
    used = readings.in_use & (readings.kind == kind_code("survey"))
    total = np.bincount(readings.line[used], readings.channels[channel][used])[1:]
    return total / np.bincount(readings.line[used])[1:]
