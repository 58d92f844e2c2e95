"""Features that are dug, built, ploughed or grown into a ground; each adds to ``Ground.features``.

``angle``: direction of what is long, 0 = along v (the lines), pi / 2 = along u. Sizes are made up (no source).
"""

from __future__ import annotations

import math
from typing import Optional

import numpy as np
from scipy.special import erf

from .ground import Ground


def away_from(ground: Ground, middle: tuple[float, float], angle: float, sway_m: float = 0.0) -> np.ndarray:
    """Return the signed distance of the cells from a line through ``middle``, which may sway to either side."""
    u, v = ground.axes
    along = (u - middle[0]) * math.sin(angle) + (v - middle[1]) * math.cos(angle)
    away = (u - middle[0]) * math.cos(angle) - (v - middle[1]) * math.sin(angle)
    return away - sway_m * np.sin(along / 5.0)


def band(away: np.ndarray, width_m: float, soft_m: float = 0.15) -> np.ndarray:
    """Return 1 within a band and 0 outside, with soft edges."""
    return (erf((away + width_m / 2) / soft_m) - erf((away - width_m / 2) / soft_m)) / 2


def random_line(ground: Ground, rng: np.random.Generator, angle: Optional[float] = None) -> np.ndarray:
    """Return distances from a line anywhere on the site, in any direction where none is given."""
    middle = rng.uniform(0.1, 0.9) * ground.width_m, rng.uniform(0.1, 0.9) * ground.length_m
    return away_from(ground, middle, rng.uniform(0, math.pi) if angle is None else angle, rng.uniform(0, 0.8))


def ditch(ground: Ground, rng: np.random.Generator, angle: Optional[float] = None) -> None:
    """Add a ditch, moist in its middle."""
    width = rng.uniform(0.7, 2.5)
    away = random_line(ground, rng, angle)
    ground.features += rng.gamma(4, 0.7) * np.maximum(1 - (2 * away / width) ** 2, 0)


def wall(ground: Ground, rng: np.random.Generator) -> None:
    """Add the footings of a building of two rooms, dry."""
    u, v = ground.axes
    turn = rng.uniform(0, math.pi / 2)
    middle = rng.uniform(0.25, 0.75) * ground.width_m, rng.uniform(0.25, 0.75) * ground.length_m
    p = (u - middle[0]) * math.cos(turn) + (v - middle[1]) * math.sin(turn)
    q = (v - middle[1]) * math.cos(turn) - (u - middle[0]) * math.sin(turn)
    half_p, half_q, thick = rng.uniform(2, 5), rng.uniform(1.5, 4), rng.uniform(0.5, 0.9)
    ring = np.maximum(np.abs(p) - half_p, np.abs(q) - half_q)
    inside = ring < thick / 2
    stone = np.maximum(band(ring, thick), band(p - half_p / 3, thick) * inside)
    ground.features -= rng.uniform(1.5, 4) * stone


def drains(ground: Ground, rng: np.random.Generator) -> None:
    """Add drains of a hand's breadth, all of one direction, 6 to 10 m from each other."""
    away = random_line(ground, rng)
    spacing = rng.uniform(6, 10)
    ground.features += rng.uniform(1, 3) * band((away + spacing / 2) % spacing - spacing / 2, 0.4, 0.08)


def bank(ground: Ground, rng: np.random.Generator, angle: Optional[float] = None) -> None:
    """Add a spread bank, 4 to 7 m wide, dry."""
    away = random_line(ground, rng, angle)
    width = rng.uniform(4, 7)
    profile = np.where(np.abs(away) < width / 2, np.cos(np.pi * away / width) ** 2, 0)
    ground.features -= rng.uniform(1, 3) * profile


def road(ground: Ground, rng: np.random.Generator, away: Optional[np.ndarray] = None) -> None:
    """Add a metalled road with a ditch on either side, along a line."""
    away = random_line(ground, rng) if away is None else away
    width = rng.uniform(2.5, 5)
    ground.features -= rng.uniform(1.5, 4) * band(away, width)
    for side in (-1, 1):
        ground.features += rng.uniform(0.5, 2.5) * band(away + side * (width / 2 + 0.8), 0.9)


def pits(ground: Ground, rng: np.random.Generator, count: int = 15) -> None:
    """Add pits of many sizes."""
    u, v = ground.axes
    for _ in range(count):
        away = np.hypot(u - rng.uniform(0, ground.width_m), v - rng.uniform(0, ground.length_m))
        ground.features += rng.gamma(3, 0.7) * (1 - erf((away - rng.gamma(6, 0.12)) / 0.15)) / 2


def kilns(
    ground: Ground, rng: np.random.Generator, count: int = 3, contrast: tuple[float, float] = (25.0, 60.0)
) -> None:
    """Add kilns of 1 to 2 m that read far more than all around them."""
    u, v = ground.axes
    for _ in range(count):
        away = np.hypot(u - rng.uniform(0.1, 0.9) * ground.width_m, v - rng.uniform(0.1, 0.9) * ground.length_m)
        ground.features += rng.uniform(*contrast) * (1 - erf((away - rng.uniform(0.5, 1.0)) / 0.2)) / 2


def ridges(ground: Ground, rng: np.random.Generator) -> None:
    """Add ridges and furrows along v, 1.5 to 2 m from each other, flatter where a plough turned."""
    away = away_from(ground, (rng.uniform(0, 2), 0.0), 0.0, rng.uniform(0, 0.1))
    period = rng.uniform(1.5, 2.0)
    _, v = ground.axes
    high = np.clip(np.minimum(v, ground.length_m - v) / rng.uniform(1.0, 4.0), 0.2, 1.0)
    ground.features += rng.uniform(1.0, 2.0) * high * np.sin(2 * np.pi * away / period)


def boundary(ground: Ground, away: np.ndarray, contrast: float, soft_m: float = 0.8) -> None:
    """Pass into another rock, ``contrast`` mS/m higher, where ``away`` is positive: geology, not a feature."""
    ground.geology += contrast * (1 + erf(away / soft_m)) / 2


def slope(ground: Ground, rng: np.random.Generator) -> None:
    """Rise by 0.1 to 0.3 mS/m a metre in any direction: geology, not a feature."""
    u, v = ground.axes
    angle, steep = rng.uniform(0, 2 * math.pi), rng.uniform(0.1, 0.3)
    ground.geology += steep * (u * math.cos(angle) + v * math.sin(angle))


def iron(ground: Ground, rng: np.random.Generator, count: int) -> None:
    """Add scraps of iron, of either sign."""
    u, v = ground.axes
    for _ in range(count):
        away = np.hypot(u - rng.uniform(0, ground.width_m), v - rng.uniform(0, ground.length_m))
        ground.features += np.clip(rng.standard_t(2) * 6, -40, 40) * np.exp(-((away / 0.25) ** 2))


def mixed(ground: Ground, rng: np.random.Generator) -> None:
    """Add what an ordinary site has: ditches (one of them along the lines), pits, iron, and something of the rest."""
    ditch(ground, rng, 0.0)
    for _ in range(rng.poisson(2)):
        ditch(ground, rng)
    for add in rng.permutation(np.array([wall, drains, bank, road], dtype=object))[: rng.integers(0, 3)]:
        add(ground, rng)
    area = ground.width_m * ground.length_m
    pits(ground, rng, round(area / 40))
    iron(ground, rng, round(area / 200))


def along_edge(ground: Ground, rng: np.random.Generator, away: np.ndarray) -> None:
    """Add a road, a bank, a wall or a boundary of 2 to 20 mS/m, along a line or so near to it that it looks so."""
    away = away + rng.uniform(-0.7, 0.7)
    what = rng.choice(["road", "bank", "wall", "boundary"])
    if what == "road":
        road(ground, rng, away)
    elif what == "bank":
        ground.features -= rng.uniform(1, 3) * np.where(np.abs(away) < 2.5, np.cos(np.pi * away / 5) ** 2, 0)
    elif what == "wall":
        ground.features -= rng.uniform(2, 4) * band(away, rng.uniform(0.6, 1.2))
    else:
        boundary(ground, away, math.exp(rng.uniform(math.log(2), math.log(20))), rng.uniform(0.4, 1.2))
