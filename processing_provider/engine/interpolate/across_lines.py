"""The surface of one grid from its traverses: second step of the interpolation, across the lines."""

from __future__ import annotations

from typing import Callable, Optional

import numpy as np

from .along_lines import Traverses
from .extrapolation import extrapolate_lines
from .nodes import SAME_LINE_M
from .splines import row_curvatures
from .surface import Surface

HALO_LINES = 3
"""Lines beyond each side that are taken from neighbouring grids. Derived: the weight of a line in a cubic spline falls
by 2 - sqrt 3 = 0.268 from line to line; one farther off has below 0.268^3 = 2 % at the edge."""
HALO_NODES = 6
"""Nodes beyond each end, likewise. Derived: 0.268^6 = 0.04 %, for nodes cost less than lines."""

BRIDGED_SPACINGS = 2.5
"""Lines up to this many spacings from each other bridge one that ends between them. Derived: the middle between two, a
missing line, and three, two missing beside each other."""

Sampler = Callable[[np.ndarray, np.ndarray], np.ndarray]


def surface_of(lines: Traverses, *, cubic: bool = True, halo: Optional[Sampler] = None) -> Surface:
    """Join the traverses of a grid to a surface.

    Parameters
    ----------
    lines : Traverses
    cubic : bool
        Cubic splines across the lines, else straight pieces.
    halo : callable, optional
        Takes (n,) u and v in metres and returns the (n,) values neighbouring grids have there, NaN where they have
        none. They replace lines beyond the sides and nodes beyond the ends.

    Notes
    -----
    A line without a reading at a node is passed over there: the spline runs from its neighbours. Its value on that
    spline is a knot nevertheless, which changes nothing and gives all nodes the same knots. The splines across are
    continued to one more line beyond the outer ones, which ``extrapolate_lines`` predicts.
    """
    u, z, sampled, variance = _padded(lines)
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
        u, z, zvv, sampled, variance, carried = _untangled(u, z, zvv, sampled, variance, carried)
    known = carried
    if cubic:
        known = carried | extrapolate_lines(u, z, zvv, carried, spacing_m=lines.spacing_m, noise=lines.noise)
    zuu, zuuvv = _across_curvature(u, z, zvv, known, cubic)
    return Surface(
        v0, lines.interval_m, lines.spacing_m, lines.straight, u, z, zuu, zvv, zuuvv, carried, sampled, variance
    )


def _padded(lines: Traverses) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return u, value, sampled and line variance with room for the halo; every knot has a u, missing values are NaN."""
    u = lines.line_u[None, :] if lines.straight else lines.u.copy()
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
    sampled = np.pad(lines.sampled, pads)
    variance = lines.line_variance
    if (variance == variance[0]).all():
        return u, z, sampled, np.broadcast_to(np.pad(variance[0], pads[1], mode="edge"), z.shape)
    return u, z, sampled, np.pad(variance, pads, mode="edge")


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
        row, knot = np.nonzero(ends[nodes] & ~_bridged(us[nodes], ks[nodes], BRIDGED_SPACINGS * spacing))
        node = nodes[row]
        # The slope over two intervals lets through half the noise of that over one.
        wide = (node >= 3) & ks[node - 3, knot]
        slope = np.where(wide, (zs[node - 1, knot] - zs[node - 3, knot]) / 2, zs[node - 1, knot] - zs[node - 2, knot])
        zs[node, knot] = zs[node - 1, knot] + slope
        new[node, knot] = True
    return added


def _bridged(u: np.ndarray, known: np.ndarray, widest: float) -> np.ndarray:
    """Return which knots have known ones on both sides at most ``widest`` metres from each other."""
    before, after = carried_around(known)
    last = known.shape[1] - 1
    left, right = (np.take_along_axis(u, np.clip(side, 0, last), axis=1) for side in (before, after))
    return (before >= 0) & (after <= last) & (right - left <= widest)


def _untangled(u: np.ndarray, *columns: np.ndarray) -> tuple[np.ndarray, ...]:
    """Put the knots of each node in order where lines wander across each other; two that meet become their mean."""
    order = np.argsort(u, axis=1, kind="stable")
    u, z, zvv, sampled, variance, carried = (np.take_along_axis(c, order, axis=1) for c in (u, *columns))
    node, knot = np.nonzero((np.diff(u, axis=1) <= SAME_LINE_M) & carried[:, :-1] & carried[:, 1:])
    for values in (u, z, zvv):
        values[node, knot + 1] = (values[node, knot] + values[node, knot + 1]) / 2
    carried[node, knot] = False
    return u, z, zvv, sampled, variance, carried


def _across_curvature(
    u: np.ndarray, z: np.ndarray, zvv: np.ndarray, known: np.ndarray, cubic: bool
) -> tuple[np.ndarray, np.ndarray]:
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


def _closed(at: np.ndarray, *interval: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (n,) values and second derivatives where the splines pass missing knots ``at``.

    Each is given the knots, values and second derivatives of an interval; outside the outer lines the curvature runs
    out to zero over one interval, and nothing changes more than two intervals off.
    """
    u0, u1, z0, z1, c0, c1 = interval
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
