"""Rows of a processed survey's tables: grids, corners, traverses, and where a finding can be shown."""

from __future__ import annotations

import numpy as np

from ..balance import BalanceRecord
from ..core import FULL_SCALE, Finding, GridStore, Readings, Run, at_full_scale
from .maps import outline
from .process_survey import SurveyResult

HEADING_WORDS = {1: "out", -1: "back", 0: ""}
"""Derived: the words of ``HEADINGS`` in the notes, turned round."""


def grid_rows(result: SurveyResult) -> list[dict]:
    """Return a row a grid; ``geometry`` is the closed ring of its fitted corners."""
    rows = []
    for grid in result.grids:
        scheme, frame = grid.scheme, grid.fitted
        ring = list(zip(*(axis.tolist() for axis in outline(grid))))
        counts = result.corrected.get(grid.grid).flag_counts()
        used = counts.pop("in use", 0)
        rows.append(
            {
                "grid": grid.grid,
                "length_m": scheme.length_m,
                "width_m": scheme.width_m,
                "spacing_m": scheme.spacing_m,
                "readings_per_m": scheme.readings_per_m,
                "pattern": scheme.pattern,
                "bearing_deg": round(frame.bearing_deg, 4),
                "scale": round(frame.scale, 6),
                "mirrored": int(frame.mirrored),
                "largest_residual_m": round(frame.largest_residual_m, 4),
                "readings": used + sum(counts.values()),
                "in_use": used,
                "out_of_use": ", ".join(f"{n} {word}" for word, n in counts.items()),
                "findings": len(grid.findings),
                "walk_again": sum(f.walk_again for f in grid.findings),
                "comment": grid.source.entry.comment,
                "geometry": [*ring, ring[0]],
            }
        )
    return rows


def corner_rows(result: SurveyResult) -> list[dict]:
    """Return a row a surveyed corner, with its residual (fitted minus surveyed)."""
    return [
        {
            "grid": grid.grid,
            "corner": corner.corner,
            "residual_x_m": round(float(grid.fitted.residuals_m[corner.corner][0]), 4),
            "residual_y_m": round(float(grid.fitted.residuals_m[corner.corner][1]), 4),
            "geometry": [(corner.x, corner.y)],
        }
        for grid in result.grids
        for corner in grid.source.corners
    ]


def traverse_rows(result: SurveyResult) -> list[dict]:
    """Return a row a recording; ``geometry`` leads from its first to its last reading in use (None without two)."""
    rows = []
    kinds = {row.key: row.kind for grid in result.grids if grid.record for row in grid.record.table}
    offsets = _offsets(result)
    for _, table in result.corrected.items():
        for run in table.runs():
            key = (run.grid, run.line, run.run)
            own = {f"offset_{channel}": offsets.get((*key, channel), np.nan) for channel in result.rasters}
            rows.append({**_traverse_row(table, run), "kind": kinds[key], **own})
    return rows


def _traverse_row(table: Readings, run: Run) -> dict:
    used = run.rows[table.flag[run.rows] == 0]
    ends = used[[0, -1]] if len(used) > 1 else used[:0]
    return {
        "grid": run.grid,
        "line": run.line,
        "run": run.run,
        "heading": HEADING_WORDS[int(table.heading[run.rows[0]])],
        "readings": len(run.rows),
        "in_use": len(used),
        "u_m": _median(table.u_m[used]),
        "first_station": float(table.station[run.rows[0]]),
        "last_station": float(table.station[run.rows[-1]]),
        "start_s": float(table.time_s[run.rows[0]]),
        "stop_s": float(table.time_s[run.rows[-1]]),
        "length_m": float(np.hypot(np.ptp(table.x[ends]), np.ptp(table.y[ends]))) if len(ends) else np.nan,
        "geometry": list(zip(table.x[ends].tolist(), table.y[ends].tolist())) or None,
    }


def full_scale_rows(result: SurveyResult) -> list[dict]:
    """Return a row a mapped channel and reading in use that stands at an end of the channel's scale."""
    rows = []
    for name, table in result.corrected.items():
        for channel in result.rasters:
            for i in np.flatnonzero(at_full_scale(table, channel) & table.in_use & np.isfinite(table.x)).tolist():
                logged = table.raw.get(channel, table.channels[channel])
                rows.append(
                    {
                        "grid": name,
                        "line": int(table.line[i]),
                        "run": int(table.run[i]),
                        "seq": int(table.seq[i]),
                        "channel": channel,
                        "value": float(logged[i]),
                        "beyond": float(table.extras[channel + FULL_SCALE][i]),
                        "geometry": [(float(table.x[i]), float(table.y[i]))],
                    }
                )
    return rows


def finding_places(findings: tuple[Finding, ...], grids: GridStore) -> dict[tuple, tuple[float, float]]:
    """Return a map position by (grid, line, run) of each finding about a placed line: where it was started."""
    wanted = {(f.grid, f.line) for f in findings if f.line is not None}
    places: dict[tuple, tuple[float, float]] = {}
    for name in {grid for grid, _ in wanted} & set(grids.names):
        table = grids.get(name)
        for run in table.runs():
            placed = run.rows[np.isfinite(table.x[run.rows])]
            if len(placed) and (run.grid, run.line) in wanted:
                place = float(table.x[placed[0]]), float(table.y[placed[0]])
                places[run.grid, run.line, run.run] = place
                places.setdefault((run.grid, run.line, None), place)
    return places


def _offsets(result: SurveyResult) -> dict[tuple, float]:
    return {
        (row.grid, row.line, row.run, row.channel): row.offset
        for record in result.records
        if isinstance(record, BalanceRecord)
        for row in record.table
    }


def _median(values: np.ndarray) -> float:
    return float(np.median(values)) if len(values) else np.nan
