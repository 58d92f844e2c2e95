"""The sample survey: its nine grids and its excavation plan, and how its files are written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Optional

import numpy as np

from .faults import Faults
from .files import write_survey
from .plans import Event, GridPlan, on_site
from .shapes import Spot, turned
from .site import EPSG, SITE, Site
from .walking import SEED, SimulatedGrid


def sample_plans() -> list[GridPlan]:
    """Return the nine grids of the sample."""
    spoil = [Event("obstacle", n, 46 + abs(n - 14), 1, 58 - abs(n - 14)) for n in range(12, 17)]
    spoil.append(Event("crossed", 17, 50, 1, 54))
    day_1, day_2, day_3 = "2025-04-15", "2025-04-16", "2025-04-17"
    return [
        GridPlan("A", "logs/plot_a.csv", "semicolon", 20, 18, **on_site(0, 0), date=day_1, start_s=32_700.0,
                 comment="two tie lines",
                 events=(Event("tie", 901, position_m=5.1), Event("tie", 902, position_m=14.7))),
        GridPlan("B", "logs/plot_b.csv", "semicolon", 20, 18, **on_site(36, 0, 180), date=day_1, start_s=36_000.0,
                 mirrored=True, comment="baseline runs west, traverses north; pegs walked from the right",
                 events=(Event("short", 22, 74),)),
        GridPlan("C", "logs/second_day.csv", "comma", 20, 18, **on_site(54, 20, 180), date=day_2, start_s=31_500.0,
                 known_corners=("start", "baseline", "head"), comment="from the far side; dummies at both ends",
                 events=(Event("dummy", 0), Event("redo", 13), Event("dummy", 31))),
        GridPlan("D", "logs/plot_d.csv", "semicolon", 24, 18, **on_site(0, 20), date=day_1, start_s=39_600.0,
                 pattern="one-way", known_corners=("start", "baseline"), all_noted=True, comment="walked one way",
                 events=(Event("redo", 11),)),
        GridPlan("E", "logs/second_day.csv", "comma", 24, 18, **on_site(18, 20), date=day_2, start_s=36_000.0,
                 comment="spoil heap in the middle", events=tuple(spoil)),
        GridPlan("F", "logs/plot_f.csv", "semicolon", 24, 18, **on_site(36, 20), date=day_1, start_s=48_600.0,
                 known_corners=("start", "opposite"), comment="logger settings forgotten on two lines",
                 events=(Event("forgotten", 8, 1, 1), Event("forgotten", 19, 61, 1))),
        GridPlan("G", "logs/plot_g.dat", "fixed", 24, 18, **on_site(24, 44, 90), date=day_3, start_s=32_400.0,
                 known_corners=("start", "baseline", "opposite"), comment="traverses run west",
                 events=(Event("forgotten", 6, 1, 1),)),
        GridPlan("H", "logs/plot_h.dat", "fixed", 30, 18, **on_site(24, 62, -90), date=day_3, start_s=37_800.0,
                 first_heading="back", first_line=101, line_step=1, marks_m=6.0,
                 comment="traverses run east, the first one back; fiducials every 6 m", events=(Event("void", 107),)),
        GridPlan("I", "logs/second_day.csv", "comma", 20, 15, **on_site(66.5, 19.5, 20), date=day_2, start_s=43_200.0,
                 known_corners=("start", "head"), sensor_ahead_m=0.25, first_station=0,
                 comment="apart, on the mound; base readings",
                 events=(Event("base", 900), Event("base", 900))),
    ]  # fmt: skip


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
    a, b = turned(1.7 * spot.sd_long * np.cos(angle), 1.7 * spot.sd_wide * np.sin(angle), -spot.turn_deg)
    return np.stack([spot.p + a, spot.q + b], axis=1)


def _strip(points: np.ndarray, half_m: float) -> np.ndarray:
    along = np.gradient(points, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    return np.vstack([points + half_m * normal, (points - half_m * normal)[::-1]])


def write_sample(folder: Path, *, seed: int = SEED, faults: Optional[Faults] = None) -> list[SimulatedGrid]:
    """Write the sample survey with its excavation plan; see ``write_survey``."""
    grids = write_survey(folder, sample_plans(), seed=seed, faults=faults)
    plan = json.dumps(excavation_plan(), indent=1) + "\n"
    (Path(folder) / "excavation_plan.geojson").write_bytes(plan.encode("utf-8"))
    return grids
