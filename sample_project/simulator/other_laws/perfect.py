"""Ten perfect walks: nothing is wrong with them but noise of 0.02 mS/m, so every correction can only do harm.

Each is walked with neither ties nor base readings, with three ties a grid, and with base readings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Callable

import numpy as np

from . import features
from .ground import Ground, flat, geology
from .strokes import Layout
from .survey import Survey, stream, survey

Add = Callable[[Ground, np.random.Generator], None]

FORMS: dict[str, Callable[[Layout], Layout]] = {
    "neither": lambda layout: layout,
    "ties": lambda layout: replace(layout, ties=3),
    "base": lambda layout: replace(layout, base_every=10),
}
"""What may be walked besides the lines."""

ONE = Layout()
TWO = Layout(columns=2)
FOUR = Layout(columns=2, rows=2)


@dataclass(frozen=True)
class Perfect:
    """A perfect walk: what is added to the ground, and the layout of the survey; ``bare``: on ground of one value."""

    add: Add
    layout: Layout = ONE
    bare: bool = False

    def walk(self, seed: int, form: str) -> Survey:
        """Walk the survey in one of ``FORMS``."""
        layout, rng = FORMS[form](self.layout), stream(seed, f"perfect walk, {self.add.__name__}")
        ground = flat(*layout.sides_m) if self.bare else geology(*layout.sides_m, rng)
        self.add(ground, rng)
        return survey(seed, ground, layout)


def _nothing(ground: Ground, rng: np.random.Generator) -> None:
    pass


def _ditches(ground: Ground, rng: np.random.Generator) -> None:
    features.ditch(ground, rng, 0.0)
    for _ in range(4):
        features.ditch(ground, rng)


def _walls(ground: Ground, rng: np.random.Generator) -> None:
    features.wall(ground, rng)
    features.drains(ground, rng)


def _ridges(ground: Ground, rng: np.random.Generator) -> None:
    features.ridges(ground, rng)


def _bank(ground: Ground, rng: np.random.Generator) -> None:
    features.bank(ground, rng, 0.0)
    features.pits(ground, rng)


def _kilns(ground: Ground, rng: np.random.Generator) -> None:
    features.kilns(ground, rng, contrast=(8.0, 20.0))


def _boundary(ground: Ground, rng: np.random.Generator) -> None:
    features.boundary(ground, features.away_from(ground, (rng.uniform(7, 13), 0.0), 0.0), 20.0)


def _boundary_on_edge(ground: Ground, rng: np.random.Generator) -> None:
    features.boundary(ground, features.away_from(ground, (20.0, 0.0), 0.0), rng.uniform(2, 20))


def _road_on_edge(ground: Ground, rng: np.random.Generator) -> None:
    features.road(ground, rng, features.away_from(ground, (20.0, 0.0), 0.0))


PERFECT_WALKS: dict[str, Perfect] = {
    "flat, noise only": Perfect(_nothing, bare=True),
    "ditches": Perfect(_ditches),
    "walls and drains": Perfect(_walls),
    "ridges along the lines": Perfect(_ridges),
    "slope": Perfect(features.slope),
    "bank along the lines, pits": Perfect(_bank),
    "boundary of 20 mS/m along the lines": Perfect(_boundary),
    "kilns": Perfect(_kilns),
    "boundary along a shared edge, two grids": Perfect(_boundary_on_edge, TWO),
    "road along a shared edge, four grids": Perfect(_road_on_edge, FOUR),
}
