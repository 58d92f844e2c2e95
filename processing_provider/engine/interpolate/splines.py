"""Cubic splines through many pieces of data at once: one tridiagonal system, uncoupled between the pieces."""

from __future__ import annotations

from typing import Sequence, Tuple, Union

import numpy as np

CHUNK = 32768
"""Values at a time. Derived: 256 kB in double precision, which stay in a processor's second cache."""


Block = Union[Tuple[slice, slice], Tuple[np.ndarray, ...]]
"""Index of some rows and columns of a table."""


def second_derivatives(x: np.ndarray, z: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return the second derivatives at the knots of cubic splines through pieces that stand one after the other.

    Parameters
    ----------
    x : (n,) float64
        Knots, strictly growing within a piece.
    z : (..., n) float64
        Values at the knots.
    first : (n,) bool
        True at the first knot of every piece.

    Returns
    -------
    (..., n) float64
        Zero in pieces of one or two knots (a constant, a straight line).

    Notes
    -----
    End condition: the first and last interval are parabolas. A natural end would flatten the map along its edge,
    a not-a-knot end triples the noise half a line beyond it; the parabola is exact to second degree and doubles it.

    References
    ----------
    C. de Boor, A Practical Guide to Splines, Springer 1978, chapter IV (the system of second derivatives).
    """
    from scipy.linalg import solveh_banded

    n = len(x)
    # The solver goes along pieces that lie one after the other in memory, and leaves its result in their place.
    if n < 3:
        return np.zeros(z.shape)
    rhs = np.empty(z.shape)
    joined = ~first[1:]
    h = np.where(joined, x[1:] - x[:-1], 1.0)
    inner = np.zeros(n, bool)
    inner[1:-1] = joined[:-1] & joined[1:]
    # A parabola at the end means that the end's unknown equals its neighbour's, so it joins the diagonal.
    sides = h[:-1] * (3.0 - inner[:-2]) + h[1:] * (3.0 - inner[2:])
    bands = np.zeros((2, n))
    bands[0] = 1.0
    bands[0, 1:-1] = np.where(inner[1:-1], sides / 6.0, 1.0)
    bands[1, :-1] = h / 6.0 * (inner[:-1] & inner[1:])
    secant = z[..., 1:] - z[..., :-1]
    secant *= 1.0 / h
    np.subtract(secant[..., 1:], secant[..., :-1], out=rhs[..., 1:-1])
    rhs[..., np.flatnonzero(~inner)] = 0.0
    curvature = solveh_banded(bands, rhs.T, overwrite_ab=True, overwrite_b=True, lower=True, check_finite=False).T
    starts, ends = np.flatnonzero(joined & ~inner[:-1]), np.flatnonzero(joined & ~inner[1:]) + 1
    curvature[..., starts] = curvature[..., starts + 1]
    curvature[..., ends] = curvature[..., ends - 1]
    return curvature


def knot_slopes(x: np.ndarray, z: np.ndarray, curvature: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return the first derivatives at the knots of the splines of ``second_derivatives``; (n,) each.

    Zero in pieces of one knot.
    """
    slope = np.zeros_like(z)
    joined = ~first[1:]
    h = np.where(joined, np.diff(x), 1.0)
    secant = np.diff(z) / h
    last = np.append(first[1:], True) & ~first
    slope[1:][last[1:]] = (secant + h * (curvature[:-1] + 2 * curvature[1:]) / 6)[last[1:]]
    slope[:-1][joined] = (secant - h * (2 * curvature[:-1] + curvature[1:]) / 6)[joined]
    return slope


def row_curvatures(x: np.ndarray, tables: Sequence[np.ndarray], known: np.ndarray, *, breaks: bool) -> list[np.ndarray]:
    """Return the second derivatives of splines along the rows of tables, each through its known values.

    Parameters
    ----------
    x : (rows, n) float64
        Knots, growing along each row.
    tables : sequence of (rows, n) float64
    known : (rows, n) bool
    breaks : bool
        A missing value ends a spline; else the spline passes over it.

    Returns
    -------
    list of (rows, n) float64
        0 where a value is missing.
    """
    out = [np.zeros_like(table) for table in tables]
    # Most rows lack the same values and share their knots: one factorisation serves them all.
    common = len(known) // 2
    alike = (known == known[common]).all(axis=1)
    if x.strides[0]:
        alike &= (x == x[common]).all(axis=1)
    knots = np.flatnonzero(known[common])
    if len(knots):
        first = np.append(True, np.diff(knots) > 1) if breaks else np.arange(len(knots)) == 0
        rows = np.flatnonzero(alike)
        for part in np.array_split(rows, len(rows) * len(knots) // CHUNK + 1):
            block = block_of(part, knots)
            for target, table in zip(out, tables):
                target[block] = second_derivatives(x[common, knots], np.ascontiguousarray(table[block]), first)
    others = np.flatnonzero(~alike)
    if len(others):
        row, column = np.nonzero(known[others])
        row = others[row]
        jump = np.diff(column) > 1 if breaks else False
        first = np.append(True, (np.diff(row) > 0) | jump)
        for target, table in zip(out, tables):
            target[row, column] = second_derivatives(x[row, column], table[row, column], first)
    return out


def block_of(rows: np.ndarray, columns: np.ndarray) -> Block:
    """Return the index of a block; by slices where no row or column between is left out, which is quicker."""
    if np.ptp(rows) + 1 == len(rows) and np.ptp(columns) + 1 == len(columns):
        return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    return np.ix_(rows, columns)
