"""Recordings of one grid onto nodes that all its lines share, along each line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import ROUNDING, nearest_whole, typical_length
from .splines import knot_slopes, second_derivatives

SAME_LINE_M = 0.05
"""Recordings of a line closer together than this are one line, and their mean counts: nobody walks to it. Common
practice, no source."""
LEAST_STEP_M = SAME_LINE_M / 100
"""Readings at least this far from the one before imply the interval. Derived: a hundredth of the least distance between
lines, and far above rounding."""
SAME_READING = 0.02
"""Readings of one recording closer together than this fraction of the interval are averaged. Derived: a slope between
them would multiply their noise by sqrt(2) / 0.02 = 70 intervals."""
IN_STEP = 1e-6
"""Readings this near to nodes, in intervals, lie on them. Derived: rounding of 1e-9 m in a hundredth of a metre gives
1e-7; more moves a value by less than any unit that is recorded."""
BREAK_INTERVALS = 2.5
"""A line breaks off over this many intervals, and over a line spacing. Derived: one reading that is missing makes a gap
of two."""
PHASES = 64
"""Classes of the phase of readings in their interval. Derived: a class and half on both sides hold what rounding of
timestamps and marks scatters; the median in them is the phase."""
SAMPLE = 400
"""Readings, spread over the grid, that its frame and the phase of its nodes are taken from. Derived: placed readings
fit a frame to rounding, and the phase is their mean, whose standard error is a twentieth of the scatter of one."""


@dataclass(frozen=True)
class Sorted:
    """Readings of all recordings of a grid, one after the other, each in order of v; arrays of equal length."""

    v: np.ndarray
    u: np.ndarray
    z: np.ndarray
    run: np.ndarray
    first: np.ndarray
    interval_m: float


def in_order(v: np.ndarray, u: np.ndarray, z: np.ndarray, run: np.ndarray, spacing: float) -> Sorted:
    """Average readings at one position, and find where a recording breaks off."""
    same_run = run[1:] == run[:-1]
    steps = np.diff(v)
    walked = np.flatnonzero(same_run & (steps > LEAST_STEP_M))
    interval = typical_length(steps[walked[spread(len(walked))]]) if len(walked) else spacing
    new = np.append(True, ~same_run | (steps > SAME_READING * interval))
    if not new.all():
        starts = np.flatnonzero(new)
        counts = np.diff(np.append(starts, len(v)))
        v, u, z = (np.add.reduceat(values, starts) / counts for values in (v, u, z))
        run = run[starts]
    # A gap narrower than the line spacing is better closed along the line than across.
    longest = max(BREAK_INTERVALS * interval, spacing) + ROUNDING * interval
    breaks = (run[1:] != run[:-1]) | (np.diff(v) > longest)
    return Sorted(v, u, z, run, np.append(True, breaks), interval)


def nodes_of(v: np.ndarray, interval: float) -> tuple[float, int]:
    """Return the first node and how many there are: in step with most readings, so that these are kept exactly."""
    phase = np.mod(v[spread(len(v))] / interval, 1.0)
    classes = np.floor(phase * PHASES + ROUNDING).astype(int) % PHASES
    at = (np.argmax(np.bincount(classes)) + 0.5) / PHASES
    away = np.mod(phase - at + 0.5, 1.0) - 0.5
    offset = at + np.median(away[np.abs(away) < 1.5 / PHASES])
    # A reading half-way between two nodes lies within them.
    low, high = -nearest_whole(offset - v.min() / interval), nearest_whole(v.max() / interval - offset)
    return float((low + offset) * interval), int(high - low) + 1


def carry(
    ordered: Sorted, origin: float, nodes: int, runs: int, cubic: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return u, value and whether a reading is near, (runs, nodes) each; NaN where the recording has no reading."""
    position = (ordered.v - origin) / ordered.interval_m
    nearest = np.rint(position)
    in_step = (np.abs(position - nearest).max() < IN_STEP) and ((np.diff(nearest) == 1) | ordered.first[1:]).all()
    if in_step:
        # Splines go through their knots: nothing to compute.
        if len(ordered.z) == runs * nodes:
            u, z = (values.reshape(runs, nodes) for values in (ordered.u, ordered.z))
            return u, z, np.ones(z.shape, bool)
        u, z = np.full((2, runs, nodes), np.nan)
        at = ordered.run * nodes + nearest.astype(int)
        u.ravel()[at], z.ravel()[at] = ordered.u, ordered.z
        return u, z, np.isfinite(z)
    base, missing, near = _base_readings(ordered, np.ceil(position - IN_STEP).astype(int), origin, nodes, runs)
    last = np.append(ordered.first[1:], True)
    curvature = second_derivatives(ordered.v, ordered.z, ordered.first) if cubic else np.zeros_like(ordered.z)
    slope = knot_slopes(ordered.v, ordered.z, curvature, ordered.first)
    step = np.where(last, 1.0, np.diff(ordered.v, append=ordered.v[-1:]))
    third = np.where(last, 0.0, np.diff(curvature, append=0.0)) / step
    drift = np.where(last, 0.0, np.diff(ordered.u, append=0.0)) / step
    t = origin + ordered.interval_m * np.arange(nodes) - ordered.v[base]
    z = ordered.z[base] + t * (slope[base] + t * (curvature[base] / 2 + t * (third[base] / 6)))
    u = ordered.u[base] + t * drift[base]
    z[missing] = u[missing] = np.nan
    return u, z, near


def _base_readings(
    ordered: Sorted, cell: np.ndarray, origin: float, nodes: int, runs: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return, for every recording and node, the reading to expand around, whether there is none, and if one is near.

    It is the reading before the node where the recording goes on past the node, else an end within half an interval.
    ``cell`` is the first node at or after each reading.
    """
    counts = np.bincount(ordered.run * (nodes + 1) + np.clip(cell, 0, nodes), minlength=runs * (nodes + 1))
    started = np.searchsorted(ordered.run, np.arange(runs))[:, None]
    before = started + np.cumsum(counts.reshape(runs, nodes + 1)[:, :nodes], axis=1) - 1
    at = origin + ordered.interval_m * np.arange(nodes)
    reach = (0.5 + SAME_READING) * ordered.interval_m
    behind, ahead = np.maximum(before, started), np.minimum(before + 1, len(ordered.v) - 1)
    from_behind, to_ahead = at - ordered.v[behind], ordered.v[ahead] - at
    last = np.append(ordered.first[1:], True)[behind]
    within = (before >= started) & (~last | (from_behind <= reach))
    starts = ordered.first[ahead] & (ordered.run[ahead] == np.arange(runs)[:, None]) & (np.abs(to_ahead) <= reach)
    away = np.minimum(np.abs(from_behind), np.where(last, np.inf, np.abs(to_ahead)))
    near = away <= (1 + ROUNDING) * ordered.interval_m
    missing = ~(within | starts)
    return np.where(within, behind, ahead), missing, (near | starts) & ~missing


def by_line(
    line: np.ndarray, lines: int, u: np.ndarray, z: np.ndarray, near: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return u, value and whether a reading is near, (nodes, lines) each: means over the recordings of a line."""
    if lines == len(line):
        order = np.argsort(line)
        return _upright(u[order], z[order], near[order])
    known = np.isfinite(z)
    sums = np.zeros((3, lines, z.shape[1]))
    for i, values in enumerate((known.astype(float), np.where(known, u, 0.0), np.where(known, z, 0.0))):
        np.add.at(sums[i], line, values)
    sampled = np.zeros((lines, z.shape[1]), bool)
    np.logical_or.at(sampled, line, near)
    count = np.where(sums[0] > 0, sums[0], np.nan)
    return _upright(sums[1] / count, sums[2] / count, sampled)


def _upright(u: np.ndarray, z: np.ndarray, near: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return transposed tables, contiguous."""
    return np.ascontiguousarray(u.T), np.ascontiguousarray(z.T), np.ascontiguousarray(near.T)


def spread(count: int) -> np.ndarray:
    """Return at most ``SAMPLE`` indices below a count, spread evenly."""
    return np.linspace(0, count - 1, min(count, SAMPLE)).astype(int)
