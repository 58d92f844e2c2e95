"""Averages of readings over short lengths of line, and how rough the signal is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..core import POSITION_DECIMALS, Readings, flag_bit, kind_code

SEGMENT_M = 0.5
"""Length of line that a segment averages over. Common practice, no source: little more than coils see at once."""
POWER = 1.5
"""Exponent of the signal's variogram. Derived: between that of a random walk (1) and that of a smooth surface (2)."""
FAR = 4
"""The roughness is read from segments next to each other and from segments this many apart, 2 m. Common practice,
no source."""
LEAST_FACTOR = 0.01
"""Least factor of the variogram, as a fraction of the variance in the grids, for a signal that varies across the lines
alone. Derived: over the 20 m of a grid the variogram then rises to about that variance, 0.01 * 20 ** 1.5 = 0.9."""
TYPICAL = 0.68
"""Derived: fraction of normal differences within one standard deviation."""


@dataclass(frozen=True)
class Segments:
    """Averages over short lengths of line, P of them.

    Attributes
    ----------
    grid, line : (P,) int
        Index in ``Readings.grids``; number of the recorded line, counted over all grids.
    position : (P, 2) float64
        Map position in metres.
    value, error : (P,) float64
        Mean of the readings; standard error of the line's offset.
    across : (P,) float64
        Position in the grid along its baseline, 0 at the first line and 1 at the last.
    beyond, tie : (P,) bool
        Whether they are overrun, beyond the edges of their grid; whether of a tie line (only overrun of ties is here).
    """

    grid: np.ndarray
    line: np.ndarray
    position: np.ndarray
    value: np.ndarray
    error: np.ndarray
    across: np.ndarray
    beyond: np.ndarray
    tie: np.ndarray

    def __len__(self) -> int:
        return len(self.value)

    def in_units_of(self, unit: float) -> Segments:
        """Return the segments with value and error divided by a number."""
        return replace(self, value=self.value / unit, error=self.error / unit)


def segments_of(readings: Readings, channel: str) -> Segments:
    """Return the averages of the survey's readings in use, and of all overrun, that have a value and a map position.

    Overrun of a tie line has the median error of the survey lines, which the tie was balanced with.
    """
    values, used = readings.channels[channel], np.flatnonzero(_used(readings, channel) | _overrun(readings, channel))
    line = _codes(readings.grid[used], readings.kind[used], readings.line[used], readings.run[used])
    beyond, tie = readings.flag[used] != 0, readings.kind[used] == kind_code("tie")
    along = np.where(tie, readings.u_m[used], readings.v_m[used])
    piece = _codes(line, np.floor(along / SEGMENT_M + 1e-6), beyond)
    size = np.bincount(piece)
    of_piece = np.zeros(len(size), int)
    of_piece[piece] = np.arange(len(used))

    def mean(column: np.ndarray) -> np.ndarray:
        return np.bincount(piece, column[used]) / size

    grid, line, value = readings.grid[used][of_piece], line[of_piece], mean(values)
    position, tie = np.stack([mean(readings.x), mean(readings.y)], axis=1), tie[of_piece]
    # A tie runs over the one or the other edge of its grid.
    edge = readings.u_m > (np.median(readings.u_m[used]) if len(used) else 0.0)
    across = np.where(tie, mean(edge), mean(np.nan_to_num(across_of(readings, channel))))
    segments = Segments(grid, line, position, value, np.zeros(len(value)), across, beyond[of_piece], tie)
    if channel not in readings.se:
        return replace(segments, error=scatter_of_lines(segments))
    error = mean(np.nan_to_num(readings.se[channel]))
    return replace(segments, error=np.where(tie, np.median(error[~tie]) if not tie.all() else 0.0, error))


def _used(readings: Readings, channel: str) -> np.ndarray:
    """Return which survey readings are in use and have a value and a map position."""
    return readings.in_use & (readings.kind == kind_code("survey")) & _placed(readings, channel)


def _overrun(readings: Readings, channel: str) -> np.ndarray:
    """Return which readings of survey and tie lines are overrun, with nothing else against them."""
    of_line = np.isin(readings.kind, [kind_code("survey"), kind_code("tie")])
    return (readings.flag == flag_bit("overrun")) & of_line & _placed(readings, channel)


def _placed(readings: Readings, channel: str) -> np.ndarray:
    places = readings.x + readings.y + readings.u_m + readings.v_m
    return np.isfinite(places + readings.channels[channel])


def _codes(*columns: np.ndarray) -> np.ndarray:
    """Return (n,) numbers from 0 on that are equal where all columns are."""
    code = np.zeros(len(columns[0]), np.int64)
    for column in columns:
        column = np.asarray(column, np.int64) - int(np.min(column, initial=0))
        code = code * (int(np.max(column, initial=0)) + 1) + column
    return np.unique(code, return_inverse=True)[1].reshape(-1)


def across_of(readings: Readings, channel: str) -> np.ndarray:
    """Return (n,) the position of survey readings in their grid along its baseline, 0 at the first line, 1 at the last.

    NaN for tie lines, base readings and readings without a position.
    """
    used, u = np.flatnonzero(_used(readings, channel)), readings.u_m
    low, high = np.full(len(readings.grids), np.inf), np.full(len(readings.grids), -np.inf)
    used = used[np.argsort(readings.grid[used], kind="stable")]
    grids, starts = np.unique(readings.grid[used], return_index=True)
    low[grids], high[grids] = (extreme.reduceat(u[used], starts) for extreme in (np.minimum, np.maximum))
    measured = (low < np.inf)[readings.grid] & (readings.kind == kind_code("survey"))
    across = np.full(len(readings), np.nan)
    grid = readings.grid[measured]
    across[measured] = np.clip((u[measured] - low[grid]) / np.maximum((high - low)[grid], 1e-9), 0.0, 1.0)
    return across


def scatter_of_lines(segments: Segments) -> np.ndarray:
    """Return (P,) the standard deviation of line offsets by second differences of line means, robust.

    For lines that were not balanced. Of white offsets, a line minus the mean of its neighbours has sqrt(3/2) of the
    standard deviation.
    """
    inside = ~segments.beyond
    line = np.unique(segments.line[inside], return_inverse=True)[1]
    size = np.maximum(np.bincount(line), 1)
    columns = segments.value[inside], segments.grid[inside], segments.across[inside]
    mean, of_grid, position = (np.bincount(line, column) / size for column in columns)
    # Recordings of one line keep their order, however their means are rounded.
    order = np.lexsort((np.round(position, POSITION_DECIMALS), of_grid))
    mean, of_grid = mean[order], np.round(of_grid[order])
    bend = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    bend = bend[of_grid[2:] == of_grid[:-2]]
    scatter = np.quantile(np.abs(bend), TYPICAL) / np.sqrt(1.5) if len(bend) else 0.0
    return np.full(len(segments), scatter)


def line_errors(segments: Segments) -> np.ndarray:
    """Return (P,) the standard errors of the lines within their grid, what all lines of a grid share left out.

    Notes
    -----
    Lines levelled one by the next are off as a random walk about its mean is: its variance at the position t across the
    grid is a (t^2 - t + 1/3), four times as large at the edges as in the middle. The squares of the errors given are
    this, by least squares, and a remainder; the own error of every line in it shows as bends between neighbours, and
    what goes beyond them is the error of the grid's level.
    """
    square, walk = segments.error**2, segments.across**2 - segments.across + 1 / 3
    spread = np.sum((walk - np.mean(walk)) ** 2) if len(segments) else 0.0
    rise = np.sum((walk - np.mean(walk)) * square) / spread if spread > 0 else 0.0
    rise = np.clip(rise, 0.0, np.min(square / walk, initial=np.inf))
    scatter = scatter_of_lines(segments)
    return np.sqrt(rise * walk + np.minimum(np.maximum(square - rise * walk, 0.0), scatter**2))


def variogram_of(segments: Segments) -> tuple[float, float]:
    """Return nugget and factor of the signal's semivariance nugget + factor * metres ** POWER.

    From differences along the lines, which no offset of a line touches, by their quantile of 68 %: what is rarer than
    a third of the area is a feature.
    """
    near, far = (_semivariance(segments, lag) for lag in (1, FAR))
    factor = max((far - near) / ((FAR * SEGMENT_M) ** POWER - SEGMENT_M**POWER), LEAST_FACTOR * _spread(segments))
    return max(near - factor * SEGMENT_M**POWER, 0.0), factor


def _spread(segments: Segments) -> float:
    """Return the variance of the segments about the median of their grid, robust."""
    # Segments are sorted by grid.
    parts = np.split(segments.value, np.flatnonzero(np.diff(segments.grid)) + 1)
    size = np.abs(np.concatenate([part - np.median(part) for part in parts])) if len(segments) else np.zeros(1)
    return float(np.quantile(size, TYPICAL) ** 2)


def _semivariance(segments: Segments, lag: int) -> float:
    # Segments are sorted by line and by position on it.
    same = segments.line[lag:] == segments.line[:-lag]
    size = np.abs(segments.value[lag:] - segments.value[:-lag])[same]
    return float(np.quantile(size, TYPICAL) ** 2 / 2) if len(size) else 0.0
