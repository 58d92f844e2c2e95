"""The traverses of one grid on common nodes: first step of the interpolation, along the lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Optional, Union

import numpy as np

from ..core import PLACE, EngineError, Readings, line_order, noise_of_smooth_runs
from ..geometry import EDGE_M, Frame, frame_of_readings
from .smoothing_spline import SmoothedReadings, smoothed
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
LEAST_LINES = 2
"""Lines of a grid. Derived: between them is interpolated."""

Rows = Union[slice, np.ndarray]
"""Rows of a table: a slice where they follow each other, which copies nothing, or their numbers."""


@dataclass(frozen=True)
class Traverses:
    """One grid's readings in use, carried along the lines onto nodes that all lines share.

    Attributes
    ----------
    name : str
    frame : Frame
    v0_m, interval_m : float
        First node and distance between nodes along the traverses: the median distance between readings.
    spacing_m : float
        Median distance between neighbouring lines.
    boxes : tuple of tuple of float
        u_min, u_max, v_min, v_max of the area that the readings represent, half a spacing and half an interval around
        them: one box, or one for each of the adjoining grids that were joined.
    line_u : (lines,) float64
        Mean position of each line, metres.
    u : (nodes, lines) float64
        Where a line crosses a node, metres; NaN where a line that wanders has no reading near.
    z : (nodes, lines) float64
        Value there, NaN likewise.
    sampled : (nodes, lines) bool
        A reading lies within one interval of the node.
    line_variance : (nodes, lines) float64
        Squared standard error of the corrections of each line, and of positions along it by the slope of the values;
        zeros when unknown.
    reading_noise : float
        Standard deviation of single readings.
    noise, noise_halfway : float
        That of the noise in values at the nodes, and half-way between them.
    x, y : (n,) float64
        Readings used, map metres.
    ties : int
        Readings of tie lines, which are left out.
    straight : bool
        No line wanders.
    """

    name: str
    frame: Frame
    v0_m: float
    interval_m: float
    spacing_m: float
    line_u: np.ndarray
    boxes: tuple[tuple[float, float, float, float], ...]
    u: np.ndarray
    z: np.ndarray
    sampled: np.ndarray
    line_variance: np.ndarray
    reading_noise: float
    noise: float
    noise_halfway: float
    x: np.ndarray
    y: np.ndarray
    ties: int
    straight: bool

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """x_min, y_min, x_max, y_max around all boxes and half a spacing more, map metres."""
        all_bounds = np.array(self.box_bounds)
        return (*all_bounds[:, :2].min(axis=0), *all_bounds[:, 2:].max(axis=0))

    @cached_property
    def box_bounds(self) -> tuple[tuple[float, float, float, float], ...]:
        """x_min, y_min, x_max, y_max around each box and half a spacing more, map metres."""
        u0, u1, v0, v1 = (np.array(self.boxes) + self.spacing_m / 2 * np.array([-1, 1, -1, 1])).T
        x, y = self.frame.to_map([u0, u1, u1, u0], [v0, v0, v1, v1])
        return tuple(zip(*(side.tolist() for side in (x.min(axis=0), y.min(axis=0), x.max(axis=0), y.max(axis=0)))))

    @cached_property
    def swapped(self) -> Optional[bool]:
        """Whether u runs along y and v along x; None when they run along neither."""
        x0, y0, x1, y1 = self.bounds
        off = np.abs(np.linalg.inv(self.frame.matrix)) * [x1 - x0, y1 - y0]
        if self.frame.twist.any():
            return None
        if max(off[0, 1], off[1, 0]) < EDGE_M:
            return False
        return True if max(off[0, 0], off[1, 1]) < EDGE_M else None

    def depth(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return how deep local positions lie inside the boxes, metres; negative outside of all."""
        return np.max([depth_in(box, u, v) for box in self.boxes], axis=0)


def depth_in(box: tuple[float, float, float, float], u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Return how deep local positions lie inside a box, metres; negative outside."""
    u0, u1, v0, v1 = box
    return np.minimum(np.minimum(u - u0, u1 - u), np.minimum(v - v0, v1 - v))


def traverses_of(readings: Readings, rows: Rows, channel: str, name: str, *, cubic: bool = True) -> Traverses:
    """Carry the readings of one grid onto common nodes along its lines.

    Parameters
    ----------
    readings : Readings
    rows : slice or (n,) int
        The grid's readings in use, with finite value and position.
    channel : str
    name : str
        Of the grid, for messages.
    cubic : bool
        Cubic splines along the lines, as stiff as the noise of the readings asks for; else straight pieces.

    Raises
    ------
    EngineError
        With fewer than two traverses side by side.
    """
    columns = readings.line, readings.run, readings.u_m, readings.v_m, readings.channels[channel]
    number, recording, u, v, z = (column[rows] for column in columns)
    used = len(z)
    order, run = _lengthwise(number, recording, u, v)
    kept = slice(None) if len(order) == used else order
    u, v, z, x, y = u[order], v[order], z[order], readings.x[rows][kept], readings.y[rows][kept]
    line, line_u = _lines(u, run, name)
    spacing = float(np.median(np.diff(line_u)))
    ordered = _sorted(v, u, z, run, spacing)
    noise = noise_of_smooth_runs(ordered.z, ordered.first)
    smooth = SmoothedReadings(ordered.z, 1.0, 0.5)
    if cubic:
        smooth = smoothed(ordered.v, ordered.z, ordered.first, ordered.interval_m, noise)
    ordered = replace(ordered, z=smooth.z)
    origin, nodes = _nodes(ordered.v, ordered.interval_m)
    u_node, z_node, sampled = _by_line(line, len(line_u), *_carry(ordered, origin, nodes, len(line), cubic))
    of_values, of_positions = (_squared_errors(readings, column, rows, order, line[run]) for column in (channel, PLACE))
    off = u - line_u[line][run]
    straight = bool(max(off.max(), -off.min()) < EDGE_M)
    return Traverses(
        name=name,
        frame=_frame(readings, rows, order),
        v0_m=origin,
        interval_m=ordered.interval_m,
        spacing_m=spacing,
        line_u=line_u,
        boxes=(_box(ordered, spacing),),
        u=np.broadcast_to(line_u, u_node.shape) if straight else u_node,
        z=z_node,
        sampled=sampled,
        line_variance=_variance(of_values, of_positions, z_node, ordered.interval_m),
        reading_noise=noise,
        noise=noise * np.sqrt(smooth.noise_fraction),
        noise_halfway=noise * np.sqrt(smooth.halfway_fraction),
        x=x,
        y=y,
        ties=used - len(z),
        straight=straight,
    )


@dataclass(frozen=True)
class _Sorted:
    """Readings of all recordings of a grid, one after the other, each in order of v; arrays of equal length."""

    v: np.ndarray
    u: np.ndarray
    z: np.ndarray
    run: np.ndarray
    first: np.ndarray
    interval_m: float


def _box(ordered: _Sorted, spacing: float) -> tuple[float, float, float, float]:
    """Return u_min, u_max, v_min, v_max half a spacing and half an interval around the readings."""
    half_u, half_v = spacing / 2, ordered.interval_m / 2
    u, v = ordered.u, ordered.v
    return u.min() - half_u, u.max() + half_u, v.min() - half_v, v.max() + half_v


def _squared_errors(readings: Readings, column: str, rows: Rows, order: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Return the mean squared standard error (L,) of each line's readings, zeros when unknown.

    ``line`` (n,) are the lines of the readings in their order.
    """
    if column not in readings.se:
        return np.zeros(int(line.max()) + 1)
    error = np.nan_to_num(readings.se[column][rows][order])
    return np.bincount(line, error**2) / np.bincount(line)


def _variance(of_values: np.ndarray, of_positions: np.ndarray, z: np.ndarray, interval_m: float) -> np.ndarray:
    """Return (nodes, lines) variances of values on lines from squared errors (L,) of their values and positions.

    An error of position along the line counts by the slope of the values there.
    """
    if not of_positions.any() or len(z) < 2:
        return np.broadcast_to(of_values, z.shape)
    return of_values + of_positions * np.nan_to_num(np.gradient(z, interval_m, axis=0)) ** 2


def _lengthwise(line: np.ndarray, number: np.ndarray, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the order by recording and v, and the recording (from 0) of each; tie lines are left out."""
    order, run = line_order((line, number), v)
    starts = np.flatnonzero(np.append(len(run) > 0, run[1:] != run[:-1]))
    if not len(starts):
        return order, run
    ends = np.append(starts[1:], len(run)) - 1
    u = u[order]
    across = np.maximum.reduceat(u, starts) - np.minimum.reduceat(u, starts)
    lengthwise = across <= v[order[ends]] - v[order[starts]]
    if lengthwise.all():
        return order, run
    kept = lengthwise[run]
    return order[kept], (np.cumsum(lengthwise) - 1)[run[kept]]


def _lines(u: np.ndarray, run: np.ndarray, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the line (from 0, in order of u) of each recording, and the mean u of each line in metres."""
    starts = np.flatnonzero(np.append(len(run) > 0, run[1:] != run[:-1]))
    middle = np.add.reduceat(u, starts) / np.diff(np.append(starts, len(u))) if len(run) else np.zeros(0)
    order = np.argsort(middle, kind="stable")
    line = np.zeros(len(middle), int)
    line[order[1:]] = np.cumsum(np.diff(middle[order]) > SAME_LINE_M)
    lines = int(line.max(initial=-1)) + 1
    if lines < LEAST_LINES:
        raise EngineError(
            f"{f'Grid {name}' if name else 'The grid'} has {lines or 'no'} traverse with readings in use; the "
            f"interpolation needs at least {LEAST_LINES} side by side. Check the readings' flags and their "
            "positions, or leave the grid out."
        )
    return line, np.bincount(line, middle) / np.bincount(line)


def _sorted(v: np.ndarray, u: np.ndarray, z: np.ndarray, run: np.ndarray, spacing: float) -> _Sorted:
    """Average readings at one position, and find where a recording breaks off."""
    same_run = run[1:] == run[:-1]
    steps = np.diff(v)
    walked = np.flatnonzero(same_run & (steps > LEAST_STEP_M))
    interval = float(np.median(steps[walked[_spread(len(walked))]])) if len(walked) else spacing
    new = np.append(True, ~same_run | (steps > SAME_READING * interval))
    if not new.all():
        starts = np.flatnonzero(new)
        counts = np.diff(np.append(starts, len(v)))
        v, u, z = (np.add.reduceat(values, starts) / counts for values in (v, u, z))
        run = run[starts]
    # A gap narrower than the line spacing is better closed along the line than across.
    breaks = (run[1:] != run[:-1]) | (np.diff(v) > max(BREAK_INTERVALS * interval, spacing))
    return _Sorted(v, u, z, run, np.append(True, breaks), interval)


def _nodes(v: np.ndarray, interval: float) -> tuple[float, int]:
    """Return the first node and how many there are: in step with most readings, so that these are kept exactly."""
    phase = np.mod(v[_spread(len(v))] / interval, 1.0)
    at = (np.argmax(np.bincount((phase * PHASES).astype(int))) + 0.5) / PHASES
    away = np.mod(phase - at + 0.5, 1.0) - 0.5
    offset = at + np.median(away[np.abs(away) < 1.5 / PHASES])
    low, high = np.round(v.min() / interval - offset), np.round(v.max() / interval - offset)
    return float((low + offset) * interval), int(high - low) + 1


def _carry(
    ordered: _Sorted, origin: float, nodes: int, runs: int, cubic: bool
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
    ordered: _Sorted, cell: np.ndarray, origin: float, nodes: int, runs: int
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
    near = np.minimum(np.abs(from_behind), np.where(last, np.inf, np.abs(to_ahead))) <= ordered.interval_m
    missing = ~(within | starts)
    return np.where(within, behind, ahead), missing, (near | starts) & ~missing


def _by_line(
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


def _spread(count: int) -> np.ndarray:
    return np.linspace(0, count - 1, min(count, SAMPLE)).astype(int)


def _frame(readings: Readings, rows: Rows, order: np.ndarray) -> Frame:
    chosen = order[_spread(len(order))]
    columns = readings.u_m, readings.v_m, readings.x, readings.y
    return frame_of_readings(*(column[rows][chosen] for column in columns))
