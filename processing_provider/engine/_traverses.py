"""The traverses of one grid on common nodes: first step of the interpolation, along the lines."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ._splines import knot_slopes, second_derivatives
from .errors import EngineError
from .frame import Frame, frame_of_readings
from .readings import Readings

SAME_LINE_M = 0.05
"""Recordings of a line closer together than this are one line, and their mean counts."""
STRAIGHT_M = 1e-6
"""Lines that keep to their place this closely are straight: rounding, not wandering."""
SAME_PLACE = 0.02
"""Readings of one recording closer together than this share of the usual interval are averaged."""
SAMPLE = 400
"""Readings, spread over the grid, that its frame and the phase of its nodes are taken from."""
NOISE_SAMPLE = 5000
"""About how many differences the noise is taken from: its standard error is then 2 %."""
LEAST_LINES = 2


@dataclass(frozen=True)
class Traverses:
    """One grid's readings in use, carried along the lines onto nodes that all lines share.

    Attributes
    ----------
    name : str
    frame : Frame
    v0_m, interval_m : float
        First node and distance between nodes along the traverses; the usual distance between readings.
    spacing_m : float
        Median distance between neighbouring lines.
    boxes : tuple of tuple of float
        u_min, u_max, v_min, v_max of the ground the readings stand for, half a spacing and half an interval around
        them: one box, or one for every grid of a sheet.
    u : (nodes, lines) float64
        Where a line crosses a node, metres; NaN where it has no reading near.
    z : (nodes, lines) float64
        Value there, NaN likewise.
    real : (nodes, lines) bool
        A reading lies within one interval of the node.
    line_variance : (nodes, lines) float64
        Squared standard error of what corrections put on each line; zeros when unknown.
    noise : float
        Standard deviation of a single reading.
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
    boxes: tuple[tuple[float, float, float, float], ...]
    u: np.ndarray
    z: np.ndarray
    real: np.ndarray
    line_variance: np.ndarray
    noise: float
    x: np.ndarray
    y: np.ndarray
    ties: int
    straight: bool

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """x_min, y_min, x_max, y_max around all boxes and half a spacing more, map metres."""
        all_bounds = np.array([self.bounds_of(box) for box in self.boxes])
        return (*all_bounds[:, :2].min(axis=0), *all_bounds[:, 2:].max(axis=0))

    def bounds_of(self, box: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
        """Return x_min, y_min, x_max, y_max around a box and half a spacing more, map metres."""
        u0, u1, v0, v1 = np.array(box) + self.spacing_m / 2 * np.array([-1, 1, -1, 1])
        x, y = self.frame.to_map([u0, u1, u1, u0], [v0, v0, v1, v1])
        return x.min(), y.min(), x.max(), y.max()

    def depth(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return how deep local positions lie inside the boxes, metres; negative outside of all."""
        return np.max([depth_in(box, u, v) for box in self.boxes], axis=0)


def depth_in(box: tuple[float, float, float, float], u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Return how deep local positions lie inside a box, metres; negative outside."""
    u0, u1, v0, v1 = box
    return np.minimum(np.minimum(u - u0, u1 - u), np.minimum(v - v0, v1 - v))


def traverses_of(readings: Readings, rows: np.ndarray, channel: str, name: str, *, cubic: bool = True) -> Traverses:
    """Carry the readings of one grid onto common nodes along its lines.

    Parameters
    ----------
    readings : Readings
    rows : (n,) int
        The grid's readings in use, with finite value and position.
    channel : str
    name : str
        Of the grid, for messages.
    cubic : bool
        Cubic splines along the lines, else straight pieces.

    Raises
    ------
    EngineError
        With fewer than two traverses side by side.
    """
    used = len(rows)
    rows, run = _in_line_order(readings, rows)
    u, v, z = readings.u_m[rows], readings.v_m[rows], readings.channels[channel][rows]
    line, place = _lines(u, run, name)
    spacing = float(np.median(np.diff(place)))
    walk = _walk(v, u, z, run, spacing)
    origin, nodes = _nodes(walk.v, walk.interval_m)
    u_node, z_node, real = _by_line(line, len(place), *_carry(walk, origin, nodes, len(line), cubic))
    half_u, half_v = spacing / 2, walk.interval_m / 2
    variance = np.zeros(len(place))
    if channel in readings.se:
        variance = np.bincount(line[run], np.nan_to_num(readings.se[channel][rows]) ** 2) / np.bincount(line[run])
    return Traverses(
        name=name,
        frame=_frame(readings, rows),
        v0_m=origin,
        interval_m=walk.interval_m,
        spacing_m=spacing,
        boxes=((walk.u.min() - half_u, walk.u.max() + half_u, walk.v.min() - half_v, walk.v.max() + half_v),),
        u=u_node,
        z=z_node,
        real=real,
        line_variance=np.broadcast_to(variance, z_node.shape),
        noise=_noise(walk),
        x=readings.x[rows],
        y=readings.y[rows],
        ties=used - len(rows),
        straight=bool(np.abs(u - place[line[run]]).max() < STRAIGHT_M),
    )


@dataclass(frozen=True)
class _Walk:
    """Readings of all recordings of a grid, one after the other, each in order of v; arrays of equal length."""

    v: np.ndarray
    u: np.ndarray
    z: np.ndarray
    run: np.ndarray
    first: np.ndarray
    interval_m: float


def _in_line_order(readings: Readings, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows sorted by recording and v, and the recording (from 0) of each; tie lines are left out."""
    if not len(rows):
        return rows, np.zeros(0, int)
    line, number, v = readings.line[rows], readings.run[rows], readings.v_m[rows]
    heads = np.flatnonzero(np.append(True, (line[1:] != line[:-1]) | (number[1:] != number[:-1])))
    codes = line[heads].astype(np.int64) * (int(number.max()) + 1) + number[heads]
    run = np.unique(codes, return_inverse=True)[1].reshape(-1).repeat(np.diff(np.append(heads, len(rows))))
    v = v - v.min()
    # One key instead of two: recordings come nearly sorted, so a stable sort of it is quick.
    order = np.argsort(run * (v.max() + 1.0) + v, kind="stable")
    rows, run = rows[order], run[order]
    starts = np.flatnonzero(np.append(True, run[1:] != run[:-1]))
    u, v = readings.u_m[rows], readings.v_m[rows]
    across, along = (np.maximum.reduceat(a, starts) - np.minimum.reduceat(a, starts) for a in (u, v))
    lengthwise = across <= along
    if lengthwise.all():
        return rows, run
    kept = lengthwise[run]
    return rows[kept], (np.cumsum(lengthwise) - 1)[run[kept]]


def _lines(u: np.ndarray, run: np.ndarray, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the line (from 0, in order of u) of each recording, and the mean u of each line in metres."""
    middle = np.bincount(run, u) / np.bincount(run) if len(run) else np.zeros(0)
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


def _walk(v: np.ndarray, u: np.ndarray, z: np.ndarray, run: np.ndarray, spacing: float) -> _Walk:
    """Average readings at one place, and find where a recording breaks off."""
    same_run = run[1:] == run[:-1]
    steps = np.diff(v)
    usual = steps[same_run & (steps > SAME_LINE_M / 100)]
    interval = float(np.median(usual[_spread(len(usual))])) if len(usual) else spacing
    new = np.append(True, ~same_run | (steps > SAME_PLACE * interval))
    if not new.all():
        starts = np.flatnonzero(new)
        counts = np.diff(np.append(starts, len(v)))
        v, u, z = (np.add.reduceat(values, starts) / counts for values in (v, u, z))
        run = run[starts]
    # A gap narrower than the line spacing is better closed along the line than across.
    breaks = (run[1:] != run[:-1]) | (np.diff(v) > max(2.5 * interval, spacing))
    return _Walk(v, u, z, run, np.append(True, breaks), interval)


def _nodes(v: np.ndarray, interval: float) -> tuple[float, int]:
    """Return the first node and how many there are: in step with most readings, so that these are kept exactly."""
    phase = np.mod(v[_spread(len(v))] / interval, 1.0)
    at = (np.argmax(np.bincount((phase * 64).astype(int))) + 0.5) / 64
    away = np.mod(phase - at + 0.5, 1.0) - 0.5
    offset = at + np.median(away[np.abs(away) < 1.5 / 64])
    low, high = np.round(v.min() / interval - offset), np.round(v.max() / interval - offset)
    return float((low + offset) * interval), int(high - low) + 1


def _carry(walk: _Walk, origin: float, nodes: int, runs: int, cubic: bool):
    """Return u, value and whether a reading is near, (runs, nodes) each; NaN where the recording has no reading."""
    place = (walk.v - origin) / walk.interval_m
    nearest = np.rint(place)
    in_step = (np.abs(place - nearest).max() < 1e-6) and (np.diff(nearest)[~walk.first[1:]] == 1).all()
    if in_step:
        # Splines go through their knots: nothing to compute.
        u, z = np.full((2, runs, nodes), np.nan)
        at = walk.run * nodes + nearest.astype(int)
        u.ravel()[at], z.ravel()[at] = walk.u, walk.z
        return u, z, np.isfinite(z)
    base, missing, near = _base_readings(walk, np.ceil(place - 1e-6).astype(int), origin, nodes, runs)
    last = np.append(walk.first[1:], True)
    curvature = second_derivatives(walk.v, walk.z, walk.first) if cubic else np.zeros_like(walk.z)
    slope = knot_slopes(walk.v, walk.z, curvature, walk.first)
    step = np.where(last, 1.0, np.diff(walk.v, append=walk.v[-1:]))
    third = np.where(last, 0.0, np.diff(curvature, append=0.0)) / step
    drift = np.where(last, 0.0, np.diff(walk.u, append=0.0)) / step
    t = origin + walk.interval_m * np.arange(nodes) - walk.v[base]
    z = walk.z[base] + t * (slope[base] + t * (curvature[base] / 2 + t * (third[base] / 6)))
    u = walk.u[base] + t * drift[base]
    z[missing] = u[missing] = np.nan
    return u, z, near


def _base_readings(walk: _Walk, cell: np.ndarray, origin: float, nodes: int, runs: int):
    """Return, for every recording and node, the reading to expand around, whether there is none, and if one is near.

    It is the reading before the node where the recording goes on past the node, else an end within half an interval.
    ``cell`` is the first node at or after each reading.
    """
    counts = np.bincount(walk.run * (nodes + 1) + np.clip(cell, 0, nodes), minlength=runs * (nodes + 1))
    started = np.searchsorted(walk.run, np.arange(runs))[:, None]
    before = started + np.cumsum(counts.reshape(runs, nodes + 1)[:, :nodes], axis=1) - 1
    at = origin + walk.interval_m * np.arange(nodes)
    reach = (0.5 + SAME_PLACE) * walk.interval_m
    behind, ahead = np.maximum(before, started), np.minimum(before + 1, len(walk.v) - 1)
    from_behind, to_ahead = at - walk.v[behind], walk.v[ahead] - at
    last = np.append(walk.first[1:], True)[behind]
    within = (before >= started) & (~last | (from_behind <= reach))
    starts = walk.first[ahead] & (walk.run[ahead] == np.arange(runs)[:, None]) & (np.abs(to_ahead) <= reach)
    near = np.minimum(np.abs(from_behind), np.where(last, np.inf, np.abs(to_ahead))) <= walk.interval_m
    missing = ~(within | starts)
    return np.where(within, behind, ahead), missing, (near | starts) & ~missing


def _by_line(line: np.ndarray, lines: int, u: np.ndarray, z: np.ndarray, near: np.ndarray):
    """Return (nodes, lines) arrays: the mean over the recordings of a line wherever several have a value."""
    if lines == len(line):
        order = np.argsort(line)
        return tuple(np.ascontiguousarray(a[order].T) for a in (u, z, near))
    known = np.isfinite(z)
    sums = np.zeros((3, lines, z.shape[1]))
    for i, values in enumerate((known.astype(float), np.where(known, u, 0.0), np.where(known, z, 0.0))):
        np.add.at(sums[i], line, values)
    real = np.zeros((lines, z.shape[1]), bool)
    np.logical_or.at(real, line, near)
    count = np.where(sums[0] > 0, sums[0], np.nan)
    return tuple(np.ascontiguousarray(a.T) for a in (sums[1] / count, sums[2] / count, real))


def _noise(walk: _Walk) -> float:
    """Return the standard deviation of single readings, from fourth differences along the lines.

    The median of their absolute values is not moved by the few that cross a feature; a standard normal deviate has
    the median absolute value 0.6745, and the fourth difference of unit noise the variance 1+16+36+16+1 = 70.
    """
    if len(walk.z) < 5:
        return 0.0
    whole = ~(walk.first[1:-3] | walk.first[2:-2] | walk.first[3:-1] | walk.first[4:])
    differences = np.abs(np.diff(walk.z, 4)[whole])[:: max(1, len(whole) // NOISE_SAMPLE)]
    return float(np.median(differences) / (0.674490 * np.sqrt(70.0))) if len(differences) else 0.0


def _spread(count: int) -> np.ndarray:
    return np.linspace(0, count - 1, min(count, SAMPLE)).astype(int)


def _frame(readings: Readings, rows: np.ndarray) -> Frame:
    chosen = rows[_spread(len(rows))]
    return frame_of_readings(readings.u_m[chosen], readings.v_m[chosen], readings.x[chosen], readings.y[chosen])
