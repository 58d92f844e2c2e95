"""From points scattered in any way to a raster: where there is ground around points, and what the methods say there."""

from __future__ import annotations

from functools import partial
from typing import Callable, Optional

import numpy as np

from ..core import EngineError, Readings, line_order, noise_of_pairs, noise_of_runs
from ..geometry import BlockRaster, Lattice, block_window
from .kriging import ordinary_kriging
from .minimum_curvature_blocks import on_plates
from .nearest import Nearest
from .points import numbered, spacing_of
from .variogram import Variogram
from .variogram_selection import choose_variogram

METHODS = ("minimum curvature", "kriging")
LEAST_POINTS = 10
USUAL_GAP = 1.5
"""Largest distance from a reading in spacings, as between traverses."""


def interpolate_scattered(
    readings: Readings,
    channel: str,
    lattice: Lattice,
    *,
    method: str = "minimum curvature",
    max_gap_m: Optional[float] = None,
    tension: float = 0.25,
    variogram: Optional[Variogram] = None,
    progress: Optional[Callable[[float], None]] = None,
) -> tuple[BlockRaster, BlockRaster, dict]:
    """Interpolate readings that need lie on no traverses onto a lattice.

    Parameters
    ----------
    readings : Readings
        With x and y; those that carry a flag, lack a value or a place are not used.
    channel : str
    lattice : Lattice
    method : {'minimum curvature', 'kriging'}
    max_gap_m : float, optional
        Cells farther than this from a reading in use are nodata; None = 1.5 times the distance between lines, or
        between neighbours of points without lines.
    tension : float
        Of the plate of minimum curvature.
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
    Kriging: the nugget counts as noise of the readings, and the variance is the kriging variance.

    Minimum curvature: the variance is that of noise and that of ground between readings. With s^2 the variance of a
    reading and lengths in cells, a cell with n readings has the noise v = s^2 / n / (1 - p_r q_r - p_c q_c)^2, p the
    mean square of how far down or aside of its middle they lie, and q 0.54, 0.77 or 1 with none, one or both of the
    cells beside that way held too. An empty cell d >= 1 from a reading has the mean of v by
    1 + min(4 h d^2, 1.6 d^1.5), h the share of the cells in reach that hold readings. The error of the ground grows
    with R^2 - c^2 of the widest circle around a cell that is free of readings, c from its centre; between two lines
    that is the product of the distances to both, and beyond the outer ones R is 1.5 spacings at most. In a cell with
    readings it is p_r + p_c at least. How fast it grows is told by the plate without every third line (points without
    lines: every third diagonal of boxes a spacing wide): the sum of squared residuals less noise by that of squares of
    R^2 - c^2 in the gaps left, over boxes two spacings wide, those beside counting half; nine tenths of that, and one
    tenth of the same over all.

    To either comes the squared standard error that corrections left on the nearest reading, for all readings around
    share it with their line.
    """
    used = readings.in_use & np.isfinite(readings.x) & np.isfinite(readings.y) & np.isfinite(readings.channels[channel])
    if np.count_nonzero(used) < LEAST_POINTS:
        raise EngineError(
            f"{np.count_nonzero(used)} readings of {channel} have a place and a value and are in use; at least "
            f"{LEAST_POINTS} are needed. Check their flags."
        )
    table = readings if used.all() else readings.take(used)
    points, z = np.stack([table.x, table.y], axis=1), table.channels[channel]
    spacing = _spacing(table, points)
    gap_m = USUAL_GAP * spacing if max_gap_m is None else max_gap_m
    cells, nearest = _cells_near(points, lattice, gap_m)
    if method == "kriging":
        variogram = variogram or choose_variogram(*points.T, z, azimuth_rad=_azimuth(table))
        where = np.concatenate([_places(lattice, *item) for item in cells.items()] or [np.zeros((0, 2))])
        values, variance = ordinary_kriging(*points.T, z, *where.T, variogram, nugget_is_noise=True, progress=progress)
        told = {name: getattr(variogram, name) for name in ("model", "nugget", "psill", "range_m", "ratio")}
    else:
        noise, spaced = _noise(table, points, z), max(spacing / lattice.cell_m, 1.0)
        label = partial(_labels, table.u_m, points, spaced * lattice.cell_m)
        given = {"noise": noise, "spacing": spaced, "widest": USUAL_GAP * spaced, "tension": tension}
        values, variance = on_plates(points, z, label, lattice, cells, nearest, **given, progress=progress)
        told = {"noise": noise, "tension": tension}
    if channel in table.se:
        variance = variance + np.nan_to_num(table.se[channel][nearest]) ** 2
    figures = {
        "cells filled": len(values),
        "cells nodata": lattice.rows * lattice.cols - len(values),
        "readings used": len(table),
        "spacing_m": round(spacing, 6),
        **told,
    }
    painted, errors = (_painted(lattice, cells, column) for column in (values, np.sqrt(variance)))
    return painted, errors, figures


def _spacing(table: Readings, points: np.ndarray) -> float:
    """Return the distance between lines, or about that between neighbours of points without lines, metres."""
    apart = []
    for grid in np.flatnonzero(np.bincount(table.grid)):
        u = table.u_m[table.grid == grid]
        tenths = np.rint(u * 10) if np.isfinite(u).all() else np.zeros(1)
        places = u[numbered((tenths - tenths.min()).astype(np.int64))[1]]
        if 1 < len(places) < len(u) / 2:
            apart.append(np.median(np.diff(np.sort(places))))
    return float(np.median(apart)) if apart else spacing_of(points)


def _azimuth(table: Readings) -> float:
    """Return the direction of the traverses, clockwise from map north; 0 where readings have no place along one."""
    known = np.isfinite(table.v_m)
    first = known & (table.grid == table.grid[known][0]) if known.any() else known
    if np.count_nonzero(first) < LEAST_POINTS or np.ptp(table.v_m[first]) == 0:
        return 0.0
    u, v = (column[first] - column[first].mean() for column in (table.u_m, table.v_m))
    design = np.stack([u, v], axis=1)
    along = [np.linalg.lstsq(design, column[first] - column[first].mean(), rcond=None)[0][1] for column in
             (table.x, table.y)]  # fmt: skip
    return float(np.arctan2(*along))


def _cells_near(points: np.ndarray, lattice: Lattice, gap_m: float) -> tuple[dict, np.ndarray]:
    """Return, by block, the flat numbers of the cells with a point within the gap; and each cell's nearest point."""
    cells, nearest = {}, [np.zeros(0, int)]
    for start, near, number, _ in Nearest(points, lattice, gap_m).blocks():
        cells[start] = near
        nearest.append(number)
    return cells, np.concatenate(nearest)


def _labels(u: np.ndarray, points: np.ndarray, side: float, number: np.ndarray) -> np.ndarray:
    """Return the lines of readings, counted across; without lines, numbers by boxes a side wide."""
    u, points = u[number], points[number]
    if np.isfinite(u).all() and np.ptp(u) > 0:
        tenths = np.rint(u * 10).astype(np.int64)
        place, first, _ = numbered(tenths - tenths.min())
        return place if len(first) < len(place) / 2 else np.rint((u - u.min()) / side).astype(int)
    row, col = np.floor((points - points.min(axis=0)) / side).astype(int).T
    return row + col


def _noise(table: Readings, points: np.ndarray, z: np.ndarray) -> float:
    """Return the standard deviation of a reading: along lines from second differences, else from near pairs."""
    if not np.isfinite(table.v_m).all():
        return noise_of_pairs(points, z)
    order, run = line_order((table.grid, table.line, table.run), table.v_m)
    return noise_of_runs(z[order], run)


def _row_col(lattice: Lattice, start: tuple[int, int], flat: np.ndarray) -> np.ndarray:
    """Return the (2, n) rows and columns on the lattice of cells of a block."""
    _, _, col0, col1 = block_window(lattice, *start)
    return np.stack(np.divmod(flat, col1 - col0)) + np.array(start)[:, None]


def _places(lattice: Lattice, start: tuple[int, int], flat: np.ndarray) -> np.ndarray:
    """Return the (n, 2) centres of cells of a block, map metres."""
    row, col = _row_col(lattice, start, flat)
    return np.stack([lattice.x[col], lattice.y[row]], axis=1)


def _painted(lattice: Lattice, cells: dict, values: np.ndarray) -> BlockRaster:
    blocks, done = {}, 0
    for start, flat in cells.items():
        row0, row1, col0, col1 = block_window(lattice, *start)
        block = np.full((row1 - row0, col1 - col0), np.nan)
        block.ravel()[flat] = values[done : done + len(flat)]
        blocks[start] = block
        done += len(flat)
    return BlockRaster(lattice, blocks)
