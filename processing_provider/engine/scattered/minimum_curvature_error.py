"""How far a plate may be from the truth: noise of the readings, and the ground in the gaps between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from .empty_circles import room, to_nearest
from .minimum_curvature import Plate

THIRD = 3
"""Every third line is left out to see what lies between lines."""
STIFF = 0.54
"""How much of its own noise the curve at a reading takes on with no readings beside, against one with two."""
SHARED, ALONG = 4.0, 1.6
"""How many readings share the noise of a place besides the first: by their number on the squared distance to the
nearest, and along lines by that distance to the power 1.5. From plates on noise alone."""
AROUND = 2.0
"""Spacings over which left-out residuals are pooled."""
OVERALL = 0.1
"""What all residuals count against those around: a little, for they have most of their size from a few places."""


@dataclass(frozen=True)
class Doubt:
    """What a plate leaves open on its window, lengths in cells.

    Attributes
    ----------
    noise : (rows, cols) float32
        Variance of a value by that of a reading.
    room : (rows, cols) float32
        Between readings, as of ``room``.
    row, col : (m,) int
        Cells whose readings were left out.
    square, weight : (m,) float64
        Their squared residuals less what noise leaves of them, and the squares of the room they were left out from.
    """

    noise: np.ndarray
    room: np.ndarray
    row: np.ndarray
    col: np.ndarray
    square: np.ndarray
    weight: np.ndarray


def doubt_of(
    plate: Plate, down: np.ndarray, right: np.ndarray, label: np.ndarray, noise: float, side: float, widest: float
) -> Doubt:
    """Return what a plate leaves open.

    Parameters
    ----------
    plate : Plate
    down, right : (rows, cols) float32
        From each cell to the reading nearest to it, in cells; 0 where there is none in reach.
    label : (k,) int
        Number of the line that each held cell belongs to.
    noise : float
        Standard deviation of a reading.
    side, widest : float
        Distance between lines, and that from which on no other line is assumed, in cells.
    """
    held = plate.held
    own = _noise_of_held(plate, held)
    share = len(plate.cell) / max(np.count_nonzero((down != 0) | (right != 0) | held), 1)
    free = own.mean() * _noise_between(down * down + right * right, share)
    free.ravel()[plate.cell] = own
    between = room(down, right, held, widest)
    between.ravel()[plate.cell] = np.maximum(between.ravel()[plate.cell], plate.spread.sum(axis=0))
    out = label % THIRD == 1
    if not out.any() or out.all():
        return Doubt(free, between, *np.zeros((2, 0), int), *np.zeros((2, 0)))
    cell = plate.cell[out]
    held.ravel()[cell] = False
    down, right = to_nearest(held, widest)
    away = down.ravel()[cell] ** 2 + right.ravel()[cell] ** 2
    weight = np.square(room(down, right, held, widest).ravel()[cell], dtype=float)
    left = own[out] + own.mean() * _noise_between(away, share * np.mean(~out))
    square = plate.residuals(out) ** 2 - noise**2 * left
    # Where another line runs through the same ground, nothing was left out.
    known = away > (side / 2) ** 2
    row, col = np.divmod(cell[known], held.shape[1])
    return Doubt(free, between, row, col, square[known], weight[known])


def _noise_of_held(plate: Plate, held: np.ndarray) -> np.ndarray:
    """Return the variance of the values of held cells by that of a reading.

    A reading off the middle is carried there along a curve that leans on the reading itself.
    """
    around, width = np.pad(held, 1).ravel().astype(np.int8), held.shape[1] + 2
    row, col = np.divmod(plate.cell, held.shape[1])
    at = (row + 1) * width + col + 1
    own = 1.0
    for square, step in zip(plate.spread, (width, 1)):
        beside = around[at - step] + around[at + step]
        own = own - square * (STIFF + (1.0 - STIFF) / 2 * beside)
    return 1.0 / (plate.count * own**2)


def _noise_between(square: np.ndarray, share: float) -> np.ndarray:
    """Return how much of the variance of noise is left at squared distances from readings that a ``share`` of the cells
    have."""
    square = np.maximum(square, np.float32(1.0))
    others = np.minimum(np.float32(SHARED * share) * square, np.float32(ALONG) * square ** np.float32(0.75))
    return 1 / (1 + others)


def overall(doubts: Sequence[Doubt]) -> float:
    """Return the squared error by the squared room of all left-out readings together."""
    weight = sum(doubt.weight.sum() for doubt in doubts)
    return max(sum(doubt.square.sum() for doubt in doubts) / weight, 0.0) if weight > 0 else 0.0


def pooled(doubt: Doubt, side: float, usual: float) -> np.ndarray:
    """Return the squared error by the squared room in boxes ``side`` cells wide from the corner of the window on.

    The boxes beside count half, those at the corners a quarter; a tenth is ``usual``, and all where there is nothing.
    """
    from scipy.ndimage import convolve1d

    shape = tuple(int(np.ceil(cells / side)) for cells in doubt.room.shape)
    flat = ((doubt.row + 0.5) / side).astype(int) * shape[1] + ((doubt.col + 0.5) / side).astype(int)
    sums = [np.bincount(flat, column, shape[0] * shape[1]).reshape(shape) for column in (doubt.square, doubt.weight)]
    for axis in (0, 1):
        sums = [convolve1d(table, [0.5, 1.0, 0.5], axis=axis, mode="constant") for table in sums]
    square, weight = sums
    mean = np.where(weight > 0, np.maximum(square, 0.0) / np.where(weight > 0, weight, 1.0), usual)
    return (1.0 - OVERALL) * mean + OVERALL * usual


def between(table: np.ndarray, side: float, row0: int, row1: int, col0: int, col1: int) -> np.ndarray:
    """Return the values of a window's cells, ends left out, linear between the middles of boxes ``side`` cells wide."""
    for axis, (first, last) in enumerate(((row0, row1), (col0, col1))):
        place = np.clip((np.arange(first, last) + 0.5) / side - 0.5, 0.0, table.shape[axis] - 1.0)
        low = np.minimum(place.astype(int), max(table.shape[axis] - 2, 0))
        high = np.minimum(low + 1, table.shape[axis] - 1)
        share = (place - low)[:, None] if axis == 0 else place - low
        table = np.take(table, low, axis) * (1.0 - share) + np.take(table, high, axis) * share
    return table
