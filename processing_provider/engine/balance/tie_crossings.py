"""What tie lines and base readings say about the levels of the lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ..core import (
    CARRIED,
    HALF_WINDOW_M,
    INSTRUMENT,
    MIN_READINGS,
    Lines,
    Platform,
    Readings,
    is_across,
    lines_at,
    mean_within,
    noise_of_lines,
    profile_of,
    recordings,
    walk_shapes,
)

SEARCH_M = 1.0
"""Largest shift of a tie along itself that is looked for."""
BETTER = 0.9
"""A shift of a tie must bring its differences from the lines below this share of those before: stripes alone bring
them down by several per cent somewhere."""


@dataclass(frozen=True)
class Marks:
    """Crossings of T ties with the lines, and sets of base readings: R observations.

    Attributes
    ----------
    value : (R,) float64
        Line minus tie at a crossing; the level of a set of base readings.
    variance : (R,) float64
        Its error, how far a line was walked from where it is written left out; of base readings only what their own
        scatter says.
    v_m, along : (R,) float64
        Where the line is crossed, and the slope of the ground along the line there, per metre.
    line, tie : (R,) int
        Which line and which tie cross; -1 at base readings.
    time_s, tie_time_s : (R,) float64
        When the line (or base) and the tie were read there.
    turn : (R, S) float64
        What the walk of the tie adds to the value, by the weights of its S shapes (see ``tie_shapes``).
    tie_rows, base_rows : list of (n,) int
        The readings of each tie and of each set of base readings.
    """

    value: np.ndarray
    variance: np.ndarray
    v_m: np.ndarray
    along: np.ndarray
    line: np.ndarray
    tie: np.ndarray
    time_s: np.ndarray
    tie_time_s: np.ndarray
    turn: np.ndarray
    tie_rows: list
    base_rows: list


def marks_of(
    readings: Readings, lines: Lines, values: np.ndarray, matrix: np.ndarray, when: Optional[np.ndarray],
    walk: Optional[np.ndarray] = None, platform: Platform = CARRIED,
) -> Marks:  # fmt: skip
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
        say nothing.
    walk : (T, S) float64, optional
        Weights of the shapes of each tie's walk so far, about which what the rest of it does is linear.
    platform : Platform
    """
    timed = when is not None
    when = np.full(matrix.shape, np.nan) if when is None else when
    ties = [rows for rows in recordings(readings, "tie", values) if is_across(readings, lines, rows)]
    bases = recordings(readings, "base", values) if timed else []
    noise, shapes = (
        (noise_of_lines(matrix), tie_shapes(lines.u, platform)) if ties else (0.0, np.zeros((len(lines), 0)))
    )
    walk = np.zeros((len(ties), shapes.shape[1])) if walk is None else walk
    found = [
        _crossings(readings, lines, values, matrix, when, rows, number, noise, shapes, walk[number], platform)
        for number, rows in enumerate(ties)
    ]
    for rows in bases:
        level, spread = np.median(values[rows]), np.std(values[rows]) / np.sqrt(len(rows))
        still = np.zeros((1, shapes.shape[1]))
        mean_s = [np.mean(readings.time_s[rows])]
        found.append([[level], [spread**2], [np.nan], [0.0], [-1], [-1], mean_s, [np.nan], still])
    columns = [np.concatenate(column) for column in zip(*found)] if found else [np.zeros(0)] * 8 + [np.zeros((0, 0))]
    value, variance, v, along, line, tie, *times, turn = columns
    return Marks(value, variance, v, along, line.astype(int), tie.astype(int), *times, turn, ties, bases)


def tie_shapes(across: np.ndarray, platform: Platform = CARRIED) -> np.ndarray:
    """Return (L, S) shapes of the walk of a tie over lines at ``across`` (L,) metres, in metres.

    With independent standard normal weights they make up what is expected of it: a lag, and a walk like any other.
    """
    return np.concatenate([np.full((len(across), 1), INSTRUMENT.lag_m), walk_shapes(across, platform)], axis=1)


def _crossings(readings, lines, values, matrix, when, rows, number, noise, shapes, walk, platform) -> list[np.ndarray]:
    """Return the columns of ``Marks`` for one tie."""
    order, u, smooth, slope = profile_of(readings, values, rows)
    v, reach = np.median(readings.v_m[order]), HALF_WINDOW_M
    level, along, _ = lines_at(lines, matrix, v)
    place = lines.u + _shift(lines.u, level, u, smooth) + shapes @ walk
    turn = shapes * np.interp(place, u, slope)[:, None]
    apart = level - np.interp(place, u, smooth, left=np.nan, right=np.nan) + turn @ walk
    share = min(1.0, lines.step_m / (2 * reach))
    # Across the tie, and what the shapes of its walk do not have.
    variance = 2 * share * noise**2 + (platform.across_m * np.interp(place, u, slope)) ** 2
    time_s = mean_within(lines.v, when, v - reach, v + reach)
    k = np.flatnonzero(np.isfinite(apart))
    there = np.interp(place[k], u, readings.time_s[order])
    columns = [apart[k], variance[k], np.full(len(k), v), np.nan_to_num(along[k])]
    return [*columns, k, np.full(len(k), number), time_s[k], there, turn[k]]


def _shift(across: np.ndarray, level: np.ndarray, u: np.ndarray, smooth: np.ndarray) -> float:
    """Return how far the tie was read ahead of where it is written: where it follows the lines best.

    Levels of the lines differ by their offsets, so it is differences from the mean of the two neighbours that count,
    each with no more than three times the usual one.
    """
    tried = np.array(sorted(np.linspace(-SEARCH_M, SEARCH_M, 21), key=abs))
    apart = level - np.interp(across + tried[:, None], u, smooth, left=np.nan, right=np.nan)
    bend = np.abs(apart[:, 1:-1] - (apart[:, :-2] + apart[:, 2:]) / 2)
    bend = bend[:, np.isfinite(bend).all(axis=0)]
    if bend.shape[1] < MIN_READINGS:
        return 0.0
    cost = np.minimum(bend, 3 * np.median(bend[0])).mean(axis=1)
    best = np.argmin(cost)
    return float(tried[best]) if cost[best] < BETTER * cost[0] else 0.0
