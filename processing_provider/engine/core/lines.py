"""A grid's readings as lines side by side: sorted along the baseline, on one axis along the traverses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Sequence
from weakref import ref

import numpy as np
from numpy.typing import ArrayLike

from .columns import FULL_SCALE, kind_code
from .errors import EngineError
from .noise import median
from .readings import Readings

MIN_READINGS = 3
"""A recording with fewer readings in use shows nothing of its line. Derived: a second difference takes three."""
MAX_GAP_STEPS = 2.5
"""Between readings that are more steps than this from each other nothing is interpolated. Derived: one reading may be
missing (two steps), with half a step for uneven pace."""
SAME_PLACE = 0.25
"""Lines nearer to each other than this fraction of the spacing have one position along the baseline. Common practice,
no source: a line walked again lies within a few centimetres, and lines half a spacing from each other are two."""
ROUNDING = 1e-6
"""Of a step: what is no nearer to half-way between two whole steps lies half-way. Derived: positions are rounded to
1e-9 m, so it serves down to steps of a millimetre, and more moves a value by less than any unit that is recorded."""
LENGTH_DECIMALS = 12
"""Decimals of measured steps and spacings, metres. Derived: medians of positions along a line differ by 1e-14 m from
library to library, and a thousand steps that are rounded so by 1e-9 m."""
POSITION_DECIMALS = 9
"""Decimals of positions, metres: those that agree in them are one. Derived: a nanometre is rounding, and no more."""
LEAST_STEP_M = 1e-6
"""Readings closer than this stand at one position. Derived: far above rounding, far below any interval."""


LINES_FROM = ("grid", "line", "run", "seq", "heading", "kind", "flag", "u_m", "v_m")
"""Columns that the lines of a grid follow from."""
KEPT = 3
"""Tables whose lines are kept. Derived: a correction goes from the readings as they come to those that it moved, and
the next one begins with either."""


@dataclass(frozen=True)
class Lines:
    """The survey lines of one grid; tie lines and lines without a position are left out.

    Attributes
    ----------
    owner : (n,) int
        Which line each reading (flagged or not) belongs to; -1 = none.
    line, run, heading : (L,) int
    u : (L,) float64
        Metres along the baseline, ascending.
    v : (V,) float64
        The common axis along the traverses in metres.
    step_m : float
        Step of ``v``: the median distance between readings.
    pairs : (P, 2) int
        Lines that lie side by side.
    gap_m : (P,) float64
        Distance between the two lines of a pair.
    """

    owner: np.ndarray
    line: np.ndarray
    run: np.ndarray
    heading: np.ndarray
    u: np.ndarray
    v: np.ndarray
    step_m: float
    pairs: np.ndarray
    gap_m: np.ndarray

    def __len__(self) -> int:
        return len(self.u)

    def resample(self, readings: Readings, values: np.ndarray) -> np.ndarray:
        """Return (..., L, V) values (..., n) on the common axis.

        They are linear between readings in use, NaN where there are none.
        """
        known = np.atleast_2d((self.owner >= 0) & (readings.flag == 0) & np.isfinite(values))
        if np.any(known != known[:1]):
            return np.stack([self.resample(readings, one) for one in values])
        shape = (*values.shape[:-1], len(self), len(self.v))
        used = np.flatnonzero(known.all(axis=0))
        if not len(used) or not len(self):
            return np.full(shape, np.nan)
        stride = self.v[-1] - self.v[0] + 10 * self.step_m
        chain = self.owner[used] * stride + readings.v_m[used] - self.v[0]
        order = np.argsort(chain, kind="stable")
        chain, known = chain[order], values[..., used[order]]
        wanted = (np.arange(len(self))[:, None] * stride + self.v - self.v[0]).ravel()
        left = np.searchsorted(chain, wanted + 1e-6 * self.step_m) - 1
        right = np.minimum(left + 1, len(chain) - 1)
        left = np.maximum(left, 0)
        ahead, width = wanted - chain[left], chain[right] - chain[left]
        fraction = np.minimum(np.maximum(ahead / np.where(width > 0, width, 1.0), 0.0), 1.0)
        on_reading = np.abs(ahead) < 1e-3 * self.step_m
        between = (ahead >= 0) & (width > 0) & (width < MAX_GAP_STEPS * self.step_m)
        before, beyond = known[..., left], known[..., right]
        filled = before + np.where(between, fraction, 0.0) * (beyond - before)
        return np.where(on_reading | between, filled, np.nan).reshape(shape)


def typical_length(lengths_m: np.ndarray) -> float:
    """Return the median of measured lengths in metres, without what rounding adds to it."""
    return round(median(lengths_m), LENGTH_DECIMALS)


def positions_of(u: np.ndarray) -> np.ndarray:
    """Return (L,) int which position along the baseline, from 0, each of the lines at ``u`` (L,) ascending metres has.

    Recordings of one line share it.
    """
    gap = np.diff(u, prepend=u[:1])
    separate = gap > 0.01
    spacing = typical_length(gap[separate]) if separate.any() else 1.0
    return np.cumsum(gap > SAME_PLACE * spacing)


def nearest_whole(steps: ArrayLike) -> np.ndarray:
    """Return the whole numbers nearest to positions counted in steps.

    Half-way between two it is the upper one, however the last digits of a position were rounded: these differ from one
    version of numpy or BLAS to the next.
    """
    return np.floor(np.asarray(steps) + (0.5 + ROUNDING))


_last: list[tuple[list[ref[np.ndarray]], Lines]] = []


def grids_of(readings: Readings) -> Iterator[tuple[str, np.ndarray, Readings]]:
    """Yield (name, rows in the table, readings) of each grid."""
    for code, name in enumerate(readings.grids):
        rows = np.flatnonzero(readings.grid == code)
        if len(rows):
            yield name, rows, readings.take(rows) if len(rows) < len(readings) else readings


def check_in_grid(name: str, readings: Readings) -> None:
    """Refuse readings that lie in no grid: corrections compare lines side by side, and these show none.

    Parameters
    ----------
    name : str
        Of the grid, for the message.
    readings : Readings
        Of one grid.

    Raises
    ------
    EngineError
        When survey readings are in use, and none of them has u_m and v_m.
    """
    used = readings.in_use & (readings.kind == kind_code("survey"))
    if not used.any() or (np.isfinite(readings.u_m) & np.isfinite(readings.v_m))[used].any():
        return
    what = f"The readings of grid {name}" if name else "The readings"
    if not (np.isfinite(readings.x) & np.isfinite(readings.y))[used].any():
        raise EngineError(f"{what} are not placed (no u_m and v_m). Run 'Place readings on the ground' first.")
    raise EngineError(
        f"{what} have positions on the map, but none in a grid (no u_m and v_m), and corrections compare the lines of "
        "a grid side by side. Map them as they are: 'Interpolate readings to a raster' by minimum curvature or "
        "kriging. Where they were walked in a grid, run 'Place readings on the ground' first."
    )


def at_full_scale(readings: Readings, channel: str) -> np.ndarray:
    """Return which readings of a channel stand at an end of its scale, (n,) bool, as they were marked when placed."""
    marked = readings.extras.get(channel + FULL_SCALE)
    return np.zeros(len(readings), bool) if marked is None else np.isfinite(marked)


def without_full_scale(readings: Readings, channels: Sequence[str]) -> Readings:
    """Return the readings that fits rest on: no value where a channel stands at an end of its scale."""
    found = {channel: at_full_scale(readings, channel) for channel in channels}
    cut = {c: np.where(full, np.nan, readings.channels[c]) for c, full in found.items() if full.any()}
    return readings.replace(channels={**readings.channels, **cut}) if cut else readings


def lines_of(readings: Readings) -> Lines:
    """Return the survey lines of one grid's readings.

    Parameters
    ----------
    readings : Readings
        Placed readings of one grid.

    Notes
    -----
    Corrections ask for the lines of the same readings again and again: columns are never changed in place, so that the
    lines of the last tables are those of any table with the same columns.
    """
    columns = [getattr(readings, name) for name in LINES_FROM]
    for known, lines in tuple(_last):
        if all(one() is column for one, column in zip(known, columns)):
            return lines
    lines = _lines_of(readings)
    _last[:] = [([ref(column) for column in columns], lines), *_last[: KEPT - 1]]
    return lines


def _lines_of(readings: Readings) -> Lines:
    order, recording = readings.in_runs()
    kept = ((readings.flag == 0) & np.isfinite(readings.u_m) & np.isfinite(readings.v_m))[order]
    rows = order[kept]
    chosen, first, u = _along_baseline(readings, rows, recording[kept])
    number = np.full(int(recording[-1]) + 1 if len(recording) else 0, -1)
    number[chosen] = np.arange(len(chosen))
    owner = np.full(len(readings), -1)
    owner[order] = number[recording]
    rows = rows[owner[rows] >= 0]
    v, step = _axis(readings.v_m[rows], owner[rows])
    pairs = _pairs(u)
    return Lines(
        owner=owner,
        line=readings.line[first].astype(int),
        run=readings.run[first].astype(int),
        heading=np.sign(np.bincount(owner[rows], readings.heading[rows], len(u))).astype(int),
        u=u,
        v=v,
        step_m=step,
        pairs=pairs,
        gap_m=np.abs(u[pairs[:, 1]] - u[pairs[:, 0]]),
    )


def _along_baseline(readings: Readings, rows: np.ndarray, recording: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return the recordings that are survey lines, the first row and the median u of each, u ascending.

    ``rows`` are those in use and placed, recording by recording.
    """
    size = np.bincount(recording)
    found = np.flatnonzero(size)
    size = size[found]
    start = np.cumsum(size) - size
    u, v = readings.u_m[rows], readings.v_m[rows]
    spread_u, spread_v = (np.maximum.reduceat(c, start) - np.minimum.reduceat(c, start) for c in (u, v))
    survey = readings.kind[rows[start]] == kind_code("survey")
    # So far at least one step is longer than the least, and the axis has a step.
    walked = spread_v > np.maximum(spread_u, (size - 1) * LEAST_STEP_M)
    lines = np.flatnonzero(survey & (size >= MIN_READINGS) & walked)
    u = u[np.lexsort((u, recording))]
    middle = ((u[start + (size - 1) // 2] + u[start + size // 2]) / 2)[lines]
    order = np.argsort(np.round(middle, POSITION_DECIMALS), kind="stable")
    return found[lines[order]], rows[start[lines[order]]], middle[order]


def _axis(v: np.ndarray, owner: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the common axis and its step from readings in walking order, line by line."""
    if not len(v):
        return np.zeros(0), 1.0
    steps = np.abs(np.diff(v))[owner[1:] == owner[:-1]]
    step = typical_length(steps[steps > LEAST_STEP_M])
    low, high = v.min(), v.max()
    return low + step * np.arange(int(np.floor((high - low) / step + ROUNDING)) + 1), step


def _pairs(u: np.ndarray) -> np.ndarray:
    """Return every couple of lines from one position along the baseline and from the next one (u ascending)."""
    position = positions_of(u)
    first, second = np.nonzero(position[None, :] - position[:, None] == 1)
    return np.stack([first, second], axis=1)
