"""Writes all files that a walked survey leaves behind."""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path
from typing import Optional, Sequence

from .faults import Faults
from .layouts import layouts
from .logs import LOG_WRITERS
from .plans import GridPlan
from .site import SITE, Site
from .tables import CORNER_COLUMNS, NOTE_COLUMNS, REGISTER_COLUMNS, corner_rows, note_rows, register_row, table
from .walking import SEED, SimulatedGrid, simulate_grid


def write_survey(
    folder: Path,
    plans: Sequence[GridPlan],
    *,
    seed: int = SEED,
    faults: Optional[Faults] = None,
    site: Site = SITE,
) -> list[SimulatedGrid]:
    """Walk every grid and write logs, layouts, ``register.csv``, ``corners.csv`` and ``notes.csv``.

    Returns
    -------
    list of SimulatedGrid
        In the order of ``plans``: what a program must read from the files.
    """
    folder = Path(folder)
    grids = [simulate_grid(plan, seed=seed, faults=faults, site=site) for plan in plans]
    by_log: dict[str, list[SimulatedGrid]] = defaultdict(list)
    for grid in grids:
        by_log[grid.plan.log].append(grid)
    files = {name: "\n".join(LOG_WRITERS[g[0].plan.layout](g)) + "\n" for name, g in by_log.items()}
    for name in sorted({plan.layout for plan in plans}):
        files[f"layouts/{name}.json"] = json.dumps(layouts()[name], indent=2) + "\n"
    files["register.csv"] = table(REGISTER_COLUMNS, [register_row(plan) for plan in plans])
    files["notes.csv"] = table(NOTE_COLUMNS, [row for grid in grids for row in note_rows(grid)])
    files["corners.csv"] = table(CORNER_COLUMNS, [row for plan in plans for row in corner_rows(plan)])
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8"))
    return grids
