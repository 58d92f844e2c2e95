"""The invented site of the sample, its channels, and the truth that an instrument without errors reads there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from .shapes import Ditch, Peak, Plane, Slab, Spot, Wave, curve, ring, turned

EPSG = 32631
FOOTPRINT_M = 0.35
"""Standard deviation of the Gaussian by which the instrument averages the ground."""


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


@dataclass(frozen=True)
class Site:
    """An invented place: where it lies, how its axes p and q are turned, and what lies in it."""

    name: str
    origin: tuple[float, float]
    turn_deg: float
    shapes: tuple = field(repr=False)

    def to_map(self, p: ArrayLike, q: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return map x, y of site axes p, q (metres)."""
        dx, dy = turned(np.asarray(p, float), np.asarray(q, float), -self.turn_deg)
        return self.origin[0] + dx, self.origin[1] + dy

    def to_site(self, x: ArrayLike, y: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return site axes p, q of map x, y (metres)."""
        return turned(np.asarray(x, float) - self.origin[0], np.asarray(y, float) - self.origin[1], self.turn_deg)

    def truth(self, x: ArrayLike, y: ArrayLike, channel: str, footprint_m: float = FOOTPRINT_M) -> np.ndarray:
        """Return what an instrument without errors reads at map x, y (any shape); footprint 0 = the bare ground."""
        p, q = np.broadcast_arrays(*self.to_site(x, y))
        shape, p, q = p.shape, p.ravel(), q.ravel()
        total = np.zeros(len(p))
        for thing in self.shapes:
            if getattr(thing.peak, channel):
                thing.add(total, p, q, footprint_m, channel)
        return total.reshape(shape)


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
    channel = curve(
        [(-22, 17), (-8, 13), (5, 7), (18, 2.5), (31, 4.5), (44, 7.5), (57, 5), (70, 11), (84, 21), (98, 24)]
    )
    shapes += [
        Ditch(Peak(2.0, 3.0, 0.05), channel, 2.5, name="palaeochannel"),
        Ditch(Peak(0.5, 1.1), channel + (0.6, -0.9), 0.9, name="palaeochannel bed"),
    ]
    return Site("Mirrowby Reach", (512_400.0, 6_206_200.0), 17.0, tuple(shapes + _settlement() + _scatter(rng)))


def _settlement() -> list:
    ditch = ring(half_p=15.2, half_q=12.2, gap_m=3.2, **ENCLOSURE)
    bank = ring(half_p=13.2, half_q=10.2, gap_m=5.0, **ENCLOSURE)
    fill = 1 + 0.22 * np.sin(np.linspace(0.4, 12, len(ditch) - 1))
    west = curve([(43.9, -30), (44.1, 4), (44.0, 22), (43.7, 44), (43.0, 62), (41.8, 90)], 2)
    shapes = [
        Ditch(Peak(2.7, 3.9, 0.16), ditch, 0.52, fill, "enclosure ditch"),
        Ditch(Peak(-0.7, -0.9), bank, 0.9, name="enclosure bank"),
        Ditch(Peak(2.5, 2.3, 0.14), ring(21.6, 35.2, 4.3, 4.1, gap_deg=-35, gap_m=2.2), 0.3, name="house gully"),
        Spot(Peak(5.5, 4.4, 4.5), 21.9, 35.0, 0.5, 0.42, 30, "hearth"),
        Spot(Peak(5.0, 5.6, 7.0), 8.3, 26.2, 0.8, 0.55, 70, "kiln"),
        Slab(Peak(-2.6, -2.2, -0.1), 31.6, 36.0, 7.0, 4.2, 0.15, 8, "stone floor"),
        Ditch(Peak(1.9, 2.3, 0.06), west, 0.42, name="track ditch west"),
        Ditch(Peak(1.9, 2.1, 0.06), west + (4.6, 0.0), 0.42, name="track ditch east"),
        Ditch(Peak(-0.9, -0.7, 0.05), west + (2.3, 0.0), 0.9, name="track surface"),
        Ditch(Peak(1.2, 1.7, 0.04), curve([(43.2, 14.8), (34, 14.3), (22, 15.6), (9, 16.2), (-12, 19)]), 0.42,
              name="field ditch"),
        Ditch(Peak(-2.2, -1.6), np.array([(70.0, 60.5), (-14.0, 45.5)]), 0.22, name="field drain"),
        Ditch(Peak(2.2, 3.2, 0.1), ring(*BARROW, 5.3, 5.2), 0.5, name="barrow ditch"),
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


def truth(x: ArrayLike, y: ArrayLike, channel: str = "eca_10", footprint_m: float = FOOTPRINT_M) -> np.ndarray:
    """Return what an instrument without errors reads on the sample site at map x, y (any shape), mS/m or ppt."""
    return SITE.truth(x, y, channel, footprint_m)
