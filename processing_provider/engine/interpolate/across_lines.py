"""The surface of one grid: second step of the interpolation, across the lines, and its value anywhere."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Callable, Optional, Sequence

import numpy as np

from .along_lines import SAME_LINE_M, Traverses
from .extrapolation import lead_on
from .splines import row_curvatures

HALO_LINES = 3
"""Lines beyond each side that are taken from neighbouring grids; a line farther off weighs under 2 % at the edge."""
HALO_NODES = 6
"""Nodes beyond each end, likewise."""

Sampler = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Surface:
    """A piecewise bicubic surface over nodes along the traverses and knots across them.

    Attributes
    ----------
    v0_m, interval_m, spacing_m : float
        First node, distance between nodes, usual distance between lines.
    straight : bool
        Every node has the same knots.
    u : (nodes, knots) float64
        Position of the knots, growing with the second axis.
    z, zuu, zvv, zuuvv : (nodes, knots) float64
        Value, and second derivatives across, along and both ways; NaN at nodes without lines.
    carried : (nodes, knots) bool
        Follows from readings of this grid or a neighbour along the line, not from the lines beside it.
    real : (nodes, knots) bool
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
    real: np.ndarray
    line_variance: np.ndarray

    def locate(self, u: np.ndarray, v: np.ndarray) -> Places:
        """Return where local positions lie between nodes and knots: (n,) each, or all of (1, c) u and (r, 1) v.

        The latter only on a straight surface.
        """
        along = (v - self.v0_m) / self.interval_m
        node = np.clip(along.astype(np.intp), 0, len(self.u) - 2)
        low = self._across(node, u)
        return Places(node, along - node, low, low if self.straight else self._across(node + 1, u))

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

    def value(self, at: Places) -> np.ndarray:
        """Return the values of the surface at places."""
        b, a = at.share, 1.0 - at.share
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

    def _of_rows(self, at: Places, along: tuple[np.ndarray, ...]) -> np.ndarray:
        """Return the (r, c) values: along every line first, which is to be done for all cells of a row only once."""
        node, left = at.node[:, 0], at.low.knot[0]
        lines = slice(left.min(), left.max() + 2)
        left = left - lines.start
        tables = []
        for value, curvature in ((self.z, self.zvv), (self.zuu, self.zuuvv)):
            # In place: what a processor keeps at hand is little.
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

    def certain(self, u: np.ndarray, at: Places, gap_m: float) -> np.ndarray:
        """Return where a reading is surely within the gap: on the line left or right, at the nearest node.

        Places left undecided may have a reading all the same. On axes one row stands for all where no line lacks one.
        """
        reach = np.sqrt(max(gap_m**2 - (1.5 * self.interval_m) ** 2, 0.0))
        sure, node = False, at.nearer
        if at.on_axes and self.real[node[:, 0], at.knot.min() : at.knot.max() + 2].all():
            node = node[:1]
        for knot in (at.knot, at.knot + 1):
            real, *place = picked((self.real,) if self.straight else (self.real, self.u), node, knot)
            sure |= real & (np.abs(u - (self.u[0][knot] if self.straight else place[0])) <= reach)
        return sure


@dataclass(frozen=True)
class Across:
    """Knot at the left, share of the way to the next, and its distance in metres; of the shape of u."""

    knot: np.ndarray
    share: np.ndarray
    width: np.ndarray

    def weights(self) -> tuple[np.ndarray, ...]:
        """Return the weights of the values left and right and of the second derivatives left and right."""
        b, a, bend = self.share, 1.0 - self.share, self.width**2 / 6.0
        return a, b, bend * (a * a * a - a), bend * (b * b * b - b)


@dataclass(frozen=True)
class Places:
    """Node below, share of the way to the next, and where between the knots of both."""

    node: np.ndarray
    share: np.ndarray
    low: Across
    high: Across

    @property
    def on_axes(self) -> bool:
        """Nodes are those of rows, knots those of columns."""
        return self.node.ndim == 2

    @cached_property
    def nearer(self) -> np.ndarray:
        """The nearer one of the two nodes."""
        return self.node + (self.share > 0.5)

    @cached_property
    def knot(self) -> np.ndarray:
        """The knot to the left at the nearer node."""
        return self.low.knot if self.low is self.high else np.where(self.share > 0.5, self.high.knot, self.low.knot)


def picked(tables: Sequence[np.ndarray], node: np.ndarray, knot: np.ndarray) -> list[np.ndarray]:
    """Return what tables of one shape hold for (n,) nodes and knots, or for all of (r, 1) nodes and (1, c) knots."""
    if node.ndim == 2:
        return [np.take(table[node[:, 0]], knot[0], axis=1) for table in tables]
    flat = node * tables[0].shape[1] + knot
    return [np.take(table, flat) for table in tables]


def surface_of(lines: Traverses, *, cubic: bool = True, halo: Optional[Sampler] = None) -> Surface:
    """Join the traverses of a grid to a surface.

    Parameters
    ----------
    lines : Traverses
    cubic : bool
        Cubic splines across the lines, else straight pieces.
    halo : callable, optional
        Takes (n,) u and v in metres and returns the (n,) values neighbouring grids have there, NaN where they have
        none. They stand in for lines beyond the sides and nodes beyond the ends.

    Notes
    -----
    A line without a reading at a node is passed over there: the spline runs from its neighbours. Its place on that
    spline is a knot nevertheless, which changes nothing and lets all nodes share their knots. The splines across run on
    to one more line beyond the outer ones, which ``lead_on`` predicts.
    """
    u, z, real, variance = _padded(lines)
    v0 = lines.v0_m - HALO_NODES * lines.interval_m
    if halo is not None:
        node, knot = np.nonzero(np.isnan(z))
        z[node, knot] = halo(u[node, knot], v0 + lines.interval_m * node)
    known = np.isfinite(z)
    if cubic:
        along = np.broadcast_to(lines.interval_m * np.arange(len(z)), z.T.shape)
        zvv = row_curvatures(along, [z.T], known.T, breaks=True)[0].T
    else:
        zvv = np.zeros(z.shape)
    carried = known | _continued(u, z, known, lines.spacing_m)
    if not lines.straight and np.any(np.diff(u, axis=1) <= SAME_LINE_M):
        u, z, zvv, real, variance, carried = _untangled(u, z, zvv, real, variance, carried)
    known = carried
    if cubic:
        known = carried | lead_on(u, z, zvv, carried, spacing_m=lines.spacing_m, noise=lines.noise)
    zuu, zuuvv = _across_curvature(u, z, zvv, known, cubic)
    return Surface(
        v0, lines.interval_m, lines.spacing_m, lines.straight, u, z, zuu, zvv, zuuvv, carried, real, variance
    )


def _padded(lines: Traverses) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return u, value, real and line variance with room for the halo; every knot has a u, missing values are NaN."""
    u = lines.place[None, :] if lines.straight else lines.u.copy()
    for column in np.flatnonzero(np.isnan(u).any(axis=0)):
        known = np.isfinite(u[:, column])
        u[:, column] = np.interp(np.arange(len(u)), np.flatnonzero(known), u[known, column])
    beside = lines.spacing_m * np.arange(1, HALO_LINES + 1)
    u = np.concatenate([u[:, :1] - beside[::-1], u, u[:, -1:] + beside], axis=1)
    pads = ((HALO_NODES, HALO_NODES), (HALO_LINES, HALO_LINES))
    if lines.straight:
        u = np.broadcast_to(u, (len(lines.z) + 2 * HALO_NODES, u.shape[1]))
    else:
        u = np.pad(u, (pads[0], (0, 0)), mode="edge")
    z = np.pad(lines.z, pads, constant_values=np.nan)
    real = np.pad(lines.real, pads)
    variance = lines.line_variance
    if (variance == variance[0]).all():
        return u, z, real, np.broadcast_to(np.pad(variance[0], pads[1], mode="edge"), z.shape)
    return u, z, real, np.pad(variance, pads, mode="edge")


def _continued(u: np.ndarray, z: np.ndarray, known: np.ndarray, spacing: float) -> np.ndarray:
    """Set one node beyond each end of a line, straight on, where no lines close by bridge it; return where.

    ``z`` is written to.
    """
    added = np.zeros_like(known)
    for way in (1, -1):
        us, zs, ks, new = u[::way], z[::way], known[::way], added[::way]
        ends = np.zeros_like(known)
        ends[2:] = ks[1:-1] & ks[:-2] & ~ks[2:] & ~new[2:]
        nodes = np.flatnonzero(ends.any(axis=1))
        row, knot = np.nonzero(ends[nodes] & ~_bridged(us[nodes], ks[nodes], 2.5 * spacing))
        node = nodes[row]
        # The slope over two intervals lets through half the noise of that over one.
        wide = (node >= 3) & ks[node - 3, knot]
        slope = np.where(wide, (zs[node - 1, knot] - zs[node - 3, knot]) / 2, zs[node - 1, knot] - zs[node - 2, knot])
        zs[node, knot] = zs[node - 1, knot] + slope
        new[node, knot] = True
    return added


def _bridged(u: np.ndarray, known: np.ndarray, widest: float) -> np.ndarray:
    """Return which knots have known ones on both sides that are no farther apart than ``widest`` metres."""
    before, after = carried_around(known)
    last = known.shape[1] - 1
    left, right = (np.take_along_axis(u, np.clip(side, 0, last), axis=1) for side in (before, after))
    return (before >= 0) & (after <= last) & (right - left <= widest)


def _untangled(u: np.ndarray, *columns: np.ndarray) -> tuple[np.ndarray, ...]:
    """Put the knots of each node in order where lines wander across each other; two that meet become their mean."""
    order = np.argsort(u, axis=1, kind="stable")
    u, z, zvv, real, variance, carried = (np.take_along_axis(c, order, axis=1) for c in (u, *columns))
    node, knot = np.nonzero((np.diff(u, axis=1) <= SAME_LINE_M) & carried[:, :-1] & carried[:, 1:])
    for values in (u, z, zvv):
        values[node, knot + 1] = (values[node, knot] + values[node, knot + 1]) / 2
    carried[node, knot] = False
    return u, z, zvv, real, variance, carried


def _across_curvature(u, z, zvv, known, cubic: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return second derivatives across the lines of ``z`` and ``zvv``, and close both where they are not known."""
    tables = z, zvv
    bent = row_curvatures(u, tables, known, breaks=False) if cubic else [np.zeros(z.shape) for _ in tables]
    count = np.count_nonzero(known, axis=1)
    node, knot = np.nonzero(~known & (count >= 2)[:, None])
    if len(node):
        sides = _beside(known, node, knot)
        for table, curvature in zip(tables, bent):
            intervals = (values[node, side] for values in (u, table, curvature) for side in sides)
            table[node, knot], curvature[node, knot] = _closed(u[node, knot], *intervals)
    z[count < 2] = zvv[count < 2] = np.nan
    return bent[0], bent[1]


def carried_around(carried: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the last carried knot at or before each, and the first at or after; -1 or the number of knots if none."""
    knots = carried.shape[1]
    column = np.arange(knots, dtype=np.int32)
    before = np.maximum.accumulate(np.where(carried, column, -1), axis=1)
    after = np.minimum.accumulate(np.where(carried, column, knots)[:, ::-1], axis=1)[:, ::-1]
    return before, after


def _beside(carried: np.ndarray, node: np.ndarray, knot: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the carried knots to the left and right of others; outside the outer one, the two nearest."""
    # Most nodes have readings on the same lines as the node before.
    new = np.append(True, (carried[1:] != carried[:-1]).any(axis=1))
    node = (np.cumsum(new) - 1)[node]
    before, after = carried_around(carried[new])
    last = carried.shape[1] - 1
    low, high = before[node, knot], after[node, knot]
    left_out, right_out = low < 0, high > last
    second = after[node, np.minimum(high + 1, last)]
    second_last = before[node, np.maximum(low - 1, 0)]
    return (
        np.where(left_out, high, np.where(right_out, second_last, low)),
        np.where(left_out, second, np.where(right_out, low, high)),
    )


def _closed(at, u0, u1, z0, z1, c0, c1) -> tuple[np.ndarray, np.ndarray]:
    """Return (n,) values and second derivatives where the splines pass missing knots ``at``.

    Each is given the knots, values and second derivatives of an interval; outside the outer lines the curvature runs
    out to zero over one interval, and nothing changes more than two intervals off.
    """
    h = u1 - u0
    t = (at - u0) / h
    before = t < 0
    s = np.clip(t, 0.0, 1.0)
    inside = (1 - s) * z0 + s * z1 + h * h / 6 * (((1 - s) ** 3 - (1 - s)) * c0 + (s**3 - s) * c1)
    away = h * np.clip(np.where(before, -t, t - 1.0), 0.0, 2.0)
    secant = (z1 - z0) / h
    slope = np.where(before, h * (2 * c0 + c1) / 6 - secant, secant + h * (c0 + 2 * c1) / 6)
    outside = away * slope + away * np.minimum(away, h) / 3 * np.where(before, c0, c1)
    return inside + outside, np.where(before | (t > 1), 0.0, (1 - s) * c0 + s * c1)
