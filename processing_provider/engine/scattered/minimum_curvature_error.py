"""Standard error of a minimum-curvature surface: noise of the readings, and the signal between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from ..core import Progress, part_of
from .empty_circles import circle_power, to_nearest
from .minimum_curvature import MinimumCurvatureSurface

EVERY = 3
"""Every third line is left out to see what lies between lines. Derived: with every second one left out, those that
stay would be as far from each other as those left out; with every third, a line left out has both its neighbours."""
OWN_NOISE = 0.54
"""How much of its own noise the curve at a reading follows without readings beside it, against one with two.
Found by tests/calibration/scattered.py: 0.3 to 0.54 differ by 0.008 in the logarithmic score, in favour of less."""
POOLED_AREA, POOLED_ALONG = 4.0, 1.6
"""How many readings share the noise of a cell besides the first: by their number in the squared distance to the
nearest, and along lines by that distance to the power 1.5. Found by tests/calibration/scattered.py: 4 to 8, in favour
of more by 0.02 in the logarithmic score, and 1.6 to 3.2 alike; the smaller numbers claim less."""
POOL_SPACINGS = 2.0
"""Spacings over which left-out residuals are pooled. Found by tests/calibration/scattered.py: 1.5 and 2 are
alike, others worse."""
OVERALL_WEIGHT = 0.1
"""Weight of the mean of all residuals beside that of those around. Found by tests/calibration/scattered.py: less scores
better by up to 0.04, more worse; a tenth is kept for grids with few residuals."""


@dataclass(frozen=True)
class SurfaceError:
    """What the error of a surface is made of on its window, lengths in cells.

    Attributes
    ----------
    noise : (rows, cols) float32
        Variance of a value by that of a reading.
    power : (rows, cols) float32
        Of the cells in the widest empty circles, see ``circle_power``.
    row, col : (m,) int
        Cells whose readings were left out.
    square, weight : (m,) float64
        Their squared residuals less the part of noise, and the squared powers of the circles they were left out from.
    """

    noise: np.ndarray
    power: np.ndarray
    row: np.ndarray
    col: np.ndarray
    square: np.ndarray
    weight: np.ndarray


def surface_error(
    surface: MinimumCurvatureSurface,
    to_reading: tuple[np.ndarray, np.ndarray],
    label: np.ndarray,
    *,
    noise: float,
    side: float,
    widest: float,
    progress: Progress = None,
) -> SurfaceError:
    """Return what the error of a surface is made of.

    Parameters
    ----------
    surface : MinimumCurvatureSurface
    to_reading : two (rows, cols) float32
        From each cell down and right to the reading nearest to it, in cells; 0 where there is none in reach.
    label : (k,) int
        Number of the line that each held cell belongs to.
    noise : float
        Standard deviation of a reading.
    side, widest : float
        Distance between lines, and largest radius of an empty circle, in cells.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.
    """
    down, right = to_reading
    held = surface.held
    own = _noise_of_held(surface, held)
    held_fraction = len(surface.cell) / max(np.count_nonzero((down != 0) | (right != 0) | held), 1)
    free = own.mean() * _noise_between(down * down + right * right, held_fraction)
    free.ravel()[surface.cell] = own
    power = circle_power(down, right, held, widest, part_of(progress, 0.0, 0.2))
    power.ravel()[surface.cell] = np.maximum(power.ravel()[surface.cell], surface.spread.sum(axis=0))
    out = label % EVERY == 1
    if not out.any() or out.all():
        return SurfaceError(free, power, *np.zeros((2, 0), int), *np.zeros((2, 0)))
    cell = surface.cell[out]
    held.ravel()[cell] = False
    down, right = to_nearest(held, widest, part_of(progress, 0.2, 0.4))
    square_distance = down.ravel()[cell] ** 2 + right.ravel()[cell] ** 2
    around = circle_power(down, right, held, widest, part_of(progress, 0.4, 0.6))
    weight = np.square(around.ravel()[cell], dtype=float)
    noise_part = own[out] + own.mean() * _noise_between(square_distance, held_fraction * np.mean(~out))
    square = surface.residuals(out, part_of(progress, 0.6, 1.0)) ** 2 - noise**2 * noise_part
    # Where another line crosses there, nothing was left out.
    alone = square_distance > (side / 2) ** 2
    row, col = np.divmod(cell[alone], held.shape[1])
    return SurfaceError(free, power, row, col, square[alone], weight[alone])


def _noise_of_held(surface: MinimumCurvatureSurface, held: np.ndarray) -> np.ndarray:
    """Return the variance of the values of held cells by that of a reading.

    A reading off the middle of its cell is carried there along a curve that follows the reading itself.
    """
    beside_any, width = np.pad(held, 1).ravel().astype(np.int8), held.shape[1] + 2
    row, col = np.divmod(surface.cell, held.shape[1])
    at = (row + 1) * width + col + 1
    own = np.ones(len(at))
    for square, step in zip(surface.spread, (width, 1)):
        beside = beside_any[at - step] + beside_any[at + step]
        own = own - square * (OWN_NOISE + (1.0 - OWN_NOISE) / 2 * beside)
    return 1.0 / (surface.count * own**2)


def _noise_between(square: np.ndarray, held_fraction: float) -> np.ndarray:
    """Return the fraction of the variance of noise at squared distances from readings, which so many cells hold."""
    square = np.maximum(square, np.float32(1.0))
    others = np.minimum(
        np.float32(POOLED_AREA * held_fraction) * square, np.float32(POOLED_ALONG) * square ** np.float32(0.75)
    )
    return 1 / (1 + others)


def overall_rate(errors: Sequence[SurfaceError]) -> float:
    """Return the squared error by the squared power of the circle, of all left-out readings together."""
    weight = sum(error.weight.sum() for error in errors)
    return max(sum(error.square.sum() for error in errors) / weight, 0.0) if weight > 0 else 0.0


def pooled_rate(error: SurfaceError, side: float, overall: float) -> np.ndarray:
    """Return the squared error by the squared power, in boxes ``side`` cells wide from the corner of the window on.

    The boxes beside count half, those at the corners a quarter; ``OVERALL_WEIGHT`` is that of the ``overall`` rate,
    which stands where nothing was left out.
    """
    from scipy.ndimage import convolve1d

    shape = tuple(int(np.ceil(cells / side)) for cells in error.power.shape)
    flat = ((error.row + 0.5) / side).astype(int) * shape[1] + ((error.col + 0.5) / side).astype(int)
    sums = [np.bincount(flat, column, shape[0] * shape[1]).reshape(shape) for column in (error.square, error.weight)]
    for axis in (0, 1):
        sums = [convolve1d(table, [0.5, 1.0, 0.5], axis=axis, mode="constant") for table in sums]
    square, weight = sums
    mean = np.where(weight > 0, np.maximum(square, 0.0) / np.where(weight > 0, weight, 1.0), overall)
    return (1.0 - OVERALL_WEIGHT) * mean + OVERALL_WEIGHT * overall


def between_boxes(table: np.ndarray, side: float, window: tuple[int, int, int, int]) -> np.ndarray:
    """Return the values at the cells of a window (row0, row1, col0, col1), ends left out.

    Linear between the middles of boxes ``side`` cells wide.
    """
    for axis, (first, last) in enumerate((window[:2], window[2:])):
        position = np.clip((np.arange(first, last) + 0.5) / side - 0.5, 0.0, table.shape[axis] - 1.0)
        low = np.minimum(position.astype(int), max(table.shape[axis] - 2, 0))
        high = np.minimum(low + 1, table.shape[axis] - 1)
        weight = (position - low)[:, None] if axis == 0 else position - low
        table = np.take(table, low, axis) * (1.0 - weight) + np.take(table, high, axis) * weight
    return table
