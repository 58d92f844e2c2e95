"""The files of a survey: a log a grid, its layout, register, corners and notes."""

from __future__ import annotations

import json
from typing import Mapping, Sequence

import numpy as np

from ..tables import CORNER_COLUMNS, NOTE_COLUMNS, REGISTER_COLUMNS, table
from .strokes import Layout, Stroke

ORIGIN = 512400.0, 6206200.0
"""Map x, y of the site's corner, in open sea; the site's axes are those of the map."""

DAY = np.datetime64("2025-05-06T08:30:00.000")


def files_of(layout: Layout, strokes: Sequence[Stroke], values: Mapping[str, Sequence[np.ndarray]]) -> dict[str, str]:
    """Return the texts of a survey by name of the file."""
    files = {f"logs/{grid}.csv": _log(layout, strokes, values, grid) for grid in layout.grids}
    files["layouts/plain.json"] = json.dumps(_log_layout(layout), indent=2) + "\n"
    files["register.csv"] = table(REGISTER_COLUMNS, [_register_row(layout, grid) for grid in layout.grids])
    files["corners.csv"] = table(CORNER_COLUMNS, [row for grid in layout.grids for row in _corners(layout, grid)])
    files["notes.csv"] = table(NOTE_COLUMNS, [_note(stroke) for stroke in strokes if stroke.kind != "survey"])
    return files


def _log(layout: Layout, strokes: Sequence[Stroke], values: Mapping[str, Sequence[np.ndarray]], grid: str) -> str:
    rows = [",".join(["line", "run", "station", "time", *layout.channels])]
    for k, stroke in enumerate(strokes):
        if stroke.grid == grid:
            when = DAY + np.round(1000 * stroke.time_s).astype("timedelta64[ms]")
            numbers = zip(*(values[channel][k].tolist() for channel in layout.channels))
            rows += [
                f"{stroke.line},{stroke.run},{station},{time}," + ",".join(f"{n:.2f}" for n in read)
                for station, time, read in zip(stroke.station.tolist(), when.astype(str).tolist(), numbers)
            ]
    return "\n".join(rows) + "\n"


def _log_layout(layout: Layout) -> dict[str, object]:
    roles = [{"column": name, "role": name} for name in ("line", "run", "station")]
    channels = [{"column": c, "role": "channel", "name": c, "unit": "mS/m"} for c in layout.channels]
    time = {"column": "time", "role": "time", "format": "%Y-%m-%dT%H:%M:%S.%f"}
    return {"name": "plain", "delimiter": ",", "decimal": ".", "header": True, "columns": [*roles, time, *channels]}


def _register_row(layout: Layout, grid: str) -> dict[str, object]:
    return {
        "grid": grid, "log": f"logs/{grid}.csv", "layout": "layouts/plain.json", "length_m": layout.size_m,
        "width_m": layout.size_m, "spacing_m": layout.spacing_m, "first_offset_m": layout.spacing_m / 2,
        "readings_per_m": layout.rate, "pattern": "one-way" if layout.one_way else "alternate", "first_heading": "out",
    }  # fmt: skip


def _corners(layout: Layout, grid: str) -> list[dict[str, object]]:
    (u, v), side = layout.start(grid), layout.size_m
    local = {"start": (u, v), "baseline": (u + side, v), "opposite": (u + side, v + side), "head": (u, v + side)}
    return [
        {"x": f"{ORIGIN[0] + p:.4f}", "y": f"{ORIGIN[1] + q:.4f}", "grid": grid, "corner": name}
        for name, (p, q) in local.items()
    ]


def _note(stroke: Stroke) -> dict[str, object]:
    tie = stroke.kind == "tie"
    return {
        "grid": stroke.grid, "line": stroke.line, "run": "" if tie else stroke.run,
        "start_station": int(stroke.station[0]), "stop_station": int(stroke.station[-1]),
        "position_m": stroke.position_m if tie else "", "heading": {1: "out", -1: "back", 0: ""}[stroke.heading],
        "kind": stroke.kind, "comment": "across the lines" if tie else "at the corner of the site",
    }  # fmt: skip
