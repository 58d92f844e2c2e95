"""Rasters of surveys that are too large for one table: tile by tile, each from its own grids and those around it."""

from __future__ import annotations

from typing import Iterator, Optional, Sequence, Tuple

import numpy as np

from ..core import FULL_SCALE, PLACE, Blocks, EngineError, GridStore, Progress, Readings, concatenate, part_of
from ..geometry import BLOCK, BlockRaster, Lattice, block_window
from .along_lines import traverses_of
from .interpolate import (
    ON_TRAVERSES,
    GridSummary,
    RasterResult,
    figures_of,
    interpolate_readings,
    summary_of,
    usable_rows,
)
from .record import MapRecord

MOST_READINGS = 1_000_000
"""Of a table that is interpolated at once. Derived: it and its tables take about half a gigabyte."""
REACH_LINES = 20
"""Grids that near to a tile, in line spacings, continue its own. Derived: a line farther off weighs 2 - sqrt 3 = 0.268
times less for every line between (the decay of cubic splines through equidistant knots), 4e-12 in all."""

Window = Tuple[int, int, int, int]
"""First and last row and column, ends left out."""


def interpolate_grids(
    grids: GridStore,
    channel: str,
    lattice: Lattice,
    *,
    method: str = "cubic",
    max_gap_m: Optional[float] = None,
    most_readings: int = MOST_READINGS,
    progress: Progress = None,
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
    The values are those of the whole to rounding, where adjoining grids are not joined. Where they are, the noise, the
    error between lines and the line beyond the outer ones are estimated from the grids in and around a tile in place of
    all that are joined. Where only some grids lie on the same axes, by chance, others may be joined at the edge of
    a tile than in the whole, which moves values within three lines of a seam by up to 2 % of the step across it.
    Slivers between grids are closed up to half the least spacing around a tile. Methods for scattered points fit one
    model to all readings, so they take them all at once.
    """
    logged = [name for name, part in grids.items() if np.isfinite(part.channels[channel]).any()]
    if sum(grids.counts[name] for name in logged) <= most_readings or method not in ON_TRAVERSES:
        if not logged:
            raise EngineError(f"No reading of {channel} has a value, so there is nothing to interpolate.")
        table = concatenate([_slim(grids.get(name), channel) for name in logged])
        return interpolate_readings(table, channel, lattice, method=method, max_gap_m=max_gap_m, progress=progress)
    known, left_out, in_use = _survey(grids, logged, channel, method, part_of(progress, 0.0, 0.2))
    tiling = part_of(progress, 0.2, 1.0)
    values, errors = Blocks(grids.folder), Blocks(grids.folder)
    spacing = max(grid.spacing_m for grid in known)
    # Slivers between grids are closed with some cells around a window.
    around, reach = int(np.ceil(spacing / 2 / lattice.cell_m)) + 2, max(REACH_LINES * spacing, max_gap_m or 0.0)
    found = list(_tiles(known, lattice, most_readings, reach))
    for number, (window, names) in enumerate(found):
        within = part_of(tiling, number / len(found), (number + 1) / len(found))
        table = concatenate([_usable(grids.get(name), channel) for name in names])
        top, left = max(window[0] - around, 0), max(window[2] - around, 0)
        wide = top, min(window[1] + around, lattice.rows), left, min(window[3] + around, lattice.cols)
        result = interpolate_readings(
            table, channel, lattice.sub(wide), method=method, max_gap_m=max_gap_m, progress=within
        )
        _write_blocks(result, lattice, window, (top, left), values, errors)
    raster = BlockRaster(lattice, values)
    options = {"method": method, "max_gap_m": max_gap_m}
    record = MapRecord(options, figures_of(known, raster, in_use), tuple(left_out), channel)
    return RasterResult(raster, BlockRaster(lattice, errors), record)


def window_of(raster: BlockRaster, window: Window) -> np.ndarray:
    """Return the values of a window (row0, row1, col0, col1) of a raster; only its own blocks are looked at."""
    near = [start for start in raster.blocks if _overlap(block_window(raster.lattice, *start), window)]
    return BlockRaster(raster.lattice, {start: raster.blocks[start] for start in near}).window(*window)


def _overlap(one: Window, other: Window) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]


def _slim(part: Readings, channel: str) -> Readings:
    """Return the readings with no other columns than the map needs."""
    se = {name: part.se[name] for name in (channel, PLACE) if name in part.se}
    extras = {name: part.extras[name] for name in (channel + FULL_SCALE,) if name in part.extras}
    return part.replace(channels={channel: part.channels[channel]}, raw={}, se=se, extras=extras, units={})


def _usable(part: Readings, channel: str) -> Readings:
    """Return the readings that a map is made of."""
    return _slim(part, channel).take(usable_rows(part, channel))


def _survey(
    grids: GridStore, names: Sequence[str], channel: str, method: str, progress: Progress
) -> tuple[list[GridSummary], list[str], int]:
    """Return what is known of every grid, a sentence for each that has too few traverses, and readings in use."""
    known, left_out, in_use = [], [], 0
    for number, name in enumerate(names):
        if progress is not None:
            progress(number / len(names))
        part = grids.get(name)
        in_use += int(np.count_nonzero(part.in_use))
        table = _usable(part, channel)
        try:
            lines = traverses_of(table, np.arange(len(table)), channel, name, cubic=method != "linear")
        except EngineError as error:
            left_out.append(str(error))
            continue
        known.append(summary_of(lines))
    if not known:
        raise EngineError(" ".join(left_out))
    return known, left_out, in_use


def _tiles(
    known: Sequence[GridSummary], lattice: Lattice, most: int, reach: float
) -> Iterator[tuple[Window, list[str]]]:
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


def _write_blocks(
    result: RasterResult, lattice: Lattice, window: Window, corner: tuple[int, int], values: Blocks, errors: Blocks
) -> None:
    """Write the blocks of a window from a result whose first row and column on the lattice are the ``corner``."""
    top, left = corner
    for row in range(window[0], window[1], BLOCK):
        for col in range(window[2], window[3], BLOCK):
            row0, row1, col0, col1 = block_window(lattice, row, col)
            inside = row0 - top, row1 - top, col0 - left, col1 - left
            block = result.value_blocks.window(*inside)
            if np.isfinite(block).any():
                values[row, col], errors[row, col] = block, result.error_blocks.window(*inside)
