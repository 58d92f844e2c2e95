"""What tie lines and base readings say about the levels of the lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ..core import (
    CARRIED,
    INSTRUMENT,
    MIN_READINGS,
    POSITION_DECIMALS,
    Lines,
    Platform,
    Readings,
    half_window,
    is_across,
    lines_at,
    mean_within,
    noise_of_lines,
    profile_of,
    recordings,
    typical_length,
    walk_shapes,
)

SEARCH_M = 1.0
"""Largest shift of a tie along itself that is looked for, in metres. Derived: three standard deviations of the lag of a
tie (0.3 m), to the metre."""
SEARCH_READINGS = 2.0
"""Where readings of a tie are farther from each other, so many of their distances are looked through. Derived: a value
is written one reading late at most, and a better fit shows between readings on either side."""
BETTER = 0.9
"""A shift of a tie must bring its differences from the lines below this fraction of those before. Found by
tests/calibration/balance.py: as good as 0.7 and 0.99. Stripes alone bring them down by several per cent somewhere."""


@dataclass(frozen=True)
class Controls:
    """What controls the levels: crossovers of T ties with the lines, and sets of base readings; R observations.

    Attributes
    ----------
    value : (R,) float64
        Line minus tie at a crossover; the level of a set of base readings.
    variance : (R,) float64
        Of its error, without the along-line position error of the line; of base readings only their own scatter.
    v_m, slope_along_line : (R,) float64
        Where the line is crossed, and the slope of the signal along the line there, per metre.
    line, tie : (R,) int
        Index of the line and of the tie that cross; -1 at base readings.
    time_s, tie_time_s : (R,) float64
        When the line (or base) and the tie were read there.
    tie_design : (R, S) float64
        What the along-line position error of the tie adds to the value, by weights of its S shapes (``tie_shapes``).
    tie_rows, base_rows : list of (n,) int
        The readings of each tie and of each set of base readings.
    """

    value: np.ndarray
    variance: np.ndarray
    v_m: np.ndarray
    slope_along_line: np.ndarray
    line: np.ndarray
    tie: np.ndarray
    time_s: np.ndarray
    tie_time_s: np.ndarray
    tie_design: np.ndarray
    tie_rows: list[np.ndarray]
    base_rows: list[np.ndarray]


@dataclass(frozen=True)
class _Grid:
    """Readings of one grid, its lines, a channel of all readings (n,), and channel and time of the lines (L, V)."""

    readings: Readings
    lines: Lines
    values: np.ndarray
    matrix: np.ndarray
    when: np.ndarray


def controls_of(
    readings: Readings, lines: Lines, values: np.ndarray, matrix: np.ndarray, when: Optional[np.ndarray],
    walk: Optional[np.ndarray] = None, platform: Platform = CARRIED,
) -> Controls:  # fmt: skip
    """Return what the ties and base readings of one grid observe.

    Parameters
    ----------
    readings : Readings
        Readings of one grid.
    lines : Lines
        Its survey lines.
    values : (n,) float64
        Channel of all readings.
    matrix, when : (L, V) float64
        Channel and time of the survey lines on the common axis, NaN where there is none. Without times base readings
        observe nothing.
    walk : (T, S) float64, optional
        Weights of the shapes of each tie's position error so far, about which the model is linear.
    platform : Platform
    """
    grid = _Grid(readings, lines, values, matrix, np.full(matrix.shape, np.nan) if when is None else when)
    ties = [rows for rows in recordings(readings, "tie", values) if is_across(readings, lines, rows)]
    bases = recordings(readings, "base", values) if when is not None else []
    noise, shapes = 0.0, np.zeros((len(lines), 0))
    if ties:
        noise, shapes = noise_of_lines(matrix), tie_shapes(lines.u, platform)
    walk = np.zeros((len(ties), shapes.shape[1])) if walk is None else walk
    found = [_crossovers(grid, rows, number, noise, shapes, walk[number], platform) for number, rows in enumerate(ties)]
    found += [_base(grid, rows, shapes.shape[1]) for rows in bases]
    columns = [np.concatenate(column) for column in zip(*found)] if found else [np.zeros(0)] * 8 + [np.zeros((0, 0))]
    value, variance, v, slope, line, tie, time_s, tie_time_s, design = columns
    return Controls(
        value, variance, v, slope, line.astype(int), tie.astype(int), time_s, tie_time_s, design, ties, bases
    )


def tie_shapes(across: np.ndarray, platform: Platform = CARRIED) -> np.ndarray:
    """Return the shapes (L, S), in metres, of the along-line position error of a tie over lines at ``across`` (L,).

    With independent standard normal weights they make up the prior: a lag, and the position error of any line.
    """
    return np.concatenate([np.full((len(across), 1), INSTRUMENT.lag_m), walk_shapes(across, platform)], axis=1)


def _base(grid: _Grid, rows: np.ndarray, shapes: int) -> list[np.ndarray]:
    """Return the columns of ``Controls`` for one set of base readings."""
    values = grid.values[rows]
    level, spread = np.median(values), np.std(values) / np.sqrt(len(rows))
    numbers = (level, spread**2, np.nan, 0.0, -1, -1, np.mean(grid.readings.time_s[rows]), np.nan)
    return [*(np.array([number]) for number in numbers), np.zeros((1, shapes))]


def _crossovers(
    grid: _Grid, rows: np.ndarray, number: int, noise: float, shapes: np.ndarray, walk: np.ndarray, platform: Platform
) -> list[np.ndarray]:
    """Return the columns of ``Controls`` for one tie."""
    lines, readings = grid.lines, grid.readings
    order, u, smooth, slope = profile_of(readings, grid.values, rows)
    v, reach = np.median(readings.v_m[order]), half_window(lines.step_m)
    level, along, _ = lines_at(lines, grid.matrix, v)
    read_at = lines.u + _shift(lines.u, level, u, smooth) + shapes @ walk
    design = shapes * np.interp(read_at, u, slope)[:, None]
    difference = level - _between_ends(read_at, u, smooth) + design @ walk
    fraction = min(1.0, lines.step_m / (2 * reach))
    # Across the tie, and what the shapes of its position error do not have.
    variance = 2 * fraction * noise**2 + (platform.across_m * np.interp(read_at, u, slope)) ** 2
    time_s = mean_within(lines.v, grid.when, v - reach, v + reach)
    k = np.flatnonzero(np.isfinite(difference))
    tie_time_s = np.interp(read_at[k], u, readings.time_s[order])
    columns = [difference[k], variance[k], np.full(len(k), v), np.nan_to_num(along[k])]
    return [*columns, k, np.full(len(k), number), time_s[k], tie_time_s, design[k]]


def _between_ends(at: np.ndarray, u: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return values known at ``u`` (n,) at other positions, NaN beyond its ends.

    Ties end on lines as a rule: what lies beyond an end by rounding alone lies on it.
    """
    slack = 10.0**-POSITION_DECIMALS
    return np.where((at > u[0] + slack) & (at < u[-1] - slack), np.interp(at, u, values), np.nan)


def _shift(across: np.ndarray, level: np.ndarray, u: np.ndarray, smooth: np.ndarray) -> float:
    """Return the shift of a tie, in metres along itself, with which it follows the lines best.

    Levels of the lines differ by their offsets, so it is differences from the mean of the two neighbours that count,
    none with more than three times their median.
    """
    search = max(SEARCH_M, SEARCH_READINGS * typical_length(np.diff(u)))
    tried = np.array(sorted(np.linspace(-search, search, 21), key=abs))
    difference = level - _between_ends(across + tried[:, None], u, smooth)
    bend = np.abs(difference[:, 1:-1] - (difference[:, :-2] + difference[:, 2:]) / 2)
    bend = bend[:, np.isfinite(bend).all(axis=0)]
    if bend.shape[1] < MIN_READINGS:
        return 0.0
    cost = np.minimum(bend, 3 * np.median(bend[0])).mean(axis=1)
    best = np.argmin(cost)
    return float(tried[best]) if cost[best] < BETTER * cost[0] else 0.0
