"""The widest circles free of readings around cells: the error of a smooth interpolation grows with the power there."""

from __future__ import annotations

from typing import Iterator

import numpy as np

from ..core import Progress


def circle_power(
    down: np.ndarray, right: np.ndarray, held: np.ndarray, widest: float, progress: Progress = None
) -> np.ndarray:
    """Return the power R^2 - c^2 of each cell in the widest circle around it that is free of readings.

    Parameters
    ----------
    down, right : (rows, cols) float32
        From the middle of each cell to the reading nearest to it, in cells; 0 where there is none in reach.
    held : (rows, cols) bool
        Cells in which readings lie.
    widest : float
        Circles have radii up to this, in cells; beyond the outer readings this is how far the next one is assumed.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    (rows, cols) float32
        In squared cells; R the radius of the circle and c how far the cell is from its centre. Between two lines it is
        the product of the distances to both.

    Notes
    -----
    A plane through the corners of a triangle is wrong by at most (R^2 - c^2) / 2 times the largest second derivative
    of the field, with the circle through the corners: S. Waldron 1998, The error in linear interpolation at the
    vertices of a simplex, SIAM Journal on Numerical Analysis 35(3), 1191-1200 (from memory). The centres are
    middles of cells. Where the readings nearest to two neighbours lie on both sides of them, the circle through both
    readings counts too, for its centre is between the two cells.
    """
    square = down * down
    square += right * right
    out = np.where(square <= np.float32(widest**2), square, np.float32(0.0))
    for axis in (0, 1):
        before = out
        out = before.copy()
        for step in _steps(widest, axis, out.shape, progress):
            head, tail = _ends(axis, step)
            lower = before - np.float32(step**2)
            np.maximum(out[tail], lower[head], out=out[tail])
            np.maximum(out[head], lower[tail], out=out[head])
    np.maximum(out, square, out=out)
    for axis, ahead in enumerate((down, right)):
        _across(axis, ahead, square, held, out)
    return out


def to_nearest(held: np.ndarray, widest: float, progress: Progress = None) -> tuple[np.ndarray, np.ndarray]:
    """Return how far down and right of each cell the nearest held one is, (rows, cols) float32, in cells.

    0 where there is none within ``widest`` down or right.
    """
    square = np.where(held, np.float32(0.0), np.float32(np.inf))
    down, right = np.zeros((2, *held.shape), np.float32)
    for axis, ahead in enumerate((down, right)):
        first, along = square.copy(), down.copy()
        for step in _steps(widest, axis, held.shape, progress):
            for there, here in (_ends(axis, step), _ends(axis, step)[::-1]):
                way = step if there[axis].start else -step
                farther = first[there] + np.float32(step**2)
                nearer = farther < square[here]
                np.copyto(square[here], farther, where=nearer)
                np.copyto(ahead[here], np.float32(way), where=nearer)
                if axis:
                    np.copyto(down[here], along[there], where=nearer)
    return down, right


def _steps(widest: float, axis: int, shape: tuple[int, ...], progress: Progress) -> Iterator[int]:
    """Yield 1, 2, ... cells along one of the two axes, as far as a circle reaches."""
    count = min(int(np.ceil(widest)), shape[axis] - 1)
    for step in range(count):
        if progress is not None:
            progress((axis + step / count) / 2)
        yield step + 1


def _ends(axis: int, step: int) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Return all but the last and all but the first cells of an axis."""
    head, tail = [slice(None)] * 2, [slice(None)] * 2
    head[axis], tail[axis] = slice(None, -step), slice(step, None)
    return tuple(head), tuple(tail)


def _across(axis: int, ahead: np.ndarray, square: np.ndarray, held: np.ndarray, out: np.ndarray) -> None:
    """Raise ``out`` to what circles give whose centre lies between a cell and the next one along an axis."""
    this, following = _ends(axis, 1)
    distance = ahead[following] - ahead[this]
    distance += np.float32(1.0)
    # Readings less than half a cell from each other are on one side, and those in two held cells have others between
    # them.
    opposite = distance > 0.5
    opposite &= ~(held[this] & held[following])
    distance *= np.float32(2.0)
    twice = square[following] - square[this]
    twice += ahead[following]
    twice += ahead[following]
    twice += np.float32(1.0)
    # Twice how far the centre is towards the next cell; 0 leaves things as they are.
    distance[~opposite] = np.inf
    twice /= distance
    np.clip(twice, 0.0, 1.0, out=twice)
    twice += twice
    power = square[this] - twice * ahead[this]
    np.maximum(out[this], power, out=out[this])
    power += twice
    power -= np.float32(1.0)
    np.maximum(out[following], power, out=out[following])
