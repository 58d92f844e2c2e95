"""From points scattered in any way to a raster: where there is ground around points, and what the methods say there."""

from __future__ import annotations

from typing import Callable, Iterator, Optional

import numpy as np

from ._choice import choose_variogram
from ._nearest import Nearest, tree_of
from ._order import line_order
from ._scatter import boxes_of, numbered, spacing_of
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
    table = readings if used.all() else readings.take(used)
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
    apart = []
    for grid in np.flatnonzero(np.bincount(table.grid)):
        u = table.u_m[table.grid == grid]
        tenths = np.rint(u * 10) if np.isfinite(u).all() else np.zeros(1)
        places = tenths[np.sort(numbered((tenths - tenths.min()).astype(np.int64))[1])]
        if 1 < len(places) < len(u) / 2:
            apart.append(np.median(np.diff(np.sort(places))) / 10)
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
    cells, nearest, distance = {}, [np.zeros(0, int)], [np.zeros(0)]
    for start, near, number, away in Nearest(points, lattice, gap_m).blocks():
        cells[start] = near
        nearest.append(number)
        distance.append(away)
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

    out = _labels(table, points, spacing) % THIRD == 1
    if not out.any() or out.all():
        return np.zeros(sum(map(len, cells.values())))
    left_in, told = points[~out], np.flatnonzero(out)
    # Readings close together tell the same.
    told = told[np.sort(numbered(boxes_of(points[told], spacing / 2))[1])]
    left_out, windows = points[told], []
    rest, group = np.full(len(told), np.nan), np.full(len(told), -1)
    for number, (blocks, window, plate) in enumerate(_plates(left_in, z[~out], lattice, cells, tension)):
        around = lattice.sub(window)
        windows.append((blocks, around))
        place = _place_in(around, left_out)
        inside = np.all([(p > 0) & (p < side - 1) for p, side in zip(place, around.shape)], axis=0)
        rest[inside] = z[told][inside] - map_coordinates(plate, [p[inside] for p in place], order=1)
        group[inside] = number
    away, _ = tree_of(left_in).query(left_out, workers=-1)
    known = np.isfinite(rest) & (away > spacing / 2)
    rough = np.where(known, rest**2 - variance[told], 0.0) / np.where(known, away, 1.0) ** (2 * POWER)
    overall = rough[known].mean() if known.any() else 0.0
    squares = {}
    for number, (blocks, around) in enumerate(windows):
        chosen = known & (group == number)
        pooled = _pooled(left_out[chosen], rough[chosen], around, AROUND * spacing, overall)
        for start in blocks:
            squares[start] = _between(pooled, around, AROUND * spacing, lattice.sub(block_window(lattice, *start)))
            squares[start] = squares[start].ravel()[cells[start]]
    return np.sqrt(np.concatenate([squares[start] for start in cells]))


def _place_in(lattice: Lattice, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return fractional rows and columns of (n, 2) map positions."""
    x, y = points.T
    return (lattice.y_max - y) / lattice.cell_m - 0.5, (x - lattice.x_min) / lattice.cell_m - 0.5


def _labels(table: Readings, points: np.ndarray, spacing: float) -> np.ndarray:
    """Return the place of each reading's line in its grid; without lines, a number by boxes a spacing wide."""
    if np.isfinite(table.u_m).all() and np.ptp(table.u_m) > 0:
        return np.rint(table.u_m / spacing).astype(int)
    row, col = np.floor((points - points.min(axis=0)) / spacing).astype(int).T
    return row + col


def _pooled(points: np.ndarray, values: np.ndarray, lattice: Lattice, side: float, overall: float) -> np.ndarray:
    """Return the mean of the values in and around each box of a lattice, a quarter drawn to ``overall``.

    The boxes beside count half, those at the corners a quarter.
    """
    from scipy.ndimage import convolve1d

    shape = tuple(int(np.ceil(cells * lattice.cell_m / side)) for cells in lattice.shape)
    row, col = (((p + 0.5) * lattice.cell_m / side).astype(int) for p in _place_in(lattice, points))
    flat = row * shape[1] + col
    sums, counts = (
        np.bincount(flat, weights, minlength=shape[0] * shape[1]).reshape(shape)
        for weights in (values, np.ones(len(values)))
    )
    for axis in (0, 1):
        sums, counts = (convolve1d(t, [0.5, 1.0, 0.5], axis=axis, mode="constant") for t in (sums, counts))
    mean = np.where(counts > 0, sums / np.where(counts > 0, counts, 1.0), overall)
    return np.maximum(0.75 * mean + 0.25 * overall, 0.0)


def _between(table: np.ndarray, around: Lattice, side: float, cells: Lattice) -> np.ndarray:
    """Return the values of all cells, linear between the middles of boxes of a lattice."""
    edges = (around.y_max - cells.y) / side, (cells.x - around.x_min) / side
    for axis, place in enumerate(edges):
        place = np.clip(place - 0.5, 0.0, max(table.shape[axis] - 1.0, 0.0))
        low = np.minimum(place.astype(int), max(table.shape[axis] - 2, 0))
        high = np.minimum(low + 1, table.shape[axis] - 1)
        share = (place - low)[:, None] if axis == 0 else place - low
        table = np.take(table, low, axis) * (1.0 - share) + np.take(table, high, axis) * share
    return table


def _together(points: np.ndarray, lattice: Lattice) -> np.ndarray:
    """Return how many readings lie in the cell of each."""
    place, _, count = numbered(boxes_of(points, lattice.cell_m))
    return count[place]


def _noise(table: Readings, points: np.ndarray, z: np.ndarray) -> float:
    """Return the standard deviation of a reading: along lines from second differences, else from near pairs."""
    if not np.isfinite(table.v_m).all():
        return _noise_of_pairs(points, z)
    order, run = line_order((table.grid, table.line, table.run), table.v_m)
    z = z[order]
    bent = (z[:-2] - 2 * z[1:-1] + z[2:])[run[2:] == run[:-2]]
    # Normal noise: 1.4826 median absolute deviations are a standard deviation, and second differences have sqrt(6).
    return float(1.4826 * np.median(np.abs(bent)) / np.sqrt(6)) if len(bent) else 0.0


def _noise_of_pairs(points: np.ndarray, z: np.ndarray) -> float:
    """Return the square root of a + b d^2, fitted to half the squared differences of neighbours, at no distance d.

    Smooth ground has a semivariance that begins with the square of the distance. Squared differences scatter as much as
    they are large, so they are weighted by the fit itself.
    """
    away, number = tree_of(points).query(points, min(PAIRS + 1, len(points)))
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
