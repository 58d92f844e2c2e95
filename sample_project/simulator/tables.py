"""The tables that people type: register, field notes and surveyed corners."""

from __future__ import annotations

from typing import Mapping, Sequence

import numpy as np

from .plans import GridPlan
from .recordings import Recording
from .walking import SimulatedGrid

REGISTER_COLUMNS = (
    "grid", "log", "layout", "length_m", "width_m", "spacing_m", "first_offset_m", "readings_per_m", "first_line",
    "line_step", "first_station", "pattern", "first_heading", "sensor_ahead_m", "sensor_right_m", "pace", "comment",
)  # fmt: skip
CORNER_COLUMNS = ("x", "y", "grid", "corner")
NOTE_COLUMNS = ("grid", "line", "run", "start_station", "stop_station", "position_m", "heading", "kind", "comment")


def register_row(plan: GridPlan) -> dict[str, object]:
    """Return the grid's row of the register."""
    row = {name: getattr(plan, name, "") for name in REGISTER_COLUMNS}
    return {**row, "first_offset_m": round(plan.spacing_m / 2, 6), "layout": f"layouts/{plan.layout}.json"}


def corner_rows(plan: GridPlan) -> list[dict[str, object]]:
    """Return the grid's surveyed corners, to 0.1 mm."""
    return [
        {"x": f"{x:.4f}", "y": f"{y:.4f}", "grid": plan.grid, "corner": name} for name, (x, y) in plan.corners().items()
    ]


def note_rows(grid: SimulatedGrid) -> list[dict[str, object]]:
    """Return the field notes of a grid: every line that is not plain walking, all lines where the plan says so."""
    rows = []
    several = {w.line for w in grid.recordings if w.run > 1}
    why = {e.line: e.what for e in grid.plan.events}
    for walk in grid.recordings:
        if not walk.noted:
            continue
        heading = {1: "out", -1: "back", 0: ""}[walk.heading]
        rows.append({
            "grid": grid.plan.grid, "line": walk.line, "run": walk.run if walk.line in several else "",
            "start_station": walk.first, "stop_station": walk.last,
            "position_m": walk.position_m if walk.kind == "tie" else "", "heading": heading, "kind": walk.kind,
            "comment": _remark(walk, why.get(walk.line, "")),
        })  # fmt: skip
    for event in grid.plan.events:
        if event.what in ("obstacle", "crossed"):
            rows.append({
                "grid": grid.plan.grid, "line": event.line, "start_station": event.station,
                "stop_station": event.stop, "kind": "obstacle", "comment": "spoil heap",
            })  # fmt: skip
    return rows


def _remark(walk: Recording, why: str) -> str:
    if why == "forgotten":
        return f"logger left at {walk.logged_first:g}, counting {'up' if walk.logged_step > 0 else 'down'}"
    texts = {
        "dummy": "to warm up and to close", "redo": "stumbled the first time, walked again",
        "void": "false start", "tie": "across the traverses", "base": "standing on the start peg",
    }  # fmt: skip
    if walk.kind in texts:
        return texts[walk.kind]
    return {"obstacle": "to and from the spoil heap", "crossed": "logger left on across the spoil heap"}.get(why, "")


def table(columns: Sequence[str], rows: Sequence[Mapping[str, object]]) -> str:
    """Return the rows as comma-separated text."""
    lines = [",".join(columns)]
    lines += [",".join(_cell(row.get(name, "")) for name in columns) for row in rows]
    return "\n".join(lines) + "\n"


def _cell(value: object) -> str:
    text = f"{value:g}" if isinstance(value, (int, float, np.number)) else str(value)
    return f'"{text}"' if "," in text else text
