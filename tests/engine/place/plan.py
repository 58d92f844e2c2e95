"""A small grid, its frame, and logs of it, for tests of placing."""

from __future__ import annotations

import numpy as np
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.geometry.frame import CORNERS, Corner, fit_frame, local_corner
from turnrow.processing_provider.engine.place.place import place_readings

OUT, BACK = np.arange(1, 81), np.arange(80, 0, -1)


def scheme(**changes):
    given = {"grid": "A", "length_m": 10, "width_m": 4, "spacing_m": 0.5, "readings_per_m": 8}
    return Scheme(**{**given, **changes})


def frame(plan, hand=1.0):
    local = [local_corner(c, plan.length_m, plan.width_m) for c in CORNERS]
    return fit_frame([Corner("A", n, 500 + u, 300 + hand * v) for n, (u, v) in zip(CORNERS, local)], plan.length_m,
                     plan.width_m)  # fmt: skip


def log(*lines, **columns):
    """A log from (line, stations) pairs."""
    line = np.concatenate([np.full(len(s), n) for n, s in lines])
    station = np.concatenate([np.asarray(s, float) for _, s in lines])
    return Readings.build(line, {"eca": np.zeros(len(line))}, grids=("A",), station=station, **columns)


def place(readings, plan=None, notes=(), hand=1.0):
    plan = plan or scheme()
    return place_readings(readings, plan, list(notes), frame(plan, hand))
