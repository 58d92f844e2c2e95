"""What neighbouring lines, ties and base readings observe, as linear functions of what is not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping, Optional

import numpy as np

from ..core import INSTRUMENT, POSITION_DECIMALS, Lines, Platform, nearest_whole
from .drift import drift_basis, smooth_basis
from .tie_crossovers import Controls

PIECE_M = 1.0
"""Length of the pieces by which neighbouring lines are compared, in metres. Found by tests/calibration/balance.py: as
good as half and twice as much, whose levels err by 8 % less and 14 % more."""
BESIDE = 0.5
"""Weight of the pieces beside one in its pooled residual: features go on to the next piece and the next pair. Found by
tests/calibration/balance.py: as good as 0 and 1, whose levels err by 4 % less and as much."""
GEOLOGY_M = 7.0
"""Correlation length of smooth geology in metres: exp(-(x / GEOLOGY_M)^2 / 2). Common practice, no source: soils change
over some ten metres; features of archaeology are smaller."""


@dataclass(frozen=True)
class Model:
    """Linear observations of N unknowns by P pairs of lines, M pieces each, and R controls.

    Attributes
    ----------
    part : mapping of slice
        Where each kind of unknown stands.
    level : (L, N) float64
        Gives the mean level of each line.
    step, ramp : (P, N) float64
        Give what a pair of lines differs by in its middle, and per metre along it.
    control : (R, N) float64
        Gives crossovers and base readings.
    difference, fraction, from_middle, lag_effect : (P, M) float64
        Difference of the lines of a pair by pieces, the fraction of the length that a piece is, metres from the middle
        of the pair, and what a metre of lag adds to the difference.
    edge : (P, J) float64
        What edges along the traverses, under the lines and half-way between them, add to the steps.
    gap : (P,) float64
        Distance of the two lines, in median spacings.
    controls : Controls or None
    platform : Platform
    """

    part: Mapping[str, slice]
    level: np.ndarray
    step: np.ndarray
    ramp: np.ndarray
    control: np.ndarray
    difference: np.ndarray
    fraction: np.ndarray
    from_middle: np.ndarray
    lag_effect: np.ndarray
    edge: np.ndarray
    gap: np.ndarray
    controls: Optional[Controls]
    platform: Platform


def observe(
    lines: Lines, matrix: np.ndarray, when: Optional[np.ndarray], times: np.ndarray, controls: Optional[Controls],
    platform: Platform, waves: np.ndarray,
) -> Model:  # fmt: skip
    """Return the observations of one grid; arguments as of ``fit_line_levels``, ``waves`` (L, R) of its ridges."""
    first, second = lines.pairs.T
    piece = max(1, int(nearest_whole(PIECE_M / lines.step_m)))
    starts = np.arange(0, len(lines.v), piece)
    difference, count = _piece_means(matrix[first] - matrix[second], starts)
    fraction = count / len(lines.v)
    weight = fraction / np.maximum(fraction.sum(axis=1, keepdims=True), 1e-9)
    middle = lines.v[0] + lines.step_m * (starts + (piece - 1) / 2)
    from_middle = middle - (weight @ middle)[:, None]
    geology = smooth_basis(lines.u, lines.u, GEOLOGY_M)
    ramps = smooth_basis(lines.u, (lines.u[first] + lines.u[second]) / 2, GEOLOGY_M)
    drift = _drift_of_pieces(when, times, (len(lines), len(starts)), starts)
    part = _parts(len(lines), geology.shape[1], ramps.shape[1], drift.shape[2], waves.shape[1], controls)
    unknowns = part["walk"].stop
    level = np.zeros((len(lines), unknowns))
    level[:, part["offset"]] = np.eye(len(lines))
    level[:, part["direction"]] = lines.heading[:, None] / 2
    whole = level.copy()
    whole[:, part["geology"]], whole[:, part["ridges"]] = geology, waves
    whole[:, part["slope"]] = ((lines.u - lines.u.mean()) / max(np.ptp(lines.u), 1e-9))[:, None]
    step, ramp = whole[first] - whole[second], np.zeros((len(first), unknowns))
    ramp[:, part["ramp"]] = ramps
    if when is not None:
        level[:, part["drift"]] = np.nan_to_num(np.nanmean(drift, axis=1)) if drift.size else 0.0
        change = np.nan_to_num(drift[first] - drift[second])
        step[:, part["drift"]] = np.einsum("pm,pmk->pk", weight, change)
        lever = weight * from_middle / np.maximum((weight * from_middle**2).sum(axis=1, keepdims=True), 1e-9)
        ramp[:, part["drift"]] = np.einsum("pm,pmk->pk", lever, change)
    control = _control_rows(level, part, times, controls) if controls else np.zeros((0, unknowns))
    lag_effect = _lag_effect(lines, *_piece_means(matrix, starts), middle)
    edge, gap = _edges(lines.u[first], lines.u[second], lines.u), lines.gap_m / np.median(lines.gap_m)
    return Model(part, level, step, ramp, control, difference, fraction, from_middle, lag_effect, edge, gap, controls,
                 platform)  # fmt: skip


def _drift_of_pieces(
    when: Optional[np.ndarray], times: np.ndarray, shape: tuple[int, int], starts: np.ndarray
) -> np.ndarray:
    """Return (L, M, K) the functions of drift at the pieces of the lines, NaN where no time is known."""
    if when is None:
        return np.zeros((*shape, 0))
    clock, known = _piece_means(when, starts)
    drift = drift_basis(times, np.where(known > 0, clock, np.min(times)))
    drift[known == 0] = np.nan
    return drift


def _parts(
    lines: int, geology: int, ramps: int, drift: int, ridges: int, controls: Optional[Controls]
) -> dict[str, slice]:
    """Return where each kind of unknown stands."""
    ties = len(controls.tie_rows) if controls else 0
    sizes = {"offset": lines, "direction": 1, "geology": geology, "slope": 1, "ramp": ramps, "lag": 1, "drift": drift,
             "ridges": ridges, "tie": ties, "base": 1,
             "walk": controls.tie_design.shape[1] * ties if controls else 0}  # fmt: skip
    ends = np.cumsum(list(sizes.values()))
    return {name: slice(int(end - size), int(end)) for (name, size), end in zip(sizes.items(), ends)}


def _edges(first: np.ndarray, second: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Return (P, J) the steps that blurred edges make between positions ``first`` and ``second`` (P,)."""
    from scipy.special import ndtr

    edges = np.unique(np.round(np.concatenate([u, (u[1:] + u[:-1]) / 2]), POSITION_DECIMALS))
    before, after = ((at[:, None] - edges) / INSTRUMENT.footprint_m for at in (first, second))
    return ndtr(before) - ndtr(after)


def _piece_means(matrix: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the means of the pieces that begin at ``starts`` (0 without a value), and how many values each has."""
    known = np.isfinite(matrix)
    count = np.add.reduceat(known, starts, axis=1, dtype=float)
    total = np.add.reduceat(np.where(known, matrix, 0.0), starts, axis=1)
    return total / np.maximum(count, 1), count


def pooled(value: np.ndarray, fraction: np.ndarray) -> np.ndarray:
    """Return means of (P, M) pieces with those beside them, along the pair and in the pairs on both sides."""
    total = np.stack([value * fraction, fraction])
    for beside in (np.swapaxes(total, 1, 2), total):
        more = BESIDE * beside
        beside[:, 1:] += more[:, :-1]
        beside[:, :-1] += more[:, 1:]
    return total[0] / np.maximum(total[1], 1e-9)


def _lag_effect(lines: Lines, value: np.ndarray, count: np.ndarray, middle: np.ndarray) -> np.ndarray:
    """Return (P, M) what a metre of lag adds to the differences of pieces.

    It is the slope of the signal along the lines (of the pair and the lines on both sides) for lines out, and minus the
    same for lines back. ``value`` and ``count`` (L, M) are the means of the pieces, at ``middle`` (M,).
    """
    if len(middle) < 2:
        return np.zeros((len(lines.pairs), len(middle)))
    slope = np.gradient(np.where(count > 0, value, np.nan), middle, axis=1)
    slope = np.nan_to_num(np.pad(slope, ((1, 1), (0, 0)), mode="edge"))
    slope = (slope[:-2] + 2 * slope[1:-1] + slope[2:]) / 4
    first, second = lines.pairs.T
    # On a plane it is an offset between the directions.
    both = slope[first] + slope[second] - 2 * np.median(slope)
    return -(lines.heading[first] - lines.heading[second])[:, None] * both / 2


def _control_rows(level: np.ndarray, part: Mapping[str, slice], times: np.ndarray, controls: Controls) -> np.ndarray:
    """Return the rows (R, N) of crossovers (line minus tie) and base readings."""
    rows = np.zeros((len(controls.value), level.shape[1]))
    cross, base = np.flatnonzero(controls.tie >= 0), np.flatnonzero(controls.tie < 0)
    rows[cross] = level[controls.line[cross]]
    if part["drift"].stop > part["drift"].start:
        rows[:, part["drift"]] = drift_basis(times, controls.time_s)
        rows[cross, part["drift"]] -= drift_basis(times, controls.tie_time_s[cross])
    rows[cross, part["tie"].start + controls.tie[cross]] = -1.0
    shapes = controls.tie_design.shape[1]
    walk = part["walk"].start + shapes * controls.tie[cross][:, None] + np.arange(shapes)
    rows[cross[:, None], walk] = controls.tie_design[cross]
    rows[base, part["base"]] = 1.0
    return rows


def row_median(matrix: np.ndarray) -> np.ndarray:
    """Return the median of each row without its NaN; NaN for an empty row."""
    count = np.count_nonzero(np.isfinite(matrix), axis=1)
    if not matrix.size:
        return np.full(len(matrix), np.nan)
    rows = np.arange(len(matrix))
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, matrix.shape[1] - 1)
    ordered = np.partition(matrix, np.unique([low, high]), axis=1)
    return np.where(count > 0, (ordered[rows, low] + ordered[rows, high]) / 2, np.nan)
