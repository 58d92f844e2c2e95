"""What is recorded in a survey: grids side by side, their lines, ties and base readings, in the order of walking."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Mapping, Sequence

import numpy as np

from .walking import Gait, aside, late, progress

TIE, BASE = 901, 990
"""Numbers of the first tie line and of the base readings."""

BASE_READINGS = 40


@dataclass(frozen=True)
class Layout:
    """How a survey is laid out; its lines lead north, grids are square.

    Attributes
    ----------
    columns, rows : int
        Grids side by side.
    size_m, spacing_m, rate : float
        Side of a grid, distance of lines, readings a metre.
    overrun : int
        Readings beyond either edge.
    ties, base_every : int
        Tie lines a grid; base readings before the first and after every so many lines, at the corner of the site.
    one_way, slow_half : bool
        Whether all lines lead north; whether the second half of each grid is walked at 0.6 of the speed.
    channels : tuple of str
    """

    columns: int = 1
    rows: int = 1
    size_m: float = 20.0
    spacing_m: float = 0.5
    rate: float = 8.0
    overrun: int = 6
    ties: int = 0
    base_every: int = 0
    one_way: bool = False
    slow_half: bool = False
    channels: tuple[str, ...] = ("eca_10",)

    @property
    def lines(self) -> int:
        """Lines of a grid."""
        return round(self.size_m / self.spacing_m)

    @property
    def grids(self) -> tuple[str, ...]:
        """Names of the grids in the order of walking."""
        return tuple(f"{chr(65 + c)}{r + 1}" for c in range(self.columns) for r in range(self.rows))

    def start(self, grid: str) -> tuple[float, float]:
        """Return u, v on the site of the start corner of a grid, metres."""
        return (ord(grid[0]) - 65) * self.size_m, (int(grid[1:]) - 1) * self.size_m

    @property
    def sides_m(self) -> tuple[float, float]:
        """Size of the site along u and v."""
        return self.columns * self.size_m, self.rows * self.size_m

    @property
    def count(self) -> int:
        """Readings of a line."""
        return round(self.size_m * self.rate) + 2 * self.overrun


@dataclass(frozen=True)
class Stroke:
    """A recording: stations as logged, seconds since the survey began, and by channel u, v of the coils on the site."""

    grid: str
    line: int
    run: int
    kind: str
    heading: int
    position_m: float
    station: np.ndarray = field(repr=False)
    time_s: np.ndarray = field(repr=False)
    places: Mapping[str, tuple[np.ndarray, np.ndarray]] = field(repr=False)


def strokes_of(layout: Layout, gait: Gait, lags_s: Mapping[str, float], rng: np.random.Generator) -> list[Stroke]:
    """Return the recordings of a survey, walked with a gait; ``lags_s`` is by how much each channel is late."""
    clock, strokes = 20.0, []
    for grid in layout.grids:
        base = 0
        for kind, k in _order(layout):
            base += kind == "base"
            stroke = (
                _standing(layout, grid, base, clock, tuple(lags_s))
                if kind == "base"
                else _walked(layout, gait, lags_s, grid, kind, k, clock, rng)
            )
            strokes.append(stroke)
            clock = float(stroke.time_s[-1]) + 6 * float(np.exp(rng.normal(0, 0.3)))
            clock += layout.size_m / gait.speed_m_s if layout.one_way else 0.0
        clock += 150.0
    return strokes


def _order(layout: Layout) -> list[tuple[str, int]]:
    order: list[tuple[str, int]] = []
    for k in range(layout.lines):
        if layout.base_every and k % layout.base_every == 0:
            order.append(("base", 0))
        order.append(("survey", k))
    order += [("tie", k) for k in range(layout.ties)]
    return [*order, ("base", 0)] if layout.base_every else order


def _walked(
    layout: Layout,
    gait: Gait,
    lags_s: Mapping[str, float],
    grid: str,
    kind: str,
    k: int,
    clock: float,
    rng: np.random.Generator,
) -> Stroke:
    """Return a survey line or a tie line."""
    tie = kind == "tie"
    heading = -1 if k % 2 and not layout.one_way else 1
    position = tie_positions(layout)[k] if tie else (k + 0.5) * layout.spacing_m
    speed = gait.speed_m_s * (0.6 if layout.slow_half and 2 * k >= layout.lines and not tie else 1.0)
    count, step_m = layout.count, 1 / layout.rate
    walked = progress(gait, step_m, count, layout.overrun, rng)
    side = position + aside(gait, count, step_m, rng)
    step_s = step_m / speed
    (u0, v0), places = layout.start(grid), {}
    for channel, lag_s in lags_s.items():
        along = late(walked, step_s, lag_s)
        along = along if heading > 0 else layout.size_m - along
        places[channel] = (u0 + along, v0 + side) if tie else (u0 + side, v0 + along)
    index = np.arange(count)
    last = round(layout.size_m * layout.rate)
    station = index + 1 - layout.overrun if heading > 0 else last + layout.overrun - index
    return Stroke(grid, (TIE if tie else 1) + k, 1, kind, heading, position if tie else np.nan, station,
                  clock + step_s * index, places)  # fmt: skip


def _standing(layout: Layout, grid: str, run: int, clock: float, channels: Sequence[str]) -> Stroke:
    """Return base readings at the corner of the site."""
    u, v = np.full(BASE_READINGS, -1.0), np.full(BASE_READINGS, -1.0)
    station = np.arange(BASE_READINGS) + 1
    return Stroke(grid, BASE, run, "base", 0, np.nan, station, clock + 0.2 * np.arange(BASE_READINGS),
                  {channel: (u, v) for channel in channels})  # fmt: skip


def tie_positions(layout: Layout) -> list[float]:
    """Return v in the grid of its tie lines, whole decimetres."""
    return [round(layout.size_m * (k + 0.5) / layout.ties, 1) for k in range(layout.ties)]
