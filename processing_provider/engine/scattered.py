"""From points scattered in any way to a raster: where there is ground around points, and what the methods say there."""

from __future__ import annotations

from typing import Callable, Iterator, Optional

import numpy as np

from ._choice import choose_variogram
from ._scatter import spacing_of
from .blocks import BLOCK, BlockRaster, block_window
from .curvature import minimum_curvature
from .errors import EngineError
from .kriging import ordinary_kriging
from .lattice import Lattice
from .readings import Readings
from .variogram import Variogram

METHODS = ("minimum curvature", "kriging")
LEAST_POINTS = 10
USUAL_GAP = 1.5
"""Largest distance from a reading in spacings, as between traverses."""
EDGE_M = 1e-6
THIRD = 3
"""Every third line is left out to see what lies between lines."""
POWER = 1.5
"""How the error of a plate grows with the distance from readings, at least."""
MARGIN = 2
"""Cells around the ground that a plate has besides."""
PAIRS, TURNS = 6, 20
"""Neighbours of a point that tell noise, and how often their fit is weighted anew."""
LEAST_SHARE = 1e-6
"""Noise is not told apart from none below this share of the variance."""
AROUND = 2.0
"""Spacings over which left-out residuals are pooled."""


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
    Kriging: the nugget counts as noise of the readings, and the variance is the kriging variance. Minimum curvature:
    the variance is that of a reading's noise by the number of readings in its cell, and the squared residual of a plate
    through two lines of three on the third, noise taken off, carried to each cell's distance from a reading with the
    power 1.5; points without lines are left out by boxes, and their noise is what near pairs differ by. To either comes
    the squared standard error that corrections left on the nearest reading, for all readings around share it with their
    line.
    """
    used = readings.in_use & np.isfinite(readings.x) & np.isfinite(readings.y) & np.isfinite(readings.channels[channel])
    if np.count_nonzero(used) < LEAST_POINTS:
        raise EngineError(
            f"{np.count_nonzero(used)} readings of {channel} have a place and a value and are in use; at least "
            f"{LEAST_POINTS} are needed. Check their flags."
        )
    table = readings.take(used)
    points, z = np.stack([table.x, table.y], axis=1), table.channels[channel]
    spacing = _spacing(table, points)
    gap_m = USUAL_GAP * spacing if max_gap_m is None else max_gap_m
    cells, nearest, away = _cells_near(points, lattice, gap_m)
    if method == "kriging":
        variogram = variogram or choose_variogram(*points.T, z, azimuth_rad=_azimuth(table))
        where = np.concatenate([_places(lattice, *item) for item in cells.items()] or [np.zeros((0, 2))])
        values, variance = ordinary_kriging(*points.T, z, *where.T, variogram, nugget_is_noise=True, progress=progress)
        told = {name: getattr(variogram, name) for name in ("model", "nugget", "psill", "range_m", "ratio")}
    else:
        noise = _noise(table, points, z)
        values = _plate_values(points, z, lattice, cells, tension, progress)
        left = noise**2 / _together(points, lattice)
        rough = _roughness(table, points, z, noise**2 + left, lattice, cells, tension, spacing)
        variance, told = left[nearest] + (rough * away**POWER) ** 2, {"noise": noise, "tension": tension}
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
    apart = [
        np.median(np.diff(places))
        for grid in np.unique(table.grid)
        for places in [np.unique(np.round(table.u_m[table.grid == grid], 1))]
        if np.isfinite(places).all() and 1 < len(places) < np.count_nonzero(table.grid == grid) / 2
    ]
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


def _cells_near(points: np.ndarray, lattice: Lattice, gap_m: float) -> tuple[dict, np.ndarray, np.ndarray]:
    """Return, by block, the flat numbers of the cells with a point within the gap; each cell's nearest point, and how
    far it is."""
    from scipy.spatial import cKDTree

    tree = cKDTree(points)
    side = BLOCK * lattice.cell_m
    col, row = np.floor((points - [lattice.x_min, lattice.y_max]) / [side, -side]).astype(int).T
    reach = int(np.ceil(gap_m / side))
    # Blocks that hold a point, and those around them as far as the gap reaches.
    around = np.stack(np.meshgrid(*[np.arange(-reach, reach + 1)] * 2), axis=-1).reshape(-1, 2)
    held = np.unique(np.stack([row, col], axis=1), axis=0)
    blocks = np.unique((held[:, None] + around).reshape(-1, 2), axis=0) * BLOCK
    cells, nearest, distance = {}, [np.zeros(0, int)], [np.zeros(0)]
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
            distance.append(away[near])
    return cells, np.concatenate(nearest), np.concatenate(distance)


def _plates(points, z, lattice: Lattice, cells: dict, tension: float, progress=None) -> Iterator[tuple]:
    """Yield the blocks of each group of grids, the window around their cells, and the plate on it."""
    for blocks in _groups(list(cells)):
        row, col = np.concatenate([_row_col(lattice, start, cells[start]) for start in blocks], axis=1)
        row0, row1 = max(row.min() - MARGIN, 0), min(row.max() + 1 + MARGIN, lattice.rows)
        col0, col1 = max(col.min() - MARGIN, 0), min(col.max() + 1 + MARGIN, lattice.cols)
        window = int(row0), int(row1), int(col0), int(col1)
        around = lattice.sub(window)
        yield blocks, window, minimum_curvature(*points.T, z, around, tension=tension, progress=progress)


def _plate_values(points, z, lattice: Lattice, cells: dict, tension: float, progress) -> np.ndarray:
    values = {}
    for blocks, (row0, _, col0, _), plate in _plates(points, z, lattice, cells, tension, progress):
        for start in blocks:
            row, col = _row_col(lattice, start, cells[start])
            values[start] = plate[row - row0, col - col0]
    return np.concatenate([values[start] for start in cells] or [np.zeros(0)])


def _groups(blocks: list[tuple[int, int]]) -> list[list[tuple[int, int]]]:
    """Return blocks that hang together, by edges or corners."""
    left, groups = set(blocks), []
    while left:
        group, edge = [], [left.pop()]
        while edge:
            row, col = edge.pop()
            group.append((row, col))
            around = {(row + BLOCK * i, col + BLOCK * j) for i in (-1, 0, 1) for j in (-1, 0, 1)} & left
            left -= around
            edge += around
        groups.append(sorted(group))
    return groups


def _roughness(
    table: Readings, points, z, variance, lattice: Lattice, cells: dict, tension: float, spacing: float
) -> np.ndarray:
    """Return, by cell, the residual of left-out lines by the power of their distance from the lines left in.

    ``variance`` of every reading is what noise alone would leave of the squared residual.
    """
    from scipy.ndimage import map_coordinates
    from scipy.spatial import cKDTree

    out = _labels(table, points, spacing) % THIRD == 1
    count = sum(map(len, cells.values()))
    if not out.any() or out.all():
        return np.zeros(count)
    left_out, rest = points[out], np.full(np.count_nonzero(out), np.nan)
    for _, window, plate in _plates(points[~out], z[~out], lattice, cells, tension):
        around = lattice.sub(window)
        place = (
            (around.y_max - left_out[:, 1]) / around.cell_m - 0.5,
            (left_out[:, 0] - around.x_min) / around.cell_m - 0.5,
        )
        inside = np.all([(p > 0) & (p < side - 1) for p, side in zip(place, around.shape)], axis=0)
        rest[inside] = z[out][inside] - map_coordinates(plate, [p[inside] for p in place], order=1)
    away, _ = cKDTree(points[~out]).query(left_out)
    known = np.isfinite(rest) & (away > spacing / 2)
    if not known.any():
        return np.zeros(count)
    rough = (rest[known] ** 2 - variance[out][known]) / away[known] ** (2 * POWER)
    middle, pooled = _pooled(left_out[known], rough, AROUND * spacing)
    where = np.concatenate([_places(lattice, *item) for item in cells.items()])
    near, number = cKDTree(middle).query(where, k=min(4, len(middle)))
    weight = 1.0 / (near.reshape(len(where), -1) ** 2 + spacing**2)
    return np.sqrt((weight * pooled[number.reshape(len(where), -1)]).sum(axis=1) / weight.sum(axis=1))


def _labels(table: Readings, points: np.ndarray, spacing: float) -> np.ndarray:
    """Return the place of each reading's line in its grid; without lines, a number by boxes a spacing wide."""
    if np.isfinite(table.u_m).all() and np.ptp(table.u_m) > 0:
        return np.rint(table.u_m / spacing).astype(int)
    row, col = np.floor((points - points.min(axis=0)) / spacing).astype(int).T
    return row + col


def _pooled(points: np.ndarray, values: np.ndarray, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the middles of boxes and the mean of their values, a quarter drawn to the mean of all."""
    row, col = np.floor((points - points.min(axis=0)) / side).astype(int).T
    _, box, count = np.unique(row * (col.max() + 1) + col, return_inverse=True, return_counts=True)
    box = box.reshape(-1)
    middle = np.stack([np.bincount(box, column) / count for column in points.T], axis=1)
    return middle, np.maximum(0.75 * np.bincount(box, values) / count + 0.25 * values.mean(), 0.0)


def _together(points: np.ndarray, lattice: Lattice) -> np.ndarray:
    """Return how many readings lie in the cell of each."""
    row, col = np.floor((points - points.min(axis=0)) / lattice.cell_m).astype(int).T
    _, cell, count = np.unique(row * (col.max() + 1) + col, return_inverse=True, return_counts=True)
    return count[cell.reshape(-1)]


def _noise(table: Readings, points: np.ndarray, z: np.ndarray) -> float:
    """Return the standard deviation of a reading: along lines from second differences, else from near pairs."""
    if not np.isfinite(table.v_m).all():
        return _noise_of_pairs(points, z)
    order = np.lexsort((table.v_m, table.run, table.line, table.grid))
    line = np.stack([table.grid, table.line, table.run])[:, order]
    same = np.all(line[:, 2:] == line[:, :-2], axis=0)
    bent = (z[order][:-2] - 2 * z[order][1:-1] + z[order][2:])[same]
    # Normal noise: 1.4826 median absolute deviations are a standard deviation, and second differences have sqrt(6).
    return float(1.4826 * np.median(np.abs(bent)) / np.sqrt(6)) if len(bent) else 0.0


def _noise_of_pairs(points: np.ndarray, z: np.ndarray) -> float:
    """Return the square root of a + b d^2, fitted to half the squared differences of neighbours, at no distance d.

    Smooth ground has a semivariance that begins with the square of the distance. Squared differences scatter as much as
    they are large, so they are weighted by the fit itself.
    """
    from scipy.spatial import cKDTree

    away, number = cKDTree(points).query(points, min(PAIRS + 1, len(points)))
    square, half = away[:, 1:].ravel() ** 2, ((z[number[:, 1:]] - z[:, None]) ** 2).ravel() / 2
    least = LEAST_SHARE * np.var(z)
    fitted = np.full(len(half), max(np.mean(half), np.finfo(float).tiny))
    for _ in range(TURNS):
        design = np.stack([np.ones(len(half)), square], axis=1) / fitted[:, None]
        nugget, slope = np.linalg.lstsq(design, half / fitted, rcond=None)[0]
        fitted = np.maximum(max(nugget, least) + max(slope, 0.0) * square, np.finfo(float).tiny)
    return float(np.sqrt(max(nugget, 0.0)))


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
