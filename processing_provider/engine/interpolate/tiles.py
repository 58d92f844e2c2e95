"""Rasters of surveys that are too large for one table: tile by tile, each from its own grids and those around it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Iterator, Optional, Sequence

import numpy as np

from ..core import PLACE, Blocks, EngineError, GridStore, Readings, concatenate
from ..geometry import BLOCK, BlockRaster, Lattice, block_window
from .along_lines import traverses_of
from .interpolate import ON_TRAVERSES, RasterResult, interpolate_readings
from .record import MapRecord

MOST_READINGS = 1_000_000
"""Of a table that is interpolated at once."""
REACH_LINES = 20
"""Grids that near to a tile, in line spacings, continue its own: a line farther off weighs 0.268 times less for every
line between (the decay of cubic splines through equidistant knots, 2 - sqrt 3), 4e-12 in all."""

Window = tuple  # row0, row1, col0, col1, ends left out


@dataclass(frozen=True)
class _Grid:
    """What is known of a grid's traverses: its bounds on the map, and figures."""

    name: str
    bounds: tuple[float, float, float, float]
    used: int
    ties: int
    spacing_m: float
    interval_m: float
    noise: float


def interpolate_grids(
    grids: GridStore,
    channel: str,
    lattice: Lattice,
    *,
    method: str = "cubic",
    max_gap_m: Optional[float] = None,
    most_readings: int = MOST_READINGS,
    progress: Optional[Callable[[float], None]] = None,
) -> RasterResult:
    """Interpolate the grids of a store that have a channel onto a lattice.

    Parameters
    ----------
    grids : GridStore
        Placed readings. Blocks of the raster that do not fit in memory go to its folder.
    channel, lattice, method, max_gap_m, progress
        As in ``interpolate_readings``.
    most_readings : int
        Surveys with more are interpolated in tiles of so many readings at most, those of grids around included, unless
        one block of the raster has more.

    Returns
    -------
    RasterResult

    Raises
    ------
    EngineError
        As ``interpolate_readings``.

    Notes
    -----
    The values are those of the whole to rounding, where grids are not joined to sheets. Where they are, the noise, the
    error between lines and how the ground goes on beyond the outer lines are told by the grids in and around a tile in
    place of the whole sheet. Where only some grids lie on the same axes, by chance, others may be joined at the edge of
    a tile than in the whole, which moves values within three lines of a seam by up to 2 % of the step across it.
    Slivers between grids are closed up to half the least spacing around a tile. Methods for scattered points fit one
    model to all readings, so they take them all at once.
    """
    logged = [name for name, part in grids.items() if np.isfinite(part.channels[channel]).any()]
    options = {"method": method, "max_gap_m": max_gap_m}
    if sum(grids.counts[name] for name in logged) <= most_readings or method not in ON_TRAVERSES:
        if not logged:
            raise EngineError(f"No reading of {channel} has a value, so there is nothing to interpolate.")
        table = concatenate([_slim(grids.get(name), channel) for name in logged])
        return interpolate_readings(table, channel, lattice, progress=progress, **options)
    known, left_out, in_use = _survey(grids, logged, channel, method)
    values, errors = Blocks(grids.folder), Blocks(grids.folder)
    spacing = max(grid.spacing_m for grid in known)
    around, reach = int(np.ceil(spacing / 2 / lattice.cell_m)) + 2, max(REACH_LINES * spacing, max_gap_m or 0.0)
    found = list(_tiles(known, lattice, most_readings, reach))
    for number, (window, names) in enumerate(found):
        if progress is not None:
            progress(number / len(found))
        table = concatenate([_usable(grids.get(name), channel) for name in names])
        _paint(table, channel, lattice, window, around, options, values, errors)
    painted = BlockRaster(lattice, values)
    record = MapRecord(options, _figures(known, painted, in_use), tuple(left_out), channel)
    return RasterResult(painted, BlockRaster(lattice, errors), record)


def window_of(raster: BlockRaster, window: Window) -> np.ndarray:
    """Return the values of a window (row0, row1, col0, col1) of a raster; only its own blocks are looked at."""
    near = [start for start in raster.blocks if _overlap(block_window(raster.lattice, *start), window)]
    return BlockRaster(raster.lattice, {start: raster.blocks[start] for start in near}).window(*window)


def _overlap(one: Window, other: Window) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]


def _slim(part: Readings, channel: str) -> Readings:
    """Return the readings with no other columns than the map needs."""
    se = {name: part.se[name] for name in (channel, PLACE) if name in part.se}
    return part.replace(channels={channel: part.channels[channel]}, raw={}, se=se, extras={}, units={})


def _usable(part: Readings, channel: str) -> Readings:
    """Return the readings that a map is made of."""
    usable = part.in_use
    for column in (part.channels[channel], part.u_m, part.v_m, part.x, part.y):
        usable = usable & np.isfinite(column)
    return _slim(part, channel).take(usable)


def _survey(grids: GridStore, names: Sequence[str], channel: str, method: str) -> tuple[list[_Grid], list[str], int]:
    """Return what is known of every grid, a sentence for each that has too few traverses, and readings in use."""
    known, left_out, in_use = [], [], 0
    for name in names:
        part = grids.get(name)
        in_use += int(np.count_nonzero(part.in_use))
        table = _usable(part, channel)
        try:
            lines = traverses_of(table, np.arange(len(table)), channel, name, cubic=method != "linear")
        except EngineError as error:
            left_out.append(str(error))
            continue
        figures = len(lines.x), lines.ties, lines.spacing_m, lines.interval_m, lines.reading_noise
        known.append(_Grid(name, lines.bounds, *figures))
    if not known:
        raise EngineError(" ".join(left_out))
    return known, left_out, in_use


def _tiles(known: Sequence[_Grid], lattice: Lattice, most: int, reach: float) -> Iterator[tuple[Window, list[str]]]:
    """Yield windows of whole blocks that hold all grids, and the names of the grids within ``reach`` metres of each."""
    bounds, used = np.array([grid.bounds for grid in known]), np.array([grid.used for grid in known])
    waiting = [(0, lattice.rows, 0, lattice.cols)]
    while waiting:
        row0, row1, col0, col1 = window = waiting.pop()
        x_min, y_min, x_max, y_max = lattice.sub(window).extent
        away = np.max([x_min - bounds[:, 2], bounds[:, 0] - x_max, y_min - bounds[:, 3], bounds[:, 1] - y_max], axis=0)
        if not (away <= 0).any():
            continue
        near = away <= reach
        down, across = row1 - row0, col1 - col0
        if used[near].sum() <= most or max(down, across) <= BLOCK:
            yield window, [grid.name for grid, chosen in zip(known, near) if chosen]
        elif down >= across:
            middle = row0 + -(-down // (2 * BLOCK)) * BLOCK
            waiting += [(middle, row1, col0, col1), (row0, middle, col0, col1)]
        else:
            middle = col0 + -(-across // (2 * BLOCK)) * BLOCK
            waiting += [(row0, row1, middle, col1), (row0, row1, col0, middle)]


def _paint(table: Readings, channel: str, lattice: Lattice, window: Window, around: int, options: dict, values, errors):
    """Put the blocks of a window in their places; slivers between grids show only with some cells ``around`` it."""
    top, left = max(window[0] - around, 0), max(window[2] - around, 0)
    wide = top, min(window[1] + around, lattice.rows), left, min(window[3] + around, lattice.cols)
    found = interpolate_readings(table, channel, lattice.sub(wide), **options)
    for row in range(window[0], window[1], BLOCK):
        for col in range(window[2], window[3], BLOCK):
            row0, row1, col0, col1 = block_window(lattice, row, col)
            inside = row0 - top, row1 - top, col0 - left, col1 - left
            block = found.value_blocks.window(*inside)
            if np.isfinite(block).any():
                values[row, col], errors[row, col] = block, found.error_blocks.window(*inside)


def _figures(known: Sequence[_Grid], painted: BlockRaster, in_use: int) -> dict:
    filled = sum(int(np.count_nonzero(np.isfinite(block))) for block in painted.blocks.values())
    return {
        "cells filled": filled,
        "cells nodata": painted.lattice.rows * painted.lattice.cols - filled,
        "readings used": sum(grid.used for grid in known),
        "readings of tie lines left out": sum(grid.ties for grid in known),
        "readings in use": in_use,
        "grids": len(known),
        "spacing_m": round(float(np.median([grid.spacing_m for grid in known])), 6),
        "interval_m": round(float(np.median([grid.interval_m for grid in known])), 6),
        "noise": float(np.median([grid.noise for grid in known])),
    }
