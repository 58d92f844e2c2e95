"""What is planned: grids, the events in them, and where their corners lie on the map."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Mapping, Optional, TypedDict

import numpy as np

from .shapes import turned
from .site import SITE, Site

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
            dx, dy = turned(np.asarray(u), np.asarray(-v if self.mirrored else v), -self.turn_deg)
            out[name] = (round(self.start[0] + float(dx), 4), round(self.start[1] + float(dy), 4))
        return out


def place_on_map(
    plan: GridPlan, u: np.ndarray, v: np.ndarray, corners: Optional[Mapping[str, tuple[float, float]]] = None
) -> tuple[np.ndarray, np.ndarray]:
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


class Location(TypedDict):
    """Where a grid lies, as ``GridPlan`` takes it."""

    start: tuple[float, float]
    turn_deg: float


def on_site(p: float, q: float, turn_deg: float = 0.0, site: Site = SITE) -> Location:
    """Return where a grid lies whose start corner is at p, q of the site's axes."""
    x, y = site.to_map(p, q)
    return {"start": (float(x), float(y)), "turn_deg": site.turn_deg + turn_deg}


def block_plans(
    rows: int, columns: int, *, length_m: float = 40.0, width_m: float = 40.0, spacing_m: float = 0.5,
    readings_per_m: float = 8.0, layout: str = "semicolon", turn_deg: float = 0.0, site: Site = SITE,
) -> list[GridPlan]:  # fmt: skip
    """Return plain grids side by side, for other sizes: 4 x 4 of the default size are 16 grids, 410,000 readings."""
    plans = []
    for row in range(rows):
        for column in range(columns):
            name = f"R{row + 1}C{column + 1}"
            du, dv = turned(np.asarray(column * width_m), np.asarray(row * length_m), -turn_deg)
            where = on_site(float(du), float(dv), turn_deg, site)
            plans.append(
                GridPlan(name, f"logs/{name}.csv", layout, length_m, width_m, spacing_m=spacing_m,
                         readings_per_m=readings_per_m, **where)
            )  # fmt: skip
    return plans
