"""From points scattered in any way to a raster: where there is ground around points, and what the methods say there."""

from __future__ import annotations

from typing import Callable, Optional

import numpy as np

from ._choice import choose_variogram
from ._scatter import spacing_of
from .blocks import BLOCK, BlockRaster, block_window
from .errors import EngineError
from .kriging import ordinary_kriging
from .lattice import Lattice
from .readings import Readings
from .variogram import Variogram

METHODS = ("kriging",)
LEAST_POINTS = 10
USUAL_GAP = 1.5
"""Largest distance from a reading in spacings, as between traverses."""
EDGE_M = 1e-6


def interpolate_scattered(
    readings: Readings,
    channel: str,
    lattice: Lattice,
    *,
    max_gap_m: Optional[float] = None,
    variogram: Optional[Variogram] = None,
    progress: Optional[Callable[[float], None]] = None,
) -> tuple[BlockRaster, BlockRaster, dict]:
    """Krige readings that need lie on no traverses onto a lattice.

    Parameters
    ----------
    readings : Readings
        With x and y; those that carry a flag, lack a value or a place are not used.
    channel : str
    lattice : Lattice
    max_gap_m : float, optional
        Cells farther than this from a reading in use are nodata; None = 1.5 times the distance between lines, or
        between neighbours of points without lines.
    variogram : Variogram, optional
        None = the one that best predicts readings left out, with its axis along the traverses where there are any.
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
    The nugget counts as noise of the readings. To the kriging variance comes the squared standard error that
    corrections left on the nearest reading, for all readings around share it with their line.
    """
    used = readings.in_use & np.isfinite(readings.x) & np.isfinite(readings.y) & np.isfinite(readings.channels[channel])
    if np.count_nonzero(used) < LEAST_POINTS:
        raise EngineError(
            f"{np.count_nonzero(used)} readings of {channel} have a place and a value and are in use; at least "
            f"{LEAST_POINTS} are needed. Check their flags."
        )
    table = readings.take(used)
    points, z = np.stack([table.x, table.y], axis=1), table.channels[channel]
    gap_m = USUAL_GAP * spacing_of(points) if max_gap_m is None else max_gap_m
    cells, nearest = _cells_near(points, lattice, gap_m)
    where = np.concatenate([_places(lattice, start, flat) for start, flat in cells.items()] or [np.zeros((0, 2))])
    variogram = variogram or choose_variogram(*points.T, z, azimuth_rad=_azimuth(table))
    values, variance = ordinary_kriging(*points.T, z, *where.T, variogram, nugget_is_noise=True, progress=progress)
    if channel in table.se:
        variance = variance + np.nan_to_num(table.se[channel][nearest]) ** 2
    figures = {
        "cells filled": len(where),
        "cells nodata": lattice.rows * lattice.cols - len(where),
        "readings used": len(table),
        "spacing_m": round(gap_m / USUAL_GAP, 6) if max_gap_m is None else None,
        "variogram": variogram.model, "nugget": variogram.nugget, "psill": variogram.psill,
        "range_m": variogram.range_m, "ratio": variogram.ratio,
    }  # fmt: skip
    painted, errors = (_painted(lattice, cells, column) for column in (values, np.sqrt(variance)))
    return painted, errors, figures


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
    """Return, by block, the flat numbers of the cells with a point within the gap, and each cell's nearest point."""
    from scipy.spatial import cKDTree

    tree = cKDTree(points)
    side = BLOCK * lattice.cell_m
    col, row = np.floor((points - [lattice.x_min, lattice.y_max]) / [side, -side]).astype(int).T
    reach = int(np.ceil(gap_m / side))
    # Blocks that hold a point, and those around them as far as the gap reaches.
    around = np.stack(np.meshgrid(*[np.arange(-reach, reach + 1)] * 2), axis=-1).reshape(-1, 2)
    held = np.unique(np.stack([row, col], axis=1), axis=0)
    blocks = np.unique((held[:, None] + around).reshape(-1, 2), axis=0) * BLOCK
    cells, nearest = {}, []
    for start in map(tuple, blocks.tolist()):
        if not (0 <= start[0] < lattice.rows and 0 <= start[1] < lattice.cols):
            continue
        row0, row1, col0, col1 = block_window(lattice, *start)
        every = np.arange((row1 - row0) * (col1 - col0))
        away, number = tree.query(_places(lattice, start, every), distance_upper_bound=gap_m + EDGE_M)
        near = np.isfinite(away)
        if near.any():
            cells[start] = every[near]
            nearest.append(number[near])
    return cells, np.concatenate(nearest) if nearest else np.zeros(0, int)


def _places(lattice: Lattice, start: tuple[int, int], flat: np.ndarray) -> np.ndarray:
    """Return the (n, 2) centres of cells of a block, map metres."""
    row0, _, col0, col1 = block_window(lattice, *start)
    row, col = np.divmod(flat, col1 - col0)
    return np.stack([lattice.x[col0 + col], lattice.y[row0 + row]], axis=1)


def _painted(lattice: Lattice, cells: dict, values: np.ndarray) -> BlockRaster:
    blocks, done = {}, 0
    for start, flat in cells.items():
        row0, row1, col0, col1 = block_window(lattice, *start)
        block = np.full((row1 - row0, col1 - col0), np.nan)
        block.ravel()[flat] = values[done : done + len(flat)]
        blocks[start] = block
        done += len(flat)
    return BlockRaster(lattice, blocks)
