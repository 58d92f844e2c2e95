"""A simulated survey with known truth: the ground as formulas, the walk over it, and the files it leaves behind.

Run ``python simulate.py [FOLDER]`` to write the sample survey (default: this folder). Nothing here is shared with the
plugin: the expected places of the readings are worked out a second time, on their own way, so that tests can hold
the plugin against them.

The ground is a sum of shapes that stay closed formulas under a Gaussian footprint: planes, cosine waves, Gaussian
spots, rectangles with soft edges, and ditches (thin lines smeared by a Gaussian). Site, finds and people are invented;
the coordinates lie in open sea.
"""

from __future__ import annotations

import json
import math
import sys
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Mapping, Optional, Sequence

import numpy as np
from scipy.special import erf

EPSG = 32631
SEED = 20
FOOTPRINT_M = 0.35
"""Standard deviation of the Gaussian by which the instrument averages the ground."""
INTERVAL_S = 0.2
"""Time between readings; 5 readings a metre are then walked at 1 m/s."""
DRIFT_STEP_S = 10.0
REACH = 9.0
"""Standard deviations beyond which a shape is left out: exp(-40) of its peak is less than rounding."""


@dataclass(frozen=True)
class Channel:
    """Unit of a channel, decimals in a log, and its errors relative to those of ``eca_10``."""

    unit: str
    decimals: int
    error_factor: float


CHANNELS = {
    "eca_05": Channel("mS/m", 2, 1.2),
    "eca_10": Channel("mS/m", 2, 1.0),
    "inphase_10": Channel("ppt", 3, 0.08),
}


# ------------------------------------------------------------------------------------------------ the ground


@dataclass(frozen=True)
class Peak:
    """Contrast of a shape before the footprint, by channel."""

    eca_05: float
    eca_10: float
    inphase_10: float = 0.0


@dataclass(frozen=True)
class Plane:
    """Level at the site's origin and slope by metre."""

    peak: Peak
    slope_p: float
    slope_q: float

    def add(self, total, p, q, footprint_m: float, channel: str) -> None:
        """Add the shape to ``total`` in place; a plane is the same under any symmetric footprint."""
        level = getattr(self.peak, channel)
        total += level * (1 + self.slope_p * p + self.slope_q * q)


@dataclass(frozen=True)
class Wave:
    """A cosine over the ground; wave numbers in radians by metre."""

    peak: Peak
    k_p: float
    k_q: float
    phase: float

    def add(self, total, p, q, footprint_m: float, channel: str) -> None:
        """Add the shape; a Gaussian weakens a wave by exp(-k^2 s^2 / 2)."""
        damping = math.exp(-(self.k_p**2 + self.k_q**2) * footprint_m**2 / 2)
        total += getattr(self.peak, channel) * damping * np.cos(self.k_p * p + self.k_q * q + self.phase)


@dataclass(frozen=True)
class Spot:
    """A pit, hearth or piece of iron: a Gaussian with two widths (standard deviations in metres), turned."""

    peak: Peak
    p: float
    q: float
    sd_long: float
    sd_wide: float
    turn_deg: float = 0.0
    name: str = ""

    def add(self, total, p, q, footprint_m: float, channel: str) -> None:
        """Add the shape; variances of Gaussians add and its volume stays."""
        long, wide = math.hypot(self.sd_long, footprint_m), math.hypot(self.sd_wide, footprint_m)
        near = _near(p, q, self.p, self.q, REACH * max(long, wide))
        a, b = _turned(p[near] - self.p, q[near] - self.q, self.turn_deg)
        peak = getattr(self.peak, channel) * self.sd_long * self.sd_wide / (long * wide)
        total[near] += peak * np.exp(-0.5 * ((a / long) ** 2 + (b / wide) ** 2))


@dataclass(frozen=True)
class Slab:
    """A rectangle with soft edges (standard deviation in metres), turned: a floor or a road surface."""

    peak: Peak
    p: float
    q: float
    long_m: float
    wide_m: float
    edge_m: float
    turn_deg: float = 0.0
    name: str = ""

    def add(self, total, p, q, footprint_m: float, channel: str) -> None:
        """Add the shape: the product of two error-function profiles."""
        soft = math.hypot(self.edge_m, footprint_m)
        near = _near(p, q, self.p, self.q, math.hypot(self.long_m, self.wide_m) / 2 + REACH * soft)
        a, b = _turned(p[near] - self.p, q[near] - self.q, self.turn_deg)
        total[near] += getattr(self.peak, channel) * _box(a, self.long_m, soft) * _box(b, self.wide_m, soft)


@dataclass(frozen=True)
class Ditch:
    """A chain of straight thin lines smeared by a Gaussian of ``sd_m``; ``peak`` is that of an endless straight one.

    ``fill`` scales the peak by segment: ditches are not equally full everywhere.
    """

    peak: Peak
    points: np.ndarray
    sd_m: float
    fill: Optional[np.ndarray] = None
    name: str = ""

    def add(self, total, p, q, footprint_m: float, channel: str) -> None:
        """Add the shape, segment by segment: Gaussian across, difference of error functions along."""
        sd = math.hypot(self.sd_m, footprint_m)
        fill = np.ones(len(self.points) - 1) if self.fill is None else self.fill
        for (p0, q0), (p1, q1), share in zip(self.points[:-1], self.points[1:], fill):
            length = math.hypot(p1 - p0, q1 - q0)
            near = _near(p, q, (p0 + p1) / 2, (q0 + q1) / 2, length / 2 + REACH * sd)
            turn = math.degrees(math.atan2(q1 - q0, p1 - p0))
            along, across = _turned(p[near] - (p0 + p1) / 2, q[near] - (q0 + q1) / 2, turn)
            peak = share * getattr(self.peak, channel) * self.sd_m / sd
            total[near] += peak * np.exp(-0.5 * (across / sd) ** 2) * _box(along, length, sd)


def _near(p, q, p0: float, q0: float, radius: float) -> np.ndarray:
    return np.flatnonzero((np.abs(p - p0) < radius) & (np.abs(q - q0) < radius))


def _turned(dp, dq, turn_deg: float):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return c * dp + s * dq, c * dq - s * dp


def _box(distance, width_m: float, sd_m: float):
    """Return a box of height 1 smeared by a Gaussian."""
    scale = math.sqrt(2) * sd_m
    return 0.5 * (erf((distance + width_m / 2) / scale) - erf((distance - width_m / 2) / scale))


@dataclass(frozen=True)
class Site:
    """An invented place: where it lies, how its axes p and q are turned, and what is in the ground."""

    name: str
    origin: tuple[float, float]
    turn_deg: float
    shapes: tuple = field(repr=False)

    def to_map(self, p, q):
        """Return map x, y of site axes p, q (metres)."""
        dx, dy = _turned(np.asarray(p, float), np.asarray(q, float), -self.turn_deg)
        return self.origin[0] + dx, self.origin[1] + dy

    def to_site(self, x, y):
        """Return site axes p, q of map x, y (metres)."""
        return _turned(np.asarray(x, float) - self.origin[0], np.asarray(y, float) - self.origin[1], self.turn_deg)

    def truth(self, x, y, channel: str, footprint_m: float = FOOTPRINT_M) -> np.ndarray:
        """Return what an instrument without errors reads at map x, y (any shape); footprint 0 = the bare ground."""
        p, q = np.broadcast_arrays(*self.to_site(x, y))
        shape, p, q = p.shape, p.ravel(), q.ravel()
        total = np.zeros(len(p))
        for thing in self.shapes:
            if getattr(thing.peak, channel):
                thing.add(total, p, q, footprint_m, channel)
        return total.reshape(shape)


def _curve(points: Sequence, pieces: int = 6) -> np.ndarray:
    """Return a chain of short straight pieces through points (Catmull-Rom)."""
    given = np.asarray(points, float)
    padded = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    t = np.linspace(0, 1, pieces, endpoint=False)[:, None]
    parts = []
    for a, b, c, d in zip(padded[:-3], padded[1:-2], padded[2:-1], padded[3:]):
        parts.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    return np.vstack([*parts, given[-1:]])


def _ring(p: float, q: float, half_p: float, half_q: float, *, gap_deg=0.0, gap_m=0.0, turn_deg=0.0, corner=2.0):
    """Return a closed chain (an open one where there is a gap); ``corner`` 2 = ellipse, higher = squarer."""
    half_gap = 0.5 * gap_m / max(half_p, half_q)
    angle = math.radians(gap_deg) + np.linspace(half_gap, 2 * math.pi - half_gap, 73)
    c, s = np.cos(angle), np.sin(angle)
    radius = (np.abs(c / half_p) ** corner + np.abs(s / half_q) ** corner) ** (-1 / corner)
    a, b = _turned(radius * c, radius * s, -turn_deg)
    return np.stack([p + a, q + b], axis=1)


ENCLOSURE = {"p": 25.5, "q": 33.0, "turn_deg": 8.0, "corner": 3.2, "gap_deg": -6.0}
PITS = (
    (30.2, 27.4, 0.75, 0.6), (32.6, 28.5, 0.55, 0.5), (31.3, 30.2, 0.6, 0.6), (33.9, 26.6, 0.5, 0.45),
    (15.6, 29.6, 0.8, 0.55), (14.4, 33.1, 0.55, 0.5), (17.4, 40.2, 0.7, 0.65), (27.6, 40.6, 0.6, 0.5),
    (29.4, 24.6, 0.5, 0.5), (40.8, 12.6, 0.7, 0.6), (52.1, 38.3, 0.8, 0.6), (51.4, 14.2, 0.6, 0.55),
    (6.0, 53.4, 0.85, 0.7), (9.2, 55.9, 0.55, 0.5), (36.2, 52.0, 0.7, 0.6),
)  # fmt: skip
BARROW = (70.2, 32.4)


def sample_site() -> Site:
    """Return the invented site of the sample."""
    rng = np.random.default_rng(41)
    shapes: list = [
        Plane(Peak(16.0, 18.5, 0.9), 0.0012, -0.0022),
        Spot(Peak(2.5, 3.2, 0.1), 4.0, 58.0, 24.0, 15.0, 25.0),
        Spot(Peak(-1.6, -2.0), 40.0, 44.0, 20.0, 14.0, 60.0),
    ]
    for _ in range(28):
        length, direction, phase = rng.uniform(4, 16), rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
        k = 2 * np.pi / length
        strength = 0.012 * length**0.75
        shapes.append(Wave(Peak(1.2 * strength, strength, 0.004), k * np.cos(direction), k * np.sin(direction), phase))
    channel = _curve(
        [(-22, 17), (-8, 13), (5, 7), (18, 2.5), (31, 4.5), (44, 7.5), (57, 5), (70, 11), (84, 21), (98, 24)]
    )
    shapes += [
        Ditch(Peak(2.0, 3.0, 0.05), channel, 2.5, name="palaeochannel"),
        Ditch(Peak(0.5, 1.1), channel + (0.6, -0.9), 0.9, name="palaeochannel bed"),
    ]
    return Site("Mirrowby Reach", (512_400.0, 6_206_200.0), 17.0, tuple(shapes + _settlement() + _scatter(rng)))


def _settlement() -> list:
    ditch = _ring(half_p=15.2, half_q=12.2, gap_m=3.2, **ENCLOSURE)
    bank = _ring(half_p=13.2, half_q=10.2, gap_m=5.0, **ENCLOSURE)
    fill = 1 + 0.22 * np.sin(np.linspace(0.4, 12, len(ditch) - 1))
    west = _curve([(43.9, -30), (44.1, 4), (44.0, 22), (43.7, 44), (43.0, 62), (41.8, 90)], 2)
    shapes = [
        Ditch(Peak(2.7, 3.9, 0.16), ditch, 0.52, fill, "enclosure ditch"),
        Ditch(Peak(-0.7, -0.9), bank, 0.9, name="enclosure bank"),
        Ditch(Peak(2.5, 2.3, 0.14), _ring(21.6, 35.2, 4.3, 4.1, gap_deg=-35, gap_m=2.2), 0.3, name="house gully"),
        Spot(Peak(5.5, 4.4, 4.5), 21.9, 35.0, 0.5, 0.42, 30, "hearth"),
        Spot(Peak(5.0, 5.6, 7.0), 8.3, 26.2, 0.8, 0.55, 70, "kiln"),
        Slab(Peak(-2.6, -2.2, -0.1), 31.6, 36.0, 7.0, 4.2, 0.15, 8, "stone floor"),
        Ditch(Peak(1.9, 2.3, 0.06), west, 0.42, name="track ditch west"),
        Ditch(Peak(1.9, 2.1, 0.06), west + (4.6, 0.0), 0.42, name="track ditch east"),
        Ditch(Peak(-0.9, -0.7, 0.05), west + (2.3, 0.0), 0.9, name="track surface"),
        Ditch(Peak(1.2, 1.7, 0.04), _curve([(43.2, 14.8), (34, 14.3), (22, 15.6), (9, 16.2), (-12, 19)]), 0.42,
              name="field ditch"),
        Ditch(Peak(-2.2, -1.6), np.array([(70.0, 60.5), (-14.0, 45.5)]), 0.22, name="field drain"),
        Ditch(Peak(2.2, 3.2, 0.1), _ring(*BARROW, 5.3, 5.2), 0.5, name="barrow ditch"),
        Spot(Peak(2.0, 2.6, 0.3), BARROW[0] + 0.4, BARROW[1] - 0.2, 0.9, 0.5, 80, "barrow grave"),
    ]  # fmt: skip
    strengths = np.linspace(2.6, 4.8, len(PITS))
    for number, (p, q, long, wide) in enumerate(PITS):
        strength = strengths[(number * 7) % len(PITS)]
        shapes.append(Spot(Peak(0.9 * strength, strength, 0.35), p, q, long, wide, 37.0 * number, f"pit {number + 1}"))
    return shapes


def _scatter(rng: np.random.Generator) -> list:
    """Return pieces of iron in the topsoil: small, strong, of either sign."""
    iron = []
    for number in range(26):
        p, q = rng.uniform(-1, 86), rng.uniform(-1, 63)
        strength = rng.uniform(12, 30) * (1 if rng.random() < 0.7 else -1)
        iron.append(
            Spot(Peak(1.4 * strength, strength, 0.9 * abs(strength)), p, q, 0.16, 0.13, 0, f"iron {number + 1}")
        )
    return iron


SITE = sample_site()


def truth(x, y, channel: str = "eca_10", footprint_m: float = FOOTPRINT_M) -> np.ndarray:
    """Return what an instrument without errors reads on the sample site at map x, y (any shape), mS/m or ppt."""
    return SITE.truth(x, y, channel, footprint_m)


# ---------------------------------------------------------------------------------------------------- the plan

CORNERS = ("start", "baseline", "opposite", "head")


@dataclass(frozen=True)
class Event:
    """Something in a grid that is not plain walking.

    ``what``: dummy, redo, void, obstacle, crossed (logger left on across the obstacle), forgotten (the logger starts at
    ``station`` and counts by ``step``), short (stops after ``station``; nobody notes it), tie, base.
    """

    what: str
    line: int
    station: float = 0
    step: int = 1
    stop: float = 0
    position_m: float = 0.0


@dataclass(frozen=True)
class GridPlan:
    """A grid: its row of the register, where it lies, and what happens in it.

    ``start``: its start corner in map x, y; ``turn_deg``: direction of the baseline, anticlockwise from map east;
    ``mirrored``: traverses lead off to the right of the baseline.
    """

    grid: str
    log: str
    layout: str
    length_m: float
    width_m: float
    start: tuple[float, float]
    turn_deg: float
    spacing_m: float = 0.6
    readings_per_m: float = 5
    first_line: int = 1
    line_step: int = 1
    first_station: int = 1
    pattern: str = "alternate"
    first_heading: str = "out"
    sensor_ahead_m: float = 0.0
    sensor_right_m: float = 0.0
    pace: str = "rate"
    comment: str = ""
    mirrored: bool = False
    known_corners: tuple[str, ...] = CORNERS
    overrun: tuple[int, int] = (2, 4)
    marks_m: float = 0.0
    date: str = "2025-04-15"
    start_s: float = 9 * 3600.0
    all_noted: bool = False
    events: tuple[Event, ...] = ()

    @property
    def lines(self) -> int:
        """How many traverses fit, the first half a spacing in."""
        return int(math.floor(self.width_m / self.spacing_m + 0.5 + 1e-9))

    @property
    def readings(self) -> int:
        """Readings between the edges."""
        return round(self.length_m * self.readings_per_m)

    def local_corners(self) -> dict[str, tuple[float, float]]:
        """Return (u, v) by corner."""
        w, l = self.width_m, self.length_m  # noqa: E741
        return {"start": (0.0, 0.0), "baseline": (w, 0.0), "opposite": (w, l), "head": (0.0, l)}

    def corners(self) -> dict[str, tuple[float, float]]:
        """Return map x, y by known corner, rounded as they are written (0.1 mm)."""
        out = {}
        for name in self.known_corners:
            u, v = self.local_corners()[name]
            dx, dy = _turned(u, -v if self.mirrored else v, -self.turn_deg)
            out[name] = (round(self.start[0] + float(dx), 4), round(self.start[1] + float(dy), 4))
        return out


def place_on_map(plan: GridPlan, u, v, corners: Optional[Mapping[str, tuple[float, float]]] = None):
    """Return map x, y of local u, v through the corners as written.

    Least-squares similarity in complex numbers: with w = u + iv (u - iv for a mirrored grid) and z = x + iy, each less
    its mean over the corners, z = b w with b = sum(conj(w) z) / sum(|w|^2).
    """
    corners = plan.corners() if corners is None else corners
    sign = -1 if plan.mirrored else 1
    local = np.array([complex(a, sign * b) for a, b in (plan.local_corners()[name] for name in corners)])
    on_map = np.array([complex(*xy) for xy in corners.values()])
    w, z = local - local.mean(), on_map - on_map.mean()
    turn = np.sum(np.conj(w) * z) / np.sum(np.abs(w) ** 2)
    placed = on_map.mean() + turn * (
        (np.asarray(u) - local.mean().real) + 1j * (sign * np.asarray(v) - local.mean().imag)
    )
    return placed.real, placed.imag


# ---------------------------------------------------------------------------------------------------- the walk


@dataclass(frozen=True)
class WalkErrors:
    """What goes wrong on a walk: metres, seconds and mS/m (``eca_10``; other channels by their factor); 0 = off.

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
    pace_m, across_m : float
        Root mean square of the wander along (none at the ends) and across the traverse.
    drift, drift_s : float
        Standard deviation of the drift, and the time of its correlation exp(-(t / drift_s)^2 / 2); every grid starts
        anew.
    warm_up, warm_up_s : float
        Amount that decays from the start of a grid, and in what time.
    spikes, dropouts : float
        Share of readings.
    """

    noise: float = 0.15
    stripe: float = 0.5
    direction: float = 0.5
    lag_m: float = 0.3
    lag_jitter_m: float = 0.06
    ends_m: float = 0.12
    pace_m: float = 0.15
    across_m: float = 0.05
    drift: float = 1.0
    drift_s: float = 400.0
    warm_up: float = 1.2
    warm_up_s: float = 300.0
    spikes: float = 0.002
    dropouts: float = 0.0005

    @classmethod
    def none(cls) -> WalkErrors:
        """Return a walk without any error: each reading is the truth at its scheme's place."""
        return cls(**{name: 0.0 for name in cls.__dataclass_fields__})


@dataclass(frozen=True)
class Walk:
    """One recording: what was walked, and what the logger was set to."""

    line: int
    run: int
    kind: str
    heading: int
    first: float
    count: int
    logged_first: float
    logged_step: int
    position_m: float
    pause_s: float
    noted: bool = False

    @property
    def last(self) -> float:
        """Station of the last reading."""
        return self.first + (self.heading or 1) * (self.count - 1)


@dataclass(frozen=True)
class SimulatedGrid:
    """A walked grid, n readings in the order of the log.

    Attributes
    ----------
    plan : GridPlan
    walks : tuple of Walk
    walk : (n,) int
        Index into ``walks``.
    line, run, seq : (n,) int
    kind : (n,) str
    heading : (n,) int
        1 out, -1 back, 0 standing (base readings).
    station, logged_station : (n,) float
        As walked, and as the logger counted.
    time_s : (n,) float
    mark : (n,) int
        1 where a fiducial was pressed since the reading before.
    u_m, v_m, x, y : (n,) float
        Where the scheme and the notes put the reading; NaN for base readings.
    true_x, true_y : (n,) float
        Where it was taken.
    flag : (n,) str
        What must be flagged once read and placed: words joined by ``;``.
    channels, clean : dict of (n,) float
        As read (NaN where the logger dropped out), and the truth where it was taken.
    offsets : (n,) float
        Stripe, direction and drift of ``eca_10`` together, mS/m.
    """

    plan: GridPlan
    walks: tuple[Walk, ...]
    walk: np.ndarray
    line: np.ndarray
    run: np.ndarray
    seq: np.ndarray
    kind: np.ndarray
    heading: np.ndarray
    station: np.ndarray
    logged_station: np.ndarray
    time_s: np.ndarray
    mark: np.ndarray
    u_m: np.ndarray
    v_m: np.ndarray
    x: np.ndarray
    y: np.ndarray
    true_x: np.ndarray
    true_y: np.ndarray
    flag: np.ndarray
    channels: dict[str, np.ndarray]
    clean: dict[str, np.ndarray]
    offsets: np.ndarray

    def __len__(self) -> int:
        return len(self.line)


def walks_of(plan: GridPlan, rng: np.random.Generator) -> list[Walk]:
    """Return the recordings of a grid in walking order, events included."""
    events = defaultdict(list)
    for event in plan.events:
        events[event.what, event.line].append(event)
    queue = [("base", e.line) for e in plan.events if e.what == "base"][:1]
    numbers = [plan.first_line + plan.line_step * k for k in range(plan.lines)]
    dummies = [e.line for e in plan.events if e.what == "dummy"]
    queue += [("dummy", n) for n in dummies[:1]] + [("survey", n) for n in numbers]
    queue += [(what, e.line) for what in ("redo", "tie") for e in plan.events if e.what == what]
    queue += [("dummy", n) for n in dummies[1:]] + [("base", e.line) for e in plan.events if e.what == "base"][1:]
    walks: list[Walk] = []
    for kind, line in queue:
        for walk in _recordings(plan, kind, line, events, rng):
            run = 1 + sum(w.line == line for w in walks)
            walks.append(replace(walk, run=run))
    return walks


def _recordings(plan: GridPlan, kind: str, line: int, events: Mapping, rng) -> list[Walk]:
    order = (line - plan.first_line) // plan.line_step
    first_heading = 1 if plan.first_heading == "out" else -1
    heading = -first_heading if plan.pattern == "alternate" and order % 2 else first_heading
    inside = plan.readings
    position = plan.spacing_m * (order + 0.5)
    if kind == "tie":
        heading, inside, position = 1, round(plan.width_m * plan.readings_per_m), events["tie", line][0].position_m
    if kind == "base":
        return [Walk(line, 1, "base", 0, 1, 12, 1, 1, 0.0, 20.0, True)]
    before, after = rng.integers(plan.overrun[0], plan.overrun[1] + 1, 2)
    low, high = plan.first_station - before, plan.first_station + inside - 1 + after
    pause = round(float(rng.uniform(6, 12)), 1) + (plan.length_m if plan.pattern == "one-way" else 0.0)
    walk = _stretch(line, kind, heading, low, high, position, pause, plan.all_noted or kind != "survey")
    if kind != "survey":
        return [walk]
    if events["void", line]:
        false_start = _stretch(line, "void", heading, *_first_part(walk, 21), position, pause, True)
        return [false_start, replace(walk, noted=True)]
    if events["obstacle", line]:
        return _around(walk, events["obstacle", line][0])
    if events["short", line]:
        return [_stretch(line, kind, heading, *_first_part(walk, events["short", line][0].station), position, pause)]
    if events["forgotten", line]:
        wrong = events["forgotten", line][0]
        return [replace(walk, logged_first=wrong.station, logged_step=wrong.step, noted=True)]
    return [replace(walk, noted=walk.noted or bool(events["crossed", line]))]


def _stretch(line, kind, heading, low, high, position, pause, noted=False) -> Walk:
    first = int(low if heading > 0 else high)
    return Walk(line, 1, kind, heading, first, int(high - low) + 1, first, heading, position, pause, noted)


def _first_part(walk: Walk, count: int) -> tuple[float, float]:
    ends = walk.first, walk.first + walk.heading * (count - 1)
    return min(ends), max(ends)


def _around(walk: Walk, obstacle: Event) -> list[Walk]:
    low, high = min(walk.first, walk.last), max(walk.first, walk.last)
    near = _stretch(walk.line, "survey", walk.heading, low, obstacle.station - 1, walk.position_m, walk.pause_s, True)
    far = _stretch(walk.line, "survey", walk.heading, obstacle.stop + 1, high, walk.position_m, walk.pause_s, True)
    return [near, far] if walk.heading > 0 else [far, near]


def simulate_grid(
    plan: GridPlan,
    *,
    seed: int = SEED,
    errors: Optional[WalkErrors] = None,
    site: Site = SITE,
    channels: Optional[Sequence[str]] = None,
) -> SimulatedGrid:
    """Walk a grid.

    Parameters
    ----------
    plan : GridPlan
    seed : int
        The same seed and grid name give the same walk.
    errors : WalkErrors, optional
        Defaults to a moderate walk.
    site : Site
    channels : sequence of str, optional
        Defaults to what the plan's layout carries.
    """
    errors = WalkErrors() if errors is None else errors
    rng = np.random.default_rng([seed, *plan.grid.encode()])
    walks = walks_of(plan, rng)
    names = LAYOUT_CHANNELS[plan.layout] if channels is None else tuple(channels)
    parts, clock = [], plan.start_s
    for walk in walks:
        clock = round(clock + walk.pause_s, 1)
        parts.append(_walk(plan, walk, errors, rng, clock))
        clock = parts[-1]["time_s"][-1]
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    columns["walk"] = np.repeat(np.arange(len(walks)), [w.count for w in walks])
    for name in ("line", "run", "kind", "heading"):
        columns[name] = np.array([getattr(w, name) for w in walks])[columns["walk"]]
    columns["x"], columns["y"] = place_on_map(plan, columns["u_m"], columns["v_m"])
    columns["true_x"], columns["true_y"] = place_on_map(plan, columns.pop("true_u"), columns.pop("true_v"))
    clean = {name: site.truth(columns["true_x"], columns["true_y"], name) for name in names}
    offsets = columns.pop("offset") + _drift(columns["time_s"] - plan.start_s, errors, rng)
    read, lost = _read(clean, offsets, errors, rng)
    flag = _expected_flags(plan, walks, columns, lost)
    return SimulatedGrid(plan, tuple(walks), flag=flag, channels=read, clean=clean, offsets=offsets, **columns)


def _walk(plan: GridPlan, walk: Walk, errors: WalkErrors, rng, clock: float) -> dict[str, np.ndarray]:
    """Return the columns of one recording; ``true_`` is where the coils were."""
    i = np.arange(walk.count)
    step = walk.heading or 1
    station = walk.first + step * i.astype(float)
    along = (station - plan.first_station + 0.5) / plan.readings_per_m
    done = i / max(walk.count - 1, 1)
    stripe, lag, at_start, at_stop, *bends = rng.standard_normal(7)
    cycles, phase = rng.uniform(0.5, 2), rng.uniform(0, 2 * np.pi)
    wander = at_start * (1 - done) + at_stop * done
    person = along + errors.ends_m * wander
    for k, (share, bend) in enumerate(zip((0.6, 0.3, 0.1), bends), 1):
        person = person + errors.pace_m * bend * math.sqrt(2 * share) * np.sin(k * math.pi * done)
    late = errors.lag_m + errors.lag_jitter_m * lag if errors.lag_m or errors.lag_jitter_m else 0.0
    sway = errors.across_m * math.sqrt(2) * np.sin(2 * math.pi * cycles * done + phase)
    right = step * plan.sensor_right_m * (-1 if plan.mirrored else 1)
    places = {
        "v_m": along + step * plan.sensor_ahead_m,
        "u_m": np.full(walk.count, walk.position_m + right),
        "true_v": person + step * (plan.sensor_ahead_m - late),
        "true_u": walk.position_m + right + sway,
    }
    if walk.kind == "tie":
        swapped = {"u_m": "v_m", "v_m": "u_m", "true_u": "true_v", "true_v": "true_u"}
        places = {name: places[other] for name, other in swapped.items()}
        places["v_m"], places["true_v"] = places["v_m"] - 2 * right, places["true_v"] - 2 * right
    if walk.kind == "base":
        still = np.zeros(walk.count)
        places = {"u_m": still * np.nan, "v_m": still * np.nan, "true_u": still, "true_v": still}
    mark = _fiducials(plan, walk, person)
    offset = np.full(walk.count, errors.stripe * stripe + errors.direction / 2 * walk.heading)
    return {
        **places, "seq": i, "station": station, "logged_station": walk.logged_first + 1.0 * walk.logged_step * i,
        "time_s": np.round(clock + INTERVAL_S * i, 1), "mark": mark, "offset": offset * (walk.kind != "base"),
    }  # fmt: skip


def _fiducials(plan: GridPlan, walk: Walk, person: np.ndarray) -> np.ndarray:
    """Return 1 at each reading before which a peg of the tape was passed."""
    mark = np.zeros(walk.count, int)
    if plan.marks_m and walk.kind not in ("tie", "base"):
        pegs = np.arange(0, plan.length_m + 1e-9, plan.marks_m)
        hit = np.array([np.count_nonzero(walk.heading * (person - peg) < 0) for peg in pegs])
        mark[hit[(hit > 0) & (hit < walk.count)]] = 1
    return mark


def _drift(elapsed_s: np.ndarray, errors: WalkErrors, rng) -> np.ndarray:
    """Return the drift at the readings: instruments warm and cool smoothly, and more at the start.

    White noise every ten seconds under a Gaussian of drift_s / sqrt(2) has the correlation exp(-(t / drift_s)^2 / 2).
    """
    width = errors.drift_s / math.sqrt(2) / DRIFT_STEP_S
    reach = math.ceil(5 * width)
    n = math.ceil(elapsed_s.max() / DRIFT_STEP_S) + 2
    white = rng.standard_normal(n + 2 * reach)
    if not errors.drift and not errors.warm_up:
        return np.zeros(len(elapsed_s))
    bell = np.exp(-((np.arange(-reach, reach + 1) / width) ** 2) / 2)
    slow = np.convolve(white, bell / np.sqrt(np.sum(bell**2)), mode="valid")
    slow = errors.drift * np.interp(elapsed_s, DRIFT_STEP_S * np.arange(n), slow)
    return slow + errors.warm_up * np.exp(-elapsed_s / errors.warm_up_s) if errors.warm_up else slow


def _read(clean: Mapping[str, np.ndarray], offsets: np.ndarray, errors: WalkErrors, rng):
    """Return the readings by channel, and (n,) bool where the logger dropped out."""
    n = len(offsets)
    lost = rng.random(n) < errors.dropouts
    read = {}
    for name, values in clean.items():
        noise, hit = rng.standard_normal(n), rng.random(n) < errors.spikes
        size = rng.uniform(6, 25, n) * rng.choice([-1.0, 1.0], n)
        wrong = offsets + errors.noise * noise + np.where(hit, size, 0.0)
        read[name] = np.where(lost, np.nan, values + CHANNELS[name].error_factor * wrong)
    return read, lost


def _expected_flags(plan: GridPlan, walks: Sequence[Walk], columns: Mapping, lost: np.ndarray) -> np.ndarray:
    kind, line, run = columns["kind"], columns["line"], columns["run"]
    tie = kind == "tie"
    along, limit = np.where(tie, columns["u_m"], columns["v_m"]), np.where(tie, plan.width_m, plan.length_m)
    again = {w.line for w in walks if w.kind == "redo"}
    words = {
        "overrun": (along < -1e-6) | (along > limit + 1e-6),
        "dummy": kind == "dummy",
        "void": kind == "void",
        "redone": np.isin(line, sorted(again)) & (run == 1) & (kind == "survey"),
        "obstacle": np.zeros(len(line), bool),
        "missing": lost,
        "unplaced": kind == "base",
    }
    for event in plan.events:
        if event.what in ("obstacle", "crossed"):
            between = (columns["station"] >= event.station) & (columns["station"] <= event.stop)
            words["obstacle"] |= (line == event.line) & between
    table = np.stack(list(words.values()), axis=1)
    return np.array([";".join(w for w, on in zip(words, row) if on) for row in table], dtype=object)


# --------------------------------------------------------------------------------------------------- the files

LAYOUT_CHANNELS = {"semicolon": ("eca_10",), "comma": ("eca_05", "eca_10", "inphase_10"), "fixed": ("eca_10",)}


def layouts() -> dict[str, dict]:
    """Return the three log layouts as they are written to JSON."""
    value = {name: {"role": "channel", "name": name, "unit": c.unit} for name, c in CHANNELS.items()}
    return {
        "semicolon": {
            "name": "Semicolons and decimal commas", "encoding": "utf-8", "delimiter": ";", "decimal": ",",
            "header": True, "missing": ["---"],
            "columns": [
                {"column": "line", "role": "line"}, {"column": "station", "role": "station"},
                {"column": "clock", "role": "time", "format": "%H:%M:%S,%f"},
                {"column": "cond 1.0 m (mS/m)", **value["eca_10"]},
            ],
        },
        "comma": {
            "name": "Two coil spacings and in-phase, several grids in a file", "encoding": "utf-8", "delimiter": ",",
            "decimal": ".", "comment": "#", "header": True, "missing": ["-999"],
            "columns": [
                {"column": "grid", "role": "grid"}, {"column": "line", "role": "line"},
                {"column": "run", "role": "run"}, {"column": "station", "role": "station"},
                {"column": "time", "role": "time", "format": "%Y-%m-%dT%H:%M:%S.%f"},
                {"column": "cond_05", **value["eca_05"]}, {"column": "cond_10", **value["eca_10"]},
                {"column": "inphase_10", **value["inphase_10"]},
            ],
        },
        "fixed": {
            "name": "Fixed columns, a row opens each traverse", "encoding": "utf-8", "widths": [12, 10],
            "decimal": ".", "comment": "!", "header": False, "missing": ["****"],
            "line_start": r"^>LINE +(?P<line>-?\d+) +STATION +(?P<station>-?\d+) +STEP +(?P<step>-?\d+)"
            r" +CLOCK +(?P<time>[\d:.]+)",
            "mark": "^=MARK",
            "columns": [
                {"column": 1, "role": "time", "format": "%H:%M:%S.%f"},
                {"column": 2, **value["eca_10"]},
            ],
        },
    }  # fmt: skip


def _clock(seconds: float) -> str:
    tenths = round(seconds * 10)
    return f"{tenths // 36000:02d}:{tenths // 600 % 60:02d}:{tenths // 10 % 60:02d}.{tenths % 10}"


def _number(value: float, channel: str, missing: str) -> str:
    return missing if math.isnan(value) else f"{value:.{CHANNELS[channel].decimals}f}"


def _semicolon_log(grids: Sequence[SimulatedGrid]) -> list[str]:
    rows = ["line;station;clock;cond 1.0 m (mS/m)"]
    for grid in grids:
        columns = zip(grid.line, grid.logged_station, grid.time_s, grid.channels["eca_10"])
        for line, station, time_s, value in columns:
            row = f"{line};{station:.0f};{_clock(time_s)};{_number(value, 'eca_10', '---')}"
            rows.append(row.replace(".", ","))
    return rows


def _comma_log(grids: Sequence[SimulatedGrid]) -> list[str]:
    rows = ["# conductivity at coil spacings of 0.5 and 1.0 m, in-phase at 1.0 m",
            "grid,line,run,station,time,cond_05,cond_10,inphase_10"]  # fmt: skip
    for grid in grids:
        head = zip(grid.line, grid.run, grid.logged_station, grid.time_s)
        for i, (line, run, station, time_s) in enumerate(head):
            values = ",".join(_number(grid.channels[name][i], name, "-999") for name in LAYOUT_CHANNELS["comma"])
            stamp = f"{grid.plan.date}T{_clock(time_s)}"
            rows.append(f"{grid.plan.grid},{line},{run},{station:.0f},{stamp},{values}")
    return rows


def _fixed_log(grids: Sequence[SimulatedGrid]) -> list[str]:
    rows = ["! clock in columns 1 to 12, conductivity in mS/m in 13 to 22"]
    for grid in grids:
        for i, (seq, time_s, value) in enumerate(zip(grid.seq, grid.time_s, grid.channels["eca_10"])):
            walk = grid.walks[grid.walk[i]]
            if seq == 0:
                rows.append(
                    f">LINE {walk.line:4d} STATION {walk.logged_first:5.0f} STEP {walk.logged_step:3d} "
                    f"CLOCK {_clock(time_s)}"
                )
            if grid.mark[i]:
                rows.append(f"=MARK {_clock(time_s - 0.1)}")
            rows.append(f"{_clock(time_s):>12}{_number(value, 'eca_10', '****'):>10}")
    return rows


LOG_WRITERS = {"semicolon": _semicolon_log, "comma": _comma_log, "fixed": _fixed_log}
REGISTER_COLUMNS = (
    "grid", "log", "layout", "length_m", "width_m", "spacing_m", "first_offset_m", "readings_per_m", "first_line",
    "line_step", "first_station", "pattern", "first_heading", "sensor_ahead_m", "sensor_right_m", "pace", "comment",
)  # fmt: skip
NOTE_COLUMNS = ("grid", "line", "run", "start_station", "stop_station", "position_m", "heading", "kind", "comment")


def register_row(plan: GridPlan) -> dict[str, object]:
    """Return the grid's row of the register."""
    row = {name: getattr(plan, name, "") for name in REGISTER_COLUMNS}
    return {**row, "first_offset_m": round(plan.spacing_m / 2, 6), "layout": f"layouts/{plan.layout}.json"}


def note_rows(grid: SimulatedGrid) -> list[dict[str, object]]:
    """Return the field notes of a grid: every line that is not plain walking, all lines where the plan says so."""
    rows = []
    several = {w.line for w in grid.walks if w.run > 1}
    why = {e.line: e.what for e in grid.plan.events}
    for walk in grid.walks:
        if not walk.noted:
            continue
        heading = {1: "out", -1: "back", 0: ""}[walk.heading]
        rows.append({
            "grid": grid.plan.grid, "line": walk.line, "run": walk.run if walk.line in several else "",
            "start_station": walk.first, "stop_station": walk.last,
            "position_m": walk.position_m if walk.kind == "tie" else "", "heading": heading, "kind": walk.kind,
            "comment": _remark(walk, why.get(walk.line, "")),
        })  # fmt: skip
    for event in grid.plan.events:
        if event.what in ("obstacle", "crossed"):
            rows.append({
                "grid": grid.plan.grid, "line": event.line, "start_station": event.station,
                "stop_station": event.stop, "kind": "obstacle", "comment": "spoil heap",
            })  # fmt: skip
    return rows


def _remark(walk: Walk, why: str) -> str:
    if why == "forgotten":
        return f"logger left at {walk.logged_first:g}, counting {'up' if walk.logged_step > 0 else 'down'}"
    texts = {
        "dummy": "to warm up and to close", "redo": "stumbled the first time, walked again",
        "void": "false start", "tie": "across the traverses", "base": "standing on the start peg",
    }  # fmt: skip
    if walk.kind in texts:
        return texts[walk.kind]
    return {"obstacle": "to and from the spoil heap", "crossed": "logger left on across the spoil heap"}.get(why, "")


def _table(columns: Sequence[str], rows: Sequence[Mapping[str, object]]) -> str:
    lines = [",".join(columns)]
    lines += [",".join(_cell(row.get(name, "")) for name in columns) for row in rows]
    return "\n".join(lines) + "\n"


def _cell(value: object) -> str:
    text = f"{value:g}" if isinstance(value, (int, float, np.number)) else str(value)
    return f'"{text}"' if "," in text else text


def write_survey(
    folder: Path,
    plans: Sequence[GridPlan],
    *,
    seed: int = SEED,
    errors: Optional[WalkErrors] = None,
    site: Site = SITE,
) -> list[SimulatedGrid]:
    """Walk every grid and write logs, layouts, ``register.csv``, ``corners.csv`` and ``notes.csv``.

    Returns
    -------
    list of SimulatedGrid
        In the order of ``plans``: what the files must come to.
    """
    folder = Path(folder)
    grids = [simulate_grid(plan, seed=seed, errors=errors, site=site) for plan in plans]
    by_log: dict[str, list[SimulatedGrid]] = defaultdict(list)
    for grid in grids:
        by_log[grid.plan.log].append(grid)
    files = {name: "\n".join(LOG_WRITERS[g[0].plan.layout](g)) + "\n" for name, g in by_log.items()}
    for name in sorted({plan.layout for plan in plans}):
        files[f"layouts/{name}.json"] = json.dumps(layouts()[name], indent=2) + "\n"
    files["register.csv"] = _table(REGISTER_COLUMNS, [register_row(plan) for plan in plans])
    files["notes.csv"] = _table(NOTE_COLUMNS, [row for grid in grids for row in note_rows(grid)])
    pegs = [(f"{x:.4f}", f"{y:.4f}", plan.grid, name) for plan in plans for name, (x, y) in plan.corners().items()]
    files["corners.csv"] = "x,y,grid,corner\n" + "".join(",".join(peg) + "\n" for peg in pegs)
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8"))
    return grids


# -------------------------------------------------------------------------------------------------- the sample


def _on_site(p: float, q: float, turn_deg: float = 0.0, site: Site = SITE) -> dict:
    x, y = site.to_map(p, q)
    return {"start": (float(x), float(y)), "turn_deg": site.turn_deg + turn_deg}


def sample_plans() -> list[GridPlan]:
    """Return the nine grids of the sample."""
    spoil = [Event("obstacle", n, 46 + abs(n - 14), 1, 58 - abs(n - 14)) for n in range(12, 17)]
    spoil.append(Event("crossed", 17, 50, 1, 54))
    day_1, day_2, day_3 = {"date": "2025-04-15"}, {"date": "2025-04-16"}, {"date": "2025-04-17"}
    return [
        GridPlan("A", "logs/plot_a.csv", "semicolon", 20, 18, **_on_site(0, 0), **day_1, start_s=32_700.0,
                 comment="two tie lines",
                 events=(Event("tie", 901, position_m=5.1), Event("tie", 902, position_m=14.7))),
        GridPlan("B", "logs/plot_b.csv", "semicolon", 20, 18, **_on_site(36, 0, 180), **day_1, start_s=36_000.0,
                 mirrored=True, comment="baseline runs west, traverses north; pegs walked from the right",
                 events=(Event("short", 22, 74),)),
        GridPlan("C", "logs/second_day.csv", "comma", 20, 18, **_on_site(54, 20, 180), **day_2, start_s=31_500.0,
                 known_corners=("start", "baseline", "head"), comment="from the far side; dummies at both ends",
                 events=(Event("dummy", 0), Event("redo", 13), Event("dummy", 31))),
        GridPlan("D", "logs/plot_d.csv", "semicolon", 24, 18, **_on_site(0, 20), **day_1, start_s=39_600.0,
                 pattern="one-way", known_corners=("start", "baseline"), all_noted=True, comment="walked one way",
                 events=(Event("redo", 11),)),
        GridPlan("E", "logs/second_day.csv", "comma", 24, 18, **_on_site(18, 20), **day_2, start_s=36_000.0,
                 comment="spoil heap in the middle", events=tuple(spoil)),
        GridPlan("F", "logs/plot_f.csv", "semicolon", 24, 18, **_on_site(36, 20), **day_1, start_s=48_600.0,
                 known_corners=("start", "opposite"), comment="logger settings forgotten on two lines",
                 events=(Event("forgotten", 8, 1, 1), Event("forgotten", 19, 61, 1))),
        GridPlan("G", "logs/plot_g.dat", "fixed", 24, 18, **_on_site(24, 44, 90), **day_3, start_s=32_400.0,
                 known_corners=("start", "baseline", "opposite"), comment="traverses run west",
                 events=(Event("forgotten", 6, 1, 1),)),
        GridPlan("H", "logs/plot_h.dat", "fixed", 30, 18, **_on_site(24, 62, -90), **day_3, start_s=37_800.0,
                 first_heading="back", first_line=101, line_step=1, marks_m=6.0,
                 comment="traverses run east, the first one back; fiducials every 6 m", events=(Event("void", 107),)),
        GridPlan("I", "logs/second_day.csv", "comma", 20, 15, **_on_site(66.5, 19.5, 20), **day_2, start_s=43_200.0,
                 known_corners=("start", "head"), sensor_ahead_m=0.25, first_station=0,
                 comment="apart, on the mound; base readings",
                 events=(Event("base", 900), Event("base", 900))),
    ]  # fmt: skip


def block_plans(
    rows: int, columns: int, *, length_m=40.0, width_m=40.0, spacing_m=0.5, readings_per_m=8.0, layout="semicolon",
    turn_deg=0.0, site: Site = SITE,
) -> list[GridPlan]:  # fmt: skip
    """Return plain grids side by side, for other sizes: 4 x 4 of the default size are 16 grids, 410,000 readings."""
    plans = []
    for row in range(rows):
        for column in range(columns):
            name = f"R{row + 1}C{column + 1}"
            du, dv = _turned(column * width_m, row * length_m, -turn_deg)
            where = _on_site(float(du), float(dv), turn_deg, site)
            plans.append(
                GridPlan(name, f"logs/{name}.csv", layout, length_m, width_m, spacing_m=spacing_m,
                         readings_per_m=readings_per_m, **where)
            )  # fmt: skip
    return plans


def excavation_plan(site: Site = SITE) -> dict:
    """Return trenches and excavated features as GeoJSON in the site's projected CRS."""
    ditch = next(s for s in site.shapes if getattr(s, "name", "") == "enclosure ditch")
    p, q = ditch.points.T
    inside = ditch.points[(p > 23.2) & (p < 34.8) & (q < 24)]
    rows = [("1", "trench", "trench 1", _rectangle(29.0, 25.2, 13.0, 12.4)),
            ("1", "ditch", "enclosure ditch", _strip(inside, 1.7 * ditch.sd_m))]  # fmt: skip
    dug = {"1": ("pit 1", "pit 2", "pit 3", "pit 4"), "2": ("hearth",), "3": ("kiln",)}
    rows += [("2", "trench", "trench 2", _rectangle(21.9, 35.0, 5.0, 4.0)),
             ("3", "trench", "trench 3", _rectangle(8.3, 26.2, 6.0, 6.0))]  # fmt: skip
    for trench, names in dug.items():
        for spot in (s for s in site.shapes if getattr(s, "name", "") in names):
            rows.append((trench, spot.name.split()[0], spot.name, _ellipse(spot)))
    features = []
    for trench, kind, name, outline in rows:
        x, y = site.to_map(*np.vstack([outline, outline[:1]]).T)
        ring = [[round(float(a), 3), round(float(b), 3)] for a, b in zip(x, y)]
        features.append({"type": "Feature", "properties": {"trench": trench, "kind": kind, "name": name},
                         "geometry": {"type": "Polygon", "coordinates": [ring]}})  # fmt: skip
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{EPSG}"}}
    return {"type": "FeatureCollection", "name": "excavation_plan", "crs": crs, "features": features}


def _rectangle(p: float, q: float, wide: float, high: float) -> np.ndarray:
    return np.array([p, q]) + np.array([(-wide, -high), (wide, -high), (wide, high), (-wide, high)]) / 2


def _ellipse(spot: Spot) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    a, b = _turned(1.7 * spot.sd_long * np.cos(angle), 1.7 * spot.sd_wide * np.sin(angle), -spot.turn_deg)
    return np.stack([spot.p + a, spot.q + b], axis=1)


def _strip(points: np.ndarray, half_m: float) -> np.ndarray:
    along = np.gradient(points, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    return np.vstack([points + half_m * normal, (points - half_m * normal)[::-1]])


def write_sample(folder: Path, *, seed: int = SEED, errors: Optional[WalkErrors] = None) -> list[SimulatedGrid]:
    """Write the sample survey with its excavation plan; see ``write_survey``."""
    grids = write_survey(folder, sample_plans(), seed=seed, errors=errors)
    plan = json.dumps(excavation_plan(), indent=1) + "\n"
    (Path(folder) / "excavation_plan.geojson").write_bytes(plan.encode("utf-8"))
    return grids


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    walked = write_sample(target)
    print(f"{SITE.name}: {len(walked)} grids, {sum(map(len, walked))} readings written to {target}")
