"""Cases: each a function of a seed that walks a survey with its truth.

A case with a ``twin`` is the same site, walked in the same way, but for what its name says: what a correction
reaches there may be held against the twin. All other cases have sites of their own, so that figures of several may be
pooled.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from functools import partial
from typing import Callable, Optional

import numpy as np

from . import features
from .ground import Ground, geology
from .instrument import Errors, usual_errors
from .strokes import Layout
from .survey import Survey, stream, survey
from .walking import Gait, cart_gait, usual_gait

Drawn = tuple[Ground, Layout, Gait, Errors]


@dataclass(frozen=True)
class Case:
    """A kind of survey.

    Attributes
    ----------
    draw : callable
        Number of a site -> Survey.
    group : str
        Surveys whose standard errors are judged together: without ties, with ties, edges, or empty.
    twin : str
        Name of the case without what this one has.
    first_site : int
        Number of the site of seed 0, even.
    """

    draw: Callable[[int], Survey]
    group: str = ""
    twin: str = ""
    first_site: int = 0

    def walk(self, seed: int) -> Survey:
        """Walk the survey of a seed."""
        return self.draw(self.first_site + seed)


def ordinary(seed: int, layout: Optional[Layout] = None, add: Callable = features.mixed) -> Drawn:
    """Draw a site with features, and how a surveyor walks it; every second survey has a level a grid."""
    layout = layout or Layout()
    rng = stream(seed, "ground")
    ground = geology(*layout.sides_m, rng)
    add(ground, rng)
    errors = usual_errors(stream(seed, "errors"))
    level = 1.0 if seed % 2 and len(layout.grids) > 1 else 0.0
    return ground, layout, usual_gait(stream(seed, "gait")), replace(errors, level=level)


def _usual(seed: int, layout: Layout = Layout()) -> Survey:  # noqa: B008 (a frozen value)
    return survey(seed, *ordinary(seed, layout))


def _with_errors(seed: int, layout: Layout = Layout(), **changed: float) -> Survey:  # noqa: B008 (a frozen value)
    ground, layout, gait, errors = ordinary(seed, layout)
    return survey(seed, ground, layout, gait, replace(errors, **changed))  # type: ignore[arg-type]


def _with_gait(seed: int, **changed: float) -> Survey:
    ground, layout, gait, errors = ordinary(seed)
    return survey(seed, ground, layout, replace(gait, **changed), errors)


def _with_feature(seed: int, add: Callable[[Ground, np.random.Generator], None], layout: Layout) -> Survey:
    """Walk a site that has something more."""
    ground, layout, gait, errors = ordinary(seed, layout)
    add(ground, stream(seed, "more"))
    return survey(seed, ground, layout, gait, errors)


def _on_shared_edge(ground: Ground, rng: np.random.Generator, along_u: bool = False) -> None:
    """Add a feature along the first shared edge that runs along v (or u), 20 m from the corner."""
    away = features.away_from(ground, (20.0, 20.0), np.pi / 2 if along_u else 0.0)
    features.along_edge(ground, rng, away)


def _across_shared_edge(ground: Ground, rng: np.random.Generator) -> None:
    features.road(ground, rng, features.away_from(ground, (20.0, 10.0), rng.uniform(1.0, 2.1)))


def _boundary_along_lines(ground: Ground, rng: np.random.Generator) -> None:
    """Add a straight boundary of 2 to 20 mS/m along the lines, somewhere in the middle."""
    away = features.away_from(ground, (rng.uniform(6, 14), 0.0), 0.0)
    features.boundary(ground, away, np.exp(rng.uniform(np.log(2), np.log(20))), rng.uniform(0.4, 1.2))


def _cart(seed: int, layout: Layout) -> Survey:
    ground, layout, _, errors = ordinary(seed, layout)
    errors = replace(errors, gain=errors.gain / 3)
    return survey(seed, ground, layout, cart_gait(stream(seed, "gait")), errors, platform="cart")


def _full_scale(seed: int, cut: bool) -> Survey:
    """Walk a site with patches that read far more than the rest, with or without a scale that ends below them."""
    ground, layout, gait, errors = ordinary(seed)
    features.kilns(ground, stream(seed, "more"), 4)
    return survey(seed, ground, layout, gait, replace(errors, clipped=0.01, cut=cut))


def _two_channels(seed: int, channel_lag_s: float) -> Survey:
    ground, layout, gait, errors = ordinary(seed, Layout(channels=("eca_10", "eca_05")))
    return survey(seed, ground, layout, gait, errors, channel_lag_s)


ONE, FOUR = Layout(), Layout(columns=2, rows=2, spacing_m=1.0, rate=5.0, overrun=4)
TWO = replace(FOUR, rows=1)

_DRAWN: dict[str, Case] = {
    "one grid": Case(_usual, "without ties"),
    "one grid, 1 m lines": Case(partial(_usual, layout=Layout(spacing_m=1.0, rate=5.0)), "without ties"),
    "one grid, base": Case(partial(_usual, layout=Layout(base_every=10))),
    "one grid, ties": Case(partial(_usual, layout=Layout(ties=3)), "with ties"),
    "four grids": Case(partial(_usual, layout=FOUR), "without ties"),
    "four grids, no overrun": Case(partial(_usual, layout=replace(FOUR, overrun=0)), "without ties"),
    "four grids, ties": Case(partial(_usual, layout=replace(FOUR, ties=3)), "with ties"),
    "four grids, base": Case(partial(_usual, layout=replace(FOUR, base_every=5))),
    "feature along an edge": Case(partial(_with_feature, add=_on_shared_edge, layout=TWO), "edges"),
    "feature along an edge, no overrun": Case(
        partial(_with_feature, add=_on_shared_edge, layout=replace(TWO, overrun=0)), "edges"),
    "feature along the far edge": Case(
        partial(_with_feature, add=partial(_on_shared_edge, along_u=True), layout=replace(FOUR, columns=1, rows=2)),
        "edges"),
    "feature along an edge, ties and base": Case(
        partial(_with_feature, add=_on_shared_edge, layout=replace(FOUR, ties=3, base_every=5)), "edges"),
    "road across an edge": Case(partial(_with_feature, add=_across_shared_edge, layout=TWO), "edges"),
    "boundary along the lines": Case(partial(_with_feature, add=_boundary_along_lines, layout=ONE)),
    "ridges along the lines": Case(partial(_with_feature, add=features.ridges, layout=ONE)),
    "ridges along the lines, ties": Case(partial(_with_feature, add=features.ridges, layout=Layout(ties=3))),
    "reset of 1": Case(partial(_with_errors, reset=1.0), "", "one grid"),
    "reset of 2": Case(partial(_with_errors, reset=2.0), "", "one grid"),
    "reset of 4": Case(partial(_with_errors, reset=4.0), "", "one grid"),
    "steps inside lines": Case(partial(_with_errors, steps=3), "", "one grid"),
    "full scale": Case(partial(_full_scale, cut=True), "", "full scale, not reached"),
    "full scale, not reached": Case(partial(_full_scale, cut=False)),
    "one-way": Case(partial(_usual, layout=Layout(one_way=True))),
    "one-way, ties": Case(partial(_usual, layout=Layout(one_way=True, ties=3))),
    "two paces": Case(partial(_usual, layout=Layout(slow_half=True)), "", "one grid"),
    "lag by channel": Case(partial(_two_channels, channel_lag_s=0.25), "", "two channels"),
    "two channels": Case(partial(_two_channels, channel_lag_s=0.0)),
    "missed beats": Case(partial(_with_gait, missed=0.4), "", "one grid"),
    "drift": Case(partial(_with_errors, drift=0.5, wave=1.0), "", "one grid"),
    "gain": Case(partial(_with_errors, gain=0.03), "", "one grid"),
    "coarse digits": Case(partial(_with_errors, quantum=0.5), "", "one grid"),
    "cart": Case(partial(_cart, layout=ONE)),
    "cart, ties": Case(partial(_cart, layout=Layout(ties=3))),
}  # fmt: skip

CASES = {name: replace(case, first_site=2 * zlib.crc32((case.twin or name).encode())) for name, case in _DRAWN.items()}
