"""The traverses of one grid on common nodes: first step of the interpolation, along the lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Optional, Union

import numpy as np

from ..core import (
    FULL_SCALE,
    PLACE,
    EngineError,
    Readings,
    line_order,
    nearest_whole,
    noise_of_smooth_runs,
    typical_length,
)
from ..geometry import EDGE_M, Frame, frame_of_readings
from .nodes import SAME_LINE_M, Sorted, by_line, carry, in_order, nodes_of, spread
from .smoothing_spline import SmoothedReadings, smoothed

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
        Squared standard error of the corrections of each line, of positions along it by the slope of the values, and of
        what readings at full scale do not show; zeros when unknown.
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
    spacing = typical_length(np.diff(line_u))
    ordered = in_order(v, u, z, run, spacing)
    noise = noise_of_smooth_runs(ordered.z, ordered.first)
    smooth = SmoothedReadings(ordered.z, 1.0, 0.5)
    if cubic:
        smooth = smoothed(ordered.v, ordered.z, ordered.first, ordered.interval_m, noise)
    ordered = replace(ordered, z=smooth.z)
    origin, nodes = nodes_of(ordered.v, ordered.interval_m)
    u_node, z_node, sampled = by_line(line, len(line_u), *carry(ordered, origin, nodes, len(line), cubic))
    at = (v - origin) / ordered.interval_m, line[run]
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
        line_variance=_line_variance(readings, channel, rows, order, at, z_node, ordered.interval_m),
        reading_noise=noise,
        noise=noise * np.sqrt(smooth.noise_fraction),
        noise_halfway=noise * np.sqrt(smooth.halfway_fraction),
        x=x,
        y=y,
        ties=used - len(z),
        straight=straight,
    )


def _box(ordered: Sorted, spacing: float) -> tuple[float, float, float, float]:
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


def _line_variance(
    readings: Readings, channel: str, rows: Rows, order: np.ndarray, at: tuple[np.ndarray, np.ndarray], z: np.ndarray,
    interval_m: float,
) -> np.ndarray:  # fmt: skip
    """Return the variance of values (nodes, lines) on lines, see ``Traverses``.

    ``at`` are position, in nodes, and line (n,) of the readings in their order.
    """
    position, line = at
    of_values, of_positions = (_squared_errors(readings, column, rows, order, line) for column in (channel, PLACE))
    variance = _variance(of_values, of_positions, z, interval_m)
    marked = readings.extras.get(channel + FULL_SCALE)
    error = np.zeros(0) if marked is None else np.nan_to_num(marked[rows][order])
    if not error.any():
        return variance
    cut_off = np.zeros(z.shape)
    np.maximum.at(cut_off, (np.clip(nearest_whole(position).astype(int), 0, len(z) - 1), line), error**2)
    return variance + cut_off


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


def _frame(readings: Readings, rows: Rows, order: np.ndarray) -> Frame:
    chosen = order[spread(len(order))]
    columns = readings.u_m, readings.v_m, readings.x, readings.y
    return frame_of_readings(*(column[rows][chosen] for column in columns))
