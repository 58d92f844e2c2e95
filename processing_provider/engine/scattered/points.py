"""Scattered points: checks on their columns, the distance between them, and fewer of them."""

from __future__ import annotations

from typing import Sequence

import numpy as np

from ..core import ROUNDING, EngineError
from ..geometry import EDGE_M

SPARSE = 8
"""Whole numbers that reach this many times as far as there are of them are sorted, others counted. Derived: counting
passes over that many, sorting n some log2(n) times over n; both give the same, so the number changes no value."""
FULL = 3.0
"""Factor in the number of boxes, when their side is halved, from which on the points count as a plane. Derived: the
middle between 4, that of a plane, and 2, that of a line."""


def check_columns(names: Sequence[str], columns: Sequence[np.ndarray], least: int = 1) -> list[np.ndarray]:
    """Return the columns as float64 arrays if they are finite and equally long, else raise EngineError."""
    arrays = [np.asarray(column, dtype=float) for column in columns]
    shapes = ", ".join(f"{name} {array.shape}" for name, array in zip(names, arrays))
    if any(array.ndim != 1 or array.shape != arrays[0].shape for array in arrays):
        raise EngineError(f"Invalid columns: {shapes} were given. They must be columns of the same length.")
    if len(arrays[0]) < least:
        raise EngineError(f"Invalid number of readings: {len(arrays[0])} were given. At least {least} are needed.")
    for name, array in zip(names, arrays):
        bad = np.flatnonzero(~np.isfinite(array))
        if len(bad):
            raise EngineError(
                f"Invalid {name}: {len(bad)} of {len(array)} are no numbers, the first in row {bad[0] + 1}. "
                "Leave these rows out first."
            )
    return arrays


def spacing_of(points: np.ndarray) -> float:
    """Return the side in metres of the boxes from which on the points fill a plane.

    Parameters
    ----------
    points : (n, 2) float64
        Metres.

    Returns
    -------
    float
        About the distance between the lines for points that are dense along lines, about the mean distance between
        neighbours for points without lines.

    Notes
    -----
    Box counting: the number of occupied boxes falls with the side to the power 0 below the interval of the points,
    1 up to the spacing of the lines, 2 above it (B. Mandelbrot 1967, How long is the coast of Britain?, Science 156,
    doi 10.1126/science.156.3775.636, for the exponent as the dimension of a set).
    """
    extent = np.ptp(points, axis=0)
    side = max(np.sqrt(extent[0] * extent[1] / len(points)), extent.max() / len(points)) / 16
    counts = []
    while side < extent.max() / 2:
        counts.append(len(numbered(boxes_of(points, side))[1]))
        if len(counts) > 2 and counts[-3] >= FULL * counts[-1]:
            return side / np.sqrt(2)
        side *= np.sqrt(2)
    return max(side, EDGE_M)


def thinned(points: np.ndarray, side: float) -> np.ndarray:
    """Return the row numbers, rising, of one point a box: the one nearest to the middle of the box."""
    box = boxes_of(points, side)
    away = np.square((points - points.min(axis=0)) / side % 1 - 0.5).sum(axis=1)
    order = np.lexsort([away, box])
    _, first = np.unique(box[order], return_index=True)
    return np.sort(order[first])


def merged(x: np.ndarray, y: np.ndarray, z: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return x, y, z and error variance with one row a position.

    Readings closer than ``EDGE_M`` count with their mean, weighted by their error variances; those without error alone
    where there are any.
    """
    columns = np.round((x - x.min()) / EDGE_M).astype(np.int64), np.round((y - y.min()) / EDGE_M)
    _, first, index, count = np.unique(
        np.stack([columns[0], columns[1].astype(np.int64)], axis=1),
        axis=0,
        return_index=True,
        return_inverse=True,
        return_counts=True,
    )
    if len(first) == len(x):
        return x, y, z, error
    index = index.ravel()
    exact = np.bincount(index, error == 0)[index] > 0
    weight = np.where(exact, error == 0, 1 / np.where(error > 0, error, 1))
    total = np.bincount(index, weight)
    error = np.where(exact[first], 0.0, 1 / total)
    return x[first], y[first], np.bincount(index, weight * z) / total, error


def numbered(code: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the index of (n,) whole numbers from 0 on among those that occur, and the first row and count of each."""
    if code.max(initial=0) > SPARSE * len(code):
        _, first, index, count = np.unique(code, return_index=True, return_inverse=True, return_counts=True)
        return index.reshape(-1), first, count
    count = np.bincount(code)
    there = np.flatnonzero(count)
    table = np.empty(len(count), np.intp)
    # Of several rows with the same number the one written last stays.
    table[code[::-1]] = np.arange(len(code))[::-1]
    first = table[there]
    table[there] = np.arange(len(there))
    return table[code], first, count[there]


def boxes_of(points: np.ndarray, side: float) -> np.ndarray:
    """Return (n,) int64 numbers of the boxes that the points lie in."""
    column, row = np.floor((points - points.min(axis=0)) / side + ROUNDING).astype(np.int64).T
    return column * (row.max() + 1) + row
