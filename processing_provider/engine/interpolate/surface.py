"""The surface of one grid: a piecewise bicubic function of the position, and which cells lie near its readings."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Sequence

import numpy as np


@dataclass(frozen=True)
class Surface:
    """A piecewise bicubic surface over nodes along the traverses and knots across them.

    Attributes
    ----------
    v0_m, interval_m, spacing_m : float
        First node, distance between nodes, median distance between lines.
    straight : bool
        Every node has the same knots.
    u : (nodes, knots) float64
        Position of the knots, growing with the second axis.
    z, zuu, zvv, zuuvv : (nodes, knots) float64
        Value, and second derivatives across, along and both ways; NaN at nodes without lines.
    carried : (nodes, knots) bool
        Follows from readings of this grid or a neighbour along the line, not from the lines beside it.
    sampled : (nodes, knots) bool
        A reading of this grid lies within an interval.
    line_variance : (nodes, knots) float64
        Squared standard error of the line.
    """

    v0_m: float
    interval_m: float
    spacing_m: float
    straight: bool
    u: np.ndarray
    z: np.ndarray
    zuu: np.ndarray
    zvv: np.ndarray
    zuuvv: np.ndarray
    carried: np.ndarray
    sampled: np.ndarray
    line_variance: np.ndarray

    def locate(self, u: np.ndarray, v: np.ndarray) -> Located:
        """Return where local positions lie between nodes and knots: (n,) each, or all of (1, c) u and (r, 1) v.

        The latter only on a straight surface.
        """
        along = (v - self.v0_m) / self.interval_m
        node = np.clip(along.astype(np.intp), 0, len(self.u) - 2)
        low = self._across(node, u)
        return Located(node, along - node, low, low if self.straight else self._across(node + 1, u))

    def _across(self, node: np.ndarray, u: np.ndarray) -> Across:
        knots = self.u.shape[1]
        if self.straight:
            knot = np.clip(np.searchsorted(self.u[0], u, side="right") - 1, 0, knots - 2)
            width = np.diff(self.u[0])[knot]
            return Across(knot, (u - self.u[0][knot]) / width, width)
        keys, origin, span = self._keys
        inside = np.clip(u - origin, 0.0, span - 1.0)
        first = node * knots
        knot = np.clip(np.searchsorted(keys, node * span + inside, side="right") - 1 - first, 0, knots - 2)
        start = np.take(self.u, first + knot)
        width = np.maximum(np.take(self.u, first + knot + 1) - start, 1e-9)
        return Across(knot, (u - start) / width, width)

    @cached_property
    def _keys(self) -> tuple[np.ndarray, float, float]:
        """Positions of all knots, node after node, growing; what was taken off them, and added from node to node."""
        origin, span = self.u.min(), np.ptp(self.u) + 1.0
        return (np.arange(len(self.u))[:, None] * span + (self.u - origin)).ravel(), origin, span

    def value(self, at: Located) -> np.ndarray:
        """Return the values of the surface at positions."""
        b, a = at.fraction, 1.0 - at.fraction
        bend = self.interval_m**2 / 6.0
        along = a, b, bend * (a * a * a - a), bend * (b * b * b - b)
        if at.on_axes:
            return self._of_rows(at, along)
        low, low_vv = self._of_knots(at.node, at.low)
        high, high_vv = self._of_knots(at.node + 1, at.high)
        return along[0] * low + along[1] * high + along[2] * low_vv + along[3] * high_vv

    def _of_knots(self, node: np.ndarray, across: Across) -> tuple[np.ndarray, np.ndarray]:
        """Return value and second derivative along v of the splines across, at the nodes; (n,) each."""
        left = node * self.u.shape[1] + across.knot
        right = left + 1
        a, b, bend_left, bend_right = across.weights()
        value, value_vv = (
            a * np.take(z, left) + b * np.take(z, right) + bend_left * np.take(c, left) + bend_right * np.take(c, right)
            for z, c in ((self.z, self.zuu), (self.zvv, self.zuuvv))
        )
        return value, value_vv

    def _of_rows(self, at: Located, along: tuple[np.ndarray, ...]) -> np.ndarray:
        """Return the (r, c) values: along every line first, once for all cells of a row."""
        node, left = at.node[:, 0], at.low.knot[0]
        lines = slice(left.min(), left.max() + 2)
        left = left - lines.start
        tables = []
        for value, curvature in ((self.z, self.zvv), (self.zuu, self.zuuvv)):
            # In place, which keeps the tables in a processor's cache.
            table = value[node, lines]
            table *= along[0]
            for other, row, weight in zip((value, curvature, curvature), (node + 1, node, node + 1), along[1:]):
                part = other[row, lines]
                part *= weight
                table += part
            tables += [table, table]
        total = np.zeros((len(node), len(left)))
        for table, knot, weight in zip(tables, (left, left + 1) * 2, at.low.weights()):
            part = np.take(table, knot, axis=1)
            part *= weight
            total += part
        return total

    def certain(self, u: np.ndarray, at: Located, gap_m: float) -> np.ndarray:
        """Return where a reading is certainly within the gap: on the line left or right, at the nearest node.

        Positions left undecided may have a reading all the same. On axes one row is returned for all where no line
        lacks a reading.
        """
        reach = np.sqrt(max(gap_m**2 - (1.5 * self.interval_m) ** 2, 0.0))
        node = at.nearer
        sure = np.zeros((1, 1) if at.on_axes else node.shape, bool)
        if at.on_axes and self.sampled[node[:, 0], at.knot.min() : at.knot.max() + 2].all():
            node = node[:1]
        for knot in (at.knot, at.knot + 1):
            sampled, *position = picked((self.sampled,) if self.straight else (self.sampled, self.u), node, knot)
            sure = sure | sampled & (np.abs(u - (self.u[0][knot] if self.straight else position[0])) <= reach)
        return sure


@dataclass(frozen=True)
class Across:
    """Knot at the left, fraction of the way to the next, and its distance in metres; of the shape of u."""

    knot: np.ndarray
    fraction: np.ndarray
    width: np.ndarray

    def weights(self) -> tuple[np.ndarray, ...]:
        """Return the weights of the values left and right and of the second derivatives left and right."""
        b, a, bend = self.fraction, 1.0 - self.fraction, self.width**2 / 6.0
        return a, b, bend * (a * a * a - a), bend * (b * b * b - b)


@dataclass(frozen=True)
class Located:
    """Node below, fraction of the way to the next, and where between the knots of both."""

    node: np.ndarray
    fraction: np.ndarray
    low: Across
    high: Across

    @property
    def on_axes(self) -> bool:
        """Nodes are those of rows, knots those of columns."""
        return self.node.ndim == 2

    @cached_property
    def nearer(self) -> np.ndarray:
        """The nearer one of the two nodes."""
        return self.node + (self.fraction > 0.5)

    @cached_property
    def knot(self) -> np.ndarray:
        """The knot to the left at the nearer node."""
        return self.low.knot if self.low is self.high else np.where(self.fraction > 0.5, self.high.knot, self.low.knot)


def picked(tables: Sequence[np.ndarray], node: np.ndarray, knot: np.ndarray) -> list[np.ndarray]:
    """Return what tables of one shape hold for (n,) nodes and knots, or for all of (r, 1) nodes and (1, c) knots."""
    if node.ndim == 2:
        return [np.take(table[node[:, 0]], knot[0], axis=1) for table in tables]
    flat = node * tables[0].shape[1] + knot
    return [np.take(table, flat) for table in tables]
