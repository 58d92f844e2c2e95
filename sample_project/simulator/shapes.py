"""Shapes in the ground whose values stay closed formulas under a Gaussian footprint.

Planes, cosine waves, Gaussian spots, rectangles with soft edges, and ditches (thin lines smeared by a Gaussian).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np
from scipy.special import erf

REACH = 9.0
"""Standard deviations beyond which a shape is left out: exp(-40) of its peak is less than rounding."""


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

    def add(self, total: np.ndarray, p: np.ndarray, q: np.ndarray, footprint_m: float, channel: str) -> None:
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

    def add(self, total: np.ndarray, p: np.ndarray, q: np.ndarray, footprint_m: float, channel: str) -> None:
        """Add the shape; a Gaussian weakens a wave by exp(-k^2 s^2 / 2)."""
        damping = math.exp(-(self.k_p**2 + self.k_q**2) * footprint_m**2 / 2)
        total += getattr(self.peak, channel) * damping * np.cos(self.k_p * p + self.k_q * q + self.phase)


@dataclass(frozen=True)
class Spot:
    """A pit, hearth or piece of iron: a Gaussian with two standard deviations in metres, turned."""

    peak: Peak
    p: float
    q: float
    sd_long: float
    sd_wide: float
    turn_deg: float = 0.0
    name: str = ""

    def add(self, total: np.ndarray, p: np.ndarray, q: np.ndarray, footprint_m: float, channel: str) -> None:
        """Add the shape; variances of Gaussians add and its volume stays."""
        long, wide = math.hypot(self.sd_long, footprint_m), math.hypot(self.sd_wide, footprint_m)
        near = _near(p, q, self.p, self.q, REACH * max(long, wide))
        a, b = turned(p[near] - self.p, q[near] - self.q, self.turn_deg)
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

    def add(self, total: np.ndarray, p: np.ndarray, q: np.ndarray, footprint_m: float, channel: str) -> None:
        """Add the shape: the product of two error-function profiles."""
        soft = math.hypot(self.edge_m, footprint_m)
        near = _near(p, q, self.p, self.q, math.hypot(self.long_m, self.wide_m) / 2 + REACH * soft)
        a, b = turned(p[near] - self.p, q[near] - self.q, self.turn_deg)
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

    def add(self, total: np.ndarray, p: np.ndarray, q: np.ndarray, footprint_m: float, channel: str) -> None:
        """Add the shape, segment by segment: Gaussian across, difference of error functions along."""
        sd = math.hypot(self.sd_m, footprint_m)
        fill = np.ones(len(self.points) - 1) if self.fill is None else self.fill
        for (p0, q0), (p1, q1), full in zip(self.points[:-1], self.points[1:], fill):
            length = math.hypot(p1 - p0, q1 - q0)
            near = _near(p, q, (p0 + p1) / 2, (q0 + q1) / 2, length / 2 + REACH * sd)
            turn = math.degrees(math.atan2(q1 - q0, p1 - p0))
            along, across = turned(p[near] - (p0 + p1) / 2, q[near] - (q0 + q1) / 2, turn)
            peak = full * getattr(self.peak, channel) * self.sd_m / sd
            total[near] += peak * np.exp(-0.5 * (across / sd) ** 2) * _box(along, length, sd)


def _near(p: np.ndarray, q: np.ndarray, p0: float, q0: float, radius: float) -> np.ndarray:
    return np.flatnonzero((np.abs(p - p0) < radius) & (np.abs(q - q0) < radius))


def turned(dp: np.ndarray, dq: np.ndarray, turn_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Return components along axes that are turned anticlockwise by ``turn_deg``."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return c * dp + s * dq, c * dq - s * dp


def _box(distance: np.ndarray, width_m: float, sd_m: float) -> np.ndarray:
    """Return a box of height 1 smeared by a Gaussian."""
    scale = math.sqrt(2) * sd_m
    return 0.5 * (erf((distance + width_m / 2) / scale) - erf((distance - width_m / 2) / scale))


def curve(points: Sequence[tuple[float, float]], pieces: int = 6) -> np.ndarray:
    """Return a chain of short straight pieces through points (Catmull-Rom)."""
    given = np.asarray(points, float)
    padded = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    t = np.linspace(0, 1, pieces, endpoint=False)[:, None]
    parts = []
    for a, b, c, d in zip(padded[:-3], padded[1:-2], padded[2:-1], padded[3:]):
        parts.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    return np.vstack([*parts, given[-1:]])


def ring(p: float, q: float, half_p: float, half_q: float, *, gap_deg: float = 0.0, gap_m: float = 0.0,
         turn_deg: float = 0.0, corner: float = 2.0) -> np.ndarray:  # fmt: skip
    """Return a closed chain (an open one where there is a gap); ``corner`` 2 = ellipse, higher = squarer."""
    half_gap = 0.5 * gap_m / max(half_p, half_q)
    angle = math.radians(gap_deg) + np.linspace(half_gap, 2 * math.pi - half_gap, 73)
    c, s = np.cos(angle), np.sin(angle)
    radius = (np.abs(c / half_p) ** corner + np.abs(s / half_q) ** corner) ** (-1 / corner)
    a, b = turned(radius * c, radius * s, -turn_deg)
    return np.stack([p + a, q + b], axis=1)
