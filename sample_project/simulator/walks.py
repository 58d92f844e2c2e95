"""Walks square grids over a random site and hands over the plugin's readings with what is true about them.

For the tests of the corrections, which need many walks and no files. The pace here is a random process along the line;
``walking`` makes it of three half waves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Optional, Sequence

import numpy as np
from scipy.ndimage import gaussian_filter1d
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.readings import Readings, flag_bit

from .faults import DRIFT_STEP_S, Faults, drift, drift_reach, usual
from .random_sites import Field, busy, geology, site

__all__ = ["Faults", "Field", "Walk", "block", "busy", "geology", "line_means", "site", "usual", "walk"]

DRIFT_START = 195
"""Index of the white noise at which the drift of a walk starts."""


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


@dataclass(frozen=True)
class _Scheme:
    """How a square grid is walked: side and line spacing in metres, readings a metre, readings beyond either edge."""

    size_m: float
    spacing: float
    rate: float
    overrun: int

    @property
    def readings(self) -> int:
        """Readings of a line."""
        return round(self.size_m * self.rate) + 2 * self.overrun

    @property
    def progress_m(self) -> np.ndarray:
        """(n,) metres walked since the start edge."""
        return (np.arange(self.readings) - self.overrun + 0.5) / self.rate

    @property
    def turn_s(self) -> float:
        """Seconds from the start of a line to that of the next; a person walks a metre in a second."""
        return self.readings / self.rate + 10.0


def walk(field: Field, rng: np.random.Generator, faults: Faults, *, spacing: float = 0.5, rate: float = 8.0,
         overrun: int = 0, grid: str = "A", one_way: bool = False, offsets: Optional[np.ndarray] = None,
         ties: Sequence[float] = (), base_every: int = 0, start: tuple[float, float] = (0.0, 0.0),
         size_m: Optional[float] = None, level: float = 0.0,
         base_at: Optional[tuple[float, float]] = None) -> Walk:  # fmt: skip
    """Walk a square grid in alternate directions and log it.

    ``offsets`` are added to the lines besides the faults, ``level`` to the whole grid. ``lag_m`` is how far behind a
    value is written; the shift that puts it right is ``-lag_m``. Tie lines at the v of ``ties`` are walked after the
    lines, numbered from 901; base readings (line 990) before the first line, after every ``base_every`` lines and at
    the end, at the spot ``base_at`` of the field or just outside the start corner. ``start`` and ``size_m``: where the
    grid lies in the field; x and y are positions in the field.
    """
    spot = (-1.0, -1.0) if base_at is None else (base_at[0] - start[0], base_at[1] - start[1])
    scheme = _Scheme(field.size_m if size_m is None else size_m, spacing, rate, overrun)
    stretches: list[_Stretch] = []
    clock = 0.0
    for k in range(round(scheme.size_m / spacing)):
        if base_every and k % base_every == 0:
            stretches.append(_standing(spot, rate, clock + 20.0))
            clock += 50.0
        heading = -1 if k % 2 and not one_way else 1
        stretches.append(_line(rng, faults, scheme, k + 1, "survey", heading, (k + 0.5) * spacing, clock))
        clock += scheme.turn_s
    for k, across in enumerate(ties):
        stretches.append(_line(rng, faults, scheme, 901 + k, "tie", -1 if k % 2 else 1, across, clock))
        clock += scheme.turn_s
    if base_every:
        stretches.append(_standing(spot, rate, clock + 20.0))
    return _log(field, rng, faults, stretches, scheme, grid, offsets, start, level)


def block(rng: np.random.Generator, faults: Faults, *, across: int = 3, size_m: float = 20.0, level: float = 1.25,
          one_spot: bool = False, **how: Any) -> list[Walk]:  # noqa: ANN401 (what walk takes)  # fmt: skip
    """Walk ``across`` times ``across`` grids over one site; ``level`` is the standard deviation of their levels.

    With ``one_spot`` all grids have their base readings at the corner of the block, else each at its own. ``how`` goes
    on to ``walk``.
    """
    base_at = (-1.0, -1.0) if one_spot else None
    field = site(across * size_m, rng)
    return [
        walk(field, rng, faults, grid=f"{chr(65 + i)}{j + 1}", start=(i * size_m, j * size_m), size_m=size_m,
             level=rng.normal(0, level), base_at=base_at, **how)
        for i in range(across) for j in range(across)
    ]  # fmt: skip


def _line(rng: np.random.Generator, faults: Faults, scheme: _Scheme, number: int, kind: str, heading: int,
          across: float, clock: float) -> _Stretch:  # fmt: skip
    """Return a line as it is written down, and as it is walked."""
    progress, size_m, n = scheme.progress_m, scheme.size_m, scheme.readings
    written = progress if heading > 0 else size_m - progress
    ends = rng.normal(0, faults.ends_m, 2)
    pace = gaussian_filter1d(rng.normal(size=n), 3.0 * scheme.rate, mode="nearest")
    pace = pace - np.interp(progress, [0.0, size_m], np.interp([0.0, size_m], progress, pace))
    side = gaussian_filter1d(rng.normal(size=n), 2.0 * scheme.rate)
    along = (
        written + ends[0] + (ends[1] - ends[0]) * progress / size_m + faults.pace_m * pace / np.sqrt(np.mean(pace**2))
    )
    if faults.arc_m:
        along = along + faults.arc_m * rng.normal() * np.sin(np.pi * np.clip(progress / size_m, 0.0, 1.0))
    along = along - heading * (faults.lag_m + rng.normal(0, faults.lag_jitter_m))
    aside = across + faults.across_m * side / side.std()
    fixed = np.full(n, across)
    if kind == "tie":
        return _Stretch(number, kind, heading, written, fixed, along, aside, clock)
    return _Stretch(number, kind, heading, fixed, written, aside, along, clock)


def _standing(spot: tuple[float, float], rate: float, clock: float) -> _Stretch:
    """Return ten seconds of readings on one spot."""
    count = round(10 * rate)
    nowhere, u, v = (np.full(count, value) for value in (np.nan, *spot))
    return _Stretch(990, "base", 0, nowhere, nowhere, u, v, clock)


def _log(field: Field, rng: np.random.Generator, faults: Faults, stretches: Sequence[_Stretch], scheme: _Scheme,
         grid: str, offsets: Optional[np.ndarray], start: tuple[float, float], level: float) -> Walk:  # fmt: skip
    """Return what the instrument read along the stretches, and what is true about it."""
    owner = np.repeat(np.arange(len(stretches)), [len(s.u) for s in stretches])
    seq = np.concatenate([np.arange(len(s.u)) for s in stretches])
    u, v, true_u, true_v = (np.concatenate([getattr(s, name) for s in stretches])
                            for name in ("u", "v", "true_u", "true_v"))  # fmt: skip
    number, heading, begun = (np.array([getattr(s, name) for s in stretches]) for name in
                              ("number", "heading", "start_s"))  # fmt: skip
    kind = np.array([kind_code(s.kind) for s in stretches])
    time = begun[owner] + seq / scheme.rate
    offset = _offsets(rng, faults, kind, heading, offsets)
    drifted = _drift(rng, faults, time)
    clean = field.at(true_u + start[0], true_v + start[1])
    values, spike, lost = _noisy(rng, faults, clean + offset[owner] + drifted + level)
    along = np.where(kind[owner] == kind_code("tie"), u, v)
    flag = np.where((along < 0) | (along > scheme.size_m), flag_bit("overrun"), 0)
    flag = flag | np.where(kind[owner] == kind_code("base"), flag_bit("unplaced"), 0)
    run = np.array([1 + np.count_nonzero(number[:k] == number[k]) for k in range(len(number))])
    readings = Readings.build(
        number[owner], {"eca": values}, grids=(grid,), units={"eca": "mS/m"}, run=run[owner], seq=seq, time_s=time,
        u_m=u, v_m=v, x=u + start[0], y=v + start[1], flag=flag | np.where(lost, flag_bit("missing"), 0),
        heading=heading[owner], kind=kind[owner], station=seq + 1.0,
    )  # fmt: skip
    return Walk(readings, field, offset[kind == kind_code("survey")], spike, faults.lag_m, true_u + start[0],
                true_v + start[1], drifted)  # fmt: skip


def _offsets(rng: np.random.Generator, faults: Faults, kind: np.ndarray, heading: np.ndarray,
             added: Optional[np.ndarray]) -> np.ndarray:  # fmt: skip
    """Return the offset of each stretch, mS/m; what is added goes to the survey lines."""
    scatter = np.where(kind == kind_code("base"), faults.base, faults.stripe)
    offset = rng.normal(0, 1, len(kind)) * scatter + heading * faults.direction / 2
    offset[kind == kind_code("survey")] += 0 if added is None else added
    return offset


def _noisy(rng: np.random.Generator, faults: Faults, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the values with noise and spikes, NaN where they were lost, and (n,) bool which are spikes and lost."""
    n = len(values)
    values = values + rng.normal(0, faults.noise, n)
    spike = rng.uniform(size=n) < faults.spikes
    values = values + spike * rng.choice([-1, 1], n) * rng.uniform(5, 40, n)
    lost = rng.uniform(size=n) < faults.dropouts if faults.dropouts else np.zeros(n, bool)
    return np.where(lost, np.nan, values), spike, lost


def _drift(rng: np.random.Generator, faults: Faults, time: np.ndarray) -> np.ndarray:
    white = rng.normal(size=int(time.max() / DRIFT_STEP_S) + 400)
    return drift(time, faults, white[DRIFT_START - drift_reach(faults) :])


def line_means(readings: Readings, channel: str = "eca") -> np.ndarray:
    """Mean of each survey line's readings in use."""
    used = readings.in_use & (readings.kind == kind_code("survey"))
    total = np.bincount(readings.line[used], readings.channels[channel][used])[1:]
    return total / np.bincount(readings.line[used])[1:]
