"""From points scattered in any way to a raster: which cells lie near points, their values and standard errors."""

from __future__ import annotations

from functools import partial
from typing import Mapping, Optional, Tuple

import numpy as np

from ..core import (
    FULL_SCALE,
    ROUNDING,
    EngineError,
    Progress,
    Readings,
    line_order,
    nearest_whole,
    noise_of_pairs,
    noise_of_runs,
    part_of,
)
from ..geometry import BlockRaster, Lattice, block_window
from .kriging import ordinary_kriging
from .minimum_curvature_blocks import surfaces_at_cells
from .nearest import Nearest
from .points import numbered, spacing_of
from .variogram import Variogram
from .variogram_selection import choose_variogram

METHODS = ("minimum curvature", "kriging")
Cells = Mapping[Tuple[int, int], np.ndarray]
"""By first row and column of a block, the flat numbers of cells in it."""
LEAST_POINTS = 10
"""Readings below which nothing is interpolated. Common practice, no source."""
GAP_SPACINGS = 1.5
"""Largest distance from a reading in spacings: a missing line is bridged, an obstacle stays a hole. Common practice, no
source. Derived: the middle of the gap of a missing line is one spacing from readings."""
NEAR, CHOICE = 0.05, 0.25
"""Fractions of the progress up to which cells near readings are found, and a variogram is chosen. Derived: measured on
64,000 readings and as many cells."""
TENTHS = 10
"""Lines are distinguished by their positions across in tenths of a metre. Common practice, no source."""


def interpolate_scattered(
    readings: Readings,
    channel: str,
    lattice: Lattice,
    *,
    method: str = "minimum curvature",
    max_gap_m: Optional[float] = None,
    tension: float = 0.25,
    variogram: Optional[Variogram] = None,
    progress: Progress = None,
) -> tuple[BlockRaster, BlockRaster, dict]:
    """Interpolate readings that need lie on no traverses onto a lattice.

    Parameters
    ----------
    readings : Readings
        With x and y; those that carry a flag, or have no value or position, are not used.
    channel : str
    lattice : Lattice
    method : {'minimum curvature', 'kriging'}
    max_gap_m : float, optional
        Cells farther than this from a reading in use are nodata; None = 1.5 times the distance between lines, or
        between neighbours of points without lines.
    tension : float
        Of the minimum-curvature surface.
    variogram : Variogram, optional
        Of kriging; None = the one that best predicts readings left out, its axis along the traverses if any.
    progress : callable, optional

    Returns
    -------
    values, standard errors : BlockRaster
    figures : dict

    Raises
    ------
    EngineError
        With fewer than ten readings, or equations that have no solution.

    Notes
    -----
    With kriging the nugget counts as noise of the readings. The variance of minimum curvature is that of noise, and
    that of the signal between readings as the surface without every third line shows it. To either is added the squared
    standard error that corrections left on the nearest reading, which all readings around have in common with their
    line. See ``docs/methods/minimum-curvature.md`` and ``docs/methods/kriging.md``.
    """
    table = _usable(readings, channel)
    points, z = np.stack([table.x, table.y], axis=1), table.channels[channel]
    spacing = _spacing(table, points)
    gap_m = GAP_SPACINGS * spacing if max_gap_m is None else max_gap_m
    cells, nearest = _cells_near(points, lattice, gap_m, part_of(progress, 0.0, NEAR))
    model_figures: dict[str, object]
    if method == "kriging":
        (x, y), centres, within = points.T, _centres(lattice, cells), part_of(progress, CHOICE, 1.0)
        choosing = part_of(progress, NEAR, CHOICE)
        variogram = variogram or choose_variogram(x, y, z, azimuth_rad=_azimuth(table), progress=choosing)
        values, variance = ordinary_kriging(x, y, z, *centres, variogram, nugget_is_noise=True, progress=within)
        model_figures = {name: getattr(variogram, name) for name in ("model", "nugget", "psill", "range_m", "ratio")}
    else:
        noise, side, within = _noise(table, points, z), max(spacing / lattice.cell_m, 1.0), part_of(progress, NEAR, 1.0)
        values, variance = surfaces_at_cells(
            points, z, partial(_labels, table.u_m, points, side * lattice.cell_m), lattice, cells, nearest,
            noise=noise, spacing=side, widest=GAP_SPACINGS * side, tension=tension, progress=within,
        )  # fmt: skip
        model_figures = {"noise": noise, "tension": tension}
    variance = variance + _variance_of_readings(table, channel)[nearest]
    figures = {
        "cells filled": len(values),
        "cells nodata": lattice.rows * lattice.cols - len(values),
        "readings used": len(table),
        "spacing_m": round(spacing, 6),
        **model_figures,
    }
    return _raster(lattice, cells, values), _raster(lattice, cells, np.sqrt(variance)), figures


def _variance_of_readings(table: Readings, channel: str) -> np.ndarray:
    """Return the variance (n,) that corrections left on readings, and of what the ground exceeds full scale by."""
    errors = table.se.get(channel), table.extras.get(channel + FULL_SCALE)
    return np.sum([np.zeros(len(table)), *(np.nan_to_num(error) ** 2 for error in errors if error is not None)], axis=0)


def _usable(readings: Readings, channel: str) -> Readings:
    """Return the readings in use that have a value and a position."""
    used = readings.in_use & np.isfinite(readings.x) & np.isfinite(readings.y) & np.isfinite(readings.channels[channel])
    if np.count_nonzero(used) < LEAST_POINTS:
        raise EngineError(
            f"{np.count_nonzero(used)} readings of {channel} have a position and a value and are in use; at least "
            f"{LEAST_POINTS} are needed. Check their flags."
        )
    return readings if used.all() else readings.take(used)


def _spacing(table: Readings, points: np.ndarray) -> float:
    """Return the distance between lines, or about that between neighbours of points without lines, metres."""
    spacings = []
    for grid in np.flatnonzero(np.bincount(table.grid)):
        u = table.u_m[table.grid == grid]
        if not np.isfinite(u).all():
            continue
        _, first, _ = _lines_at(u)
        if 1 < len(first) < len(u) / 2:
            spacings.append(np.median(np.diff(np.sort(u[first]))))
    return float(np.median(spacings)) if spacings else spacing_of(points)


def _azimuth(table: Readings) -> float:
    """Return the direction of the traverses, clockwise from map north; 0 where readings have no position along one."""
    known = np.isfinite(table.v_m)
    first = known & (table.grid == table.grid[known][0]) if known.any() else known
    if np.count_nonzero(first) < LEAST_POINTS or np.ptp(table.v_m[first]) == 0:
        return 0.0
    u, v = (column[first] - column[first].mean() for column in (table.u_m, table.v_m))
    design = np.stack([u, v], axis=1)
    along = [np.linalg.lstsq(design, column[first] - column[first].mean(), rcond=None)[0][1] for column in
             (table.x, table.y)]  # fmt: skip
    return float(np.arctan2(*along))


def _cells_near(points: np.ndarray, lattice: Lattice, gap_m: float, progress: Progress) -> tuple[Cells, np.ndarray]:
    """Return, by block, the flat numbers of the cells with a point within the gap; and each cell's nearest point."""
    cells: dict[tuple[int, int], np.ndarray] = {}
    nearest = [np.zeros(0, int)]
    for start, near, number, _ in Nearest(points, lattice, gap_m).blocks():
        if progress is not None:
            progress((start[0] * lattice.cols + start[1]) / (lattice.rows * lattice.cols))
        cells[start] = near
        nearest.append(number)
    return cells, np.concatenate(nearest)


def _lines_at(u: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the line (from 0) of readings at (n,) positions across, and the first row and count of each line."""
    steps = nearest_whole(u * TENTHS).astype(np.int64)
    return numbered(steps - steps.min())


def _labels(u: np.ndarray, points: np.ndarray, side: float, number: np.ndarray) -> np.ndarray:
    """Return the lines of readings, counted across; without lines, numbers by boxes a side wide."""
    u, points = u[number], points[number]
    if np.isfinite(u).all() and np.ptp(u) > 0:
        line, first, _ = _lines_at(u)
        return line if len(first) < len(line) / 2 else np.rint((u - u.min()) / side).astype(int)
    row, col = np.floor((points - points.min(axis=0)) / side + ROUNDING).astype(int).T
    return row + col


def _noise(table: Readings, points: np.ndarray, z: np.ndarray) -> float:
    """Return the standard deviation of a reading: along lines from second differences, else from near pairs."""
    if not np.isfinite(table.v_m).all():
        return noise_of_pairs(points, z)
    order, run = line_order((table.grid, table.line, table.run), table.v_m)
    return noise_of_runs(z[order], run)


def _centres(lattice: Lattice, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """Return x and y of the centres of all cells, block after block, map metres."""
    x, y = [np.zeros(0)], [np.zeros(0)]
    for (row0, col0), flat in cells.items():
        _, _, _, col1 = block_window(lattice, row0, col0)
        row, col = np.divmod(flat, col1 - col0)
        x.append(lattice.x[col + col0])
        y.append(lattice.y[row + row0])
    return np.concatenate(x), np.concatenate(y)


def _raster(lattice: Lattice, cells: Cells, values: np.ndarray) -> BlockRaster:
    """Return a raster with values at cells, block after block."""
    blocks, done = {}, 0
    for start, flat in cells.items():
        row0, row1, col0, col1 = block_window(lattice, *start)
        block = np.full((row1 - row0, col1 - col0), np.nan)
        block.ravel()[flat] = values[done : done + len(flat)]
        blocks[start] = block
        done += len(flat)
    return BlockRaster(lattice, blocks)
