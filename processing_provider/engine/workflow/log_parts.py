"""Logs that hold several grids, and grids that are in several logs."""

from __future__ import annotations

from pathlib import Path
from typing import Collection, Sequence

import numpy as np

from ..core import EngineError, Readings, concatenate, registered_name


def part_of_grid(readings: Readings, grid: str, path: Path, register: Collection[str] = ()) -> Readings:
    """Return what a log has of a grid; all of it when the log does not name grids.

    A name that no grid of the register has, but that is this one's but for case and blanks, is this grid's.

    Raises
    ------
    EngineError
        When the log names grids, but not this one.
    """
    if any(readings.grids):
        free = [name for name in readings.grids if name not in register or name == grid]
        called = registered_name(grid, free)
        if called not in readings.grids:
            raise EngineError(
                f"{path.name} holds the grids {', '.join(filter(None, readings.grids))}, but not {grid}. "
                "Check the names in the register and in the log."
            )
        readings = readings.take(readings.grid == readings.grids.index(called))
    return readings.replace(grids=(grid,), grid=np.zeros(len(readings), np.int32))


def join_logs(parts: Sequence[Readings]) -> Readings:
    """Join logs; a line of a grid that comes again in a later log is a further recording of it."""
    if len(parts) == 1:
        return parts[0]
    joined: list[Readings] = []
    latest: dict[tuple[str, int], int] = {}
    for part in parts:
        run = part.run.copy()
        for grid, line in np.unique(np.stack([part.grid, part.line]), axis=1).T.tolist():
            mine, key = (part.grid == grid) & (part.line == line), (part.grids[grid], line)
            run[mine] += latest.get(key, 0)
            latest[key] = int(run[mine].max())
        joined.append(part.replace(run=run))
    return concatenate(joined)
