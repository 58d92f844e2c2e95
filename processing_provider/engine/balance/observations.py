"""What neighbouring lines, ties and base readings observe, as linear functions of what is not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ..core import INSTRUMENT, Lines, Platform
from .drift import drift_basis, smooth_basis
from .tie_crossings import Marks

PIECE_M = 1.0
"""Neighbouring lines are compared piece by piece of this length."""
BESIDE = 0.5
"""Weight of a piece's neighbours in what is left over around it: features go on to the next piece and pair."""
GROUND_M = 7.0
"""Smooth ground is remembered for this distance: its correlation is exp(-(x / GROUND_M)^2 / 2)."""


@dataclass(frozen=True)
class Model:
    """Linear observations of N unknowns.

    ``level`` (L, N) gives the mean level of each line, ``step`` (P, N) and ``ramp`` (P, N) what a pair of lines differs
    by in its middle and by metre along it, ``mark`` (R, N) the ties and base readings. ``apart``, ``share`` and
    ``place`` (P, M) are differences of pieces, their share of the length and metres from the pair's middle; ``lagging``
    (P, M) is what a metre of lag does to them. ``edge`` (P, J) is what edges along the traverses at J places, under the
    lines and half-way between them, add to the steps.
    """

    part: dict
    level: np.ndarray
    step: np.ndarray
    ramp: np.ndarray
    mark: np.ndarray
    apart: np.ndarray
    share: np.ndarray
    place: np.ndarray
    lagging: np.ndarray
    edge: np.ndarray
    gap: np.ndarray
    marks: Optional[Marks]
    platform: Platform


def observe(lines, matrix, when, times, marks, platform: Platform) -> Model:
    """Return the observations of one grid; arguments as of ``fit_levels``."""
    first, second = lines.pairs.T
    piece = max(1, round(PIECE_M / lines.step_m))
    starts = np.arange(0, len(lines.v), piece)
    apart, count = _piece_means(matrix[first] - matrix[second], starts)
    share = count / len(lines.v)
    weight = share / np.maximum(share.sum(axis=1, keepdims=True), 1e-9)
    middle = lines.v[0] + lines.step_m * (starts + (piece - 1) / 2)
    place = middle - (weight @ middle)[:, None]
    ground = smooth_basis(lines.u, lines.u, GROUND_M)
    ramps = smooth_basis(lines.u, (lines.u[first] + lines.u[second]) / 2, GROUND_M)
    drift = np.zeros((len(lines), len(starts), 0))
    if when is not None:
        clock, known = _piece_means(when, starts)
        drift = drift_basis(times, np.where(known > 0, clock, np.min(times)))
        drift[known == 0] = np.nan
    ties = len(marks.tie_rows) if marks else 0
    sizes = {"offset": len(lines), "direction": 1, "ground": ground.shape[1], "slope": 1, "ramp": ramps.shape[1],
             "lag": 1, "drift": drift.shape[2], "tie": ties, "base": 1,
             "walk": marks.turn.shape[1] * ties if marks else 0}  # fmt: skip
    ends = np.cumsum(list(sizes.values()))
    part = {name: slice(end - size, end) for (name, size), end in zip(sizes.items(), ends)}
    level = np.zeros((len(lines), ends[-1]))
    level[:, part["offset"]] = np.eye(len(lines))
    level[:, part["direction"]] = lines.heading[:, None] / 2
    whole = level.copy()
    whole[:, part["ground"]] = ground
    whole[:, part["slope"]] = ((lines.u - lines.u.mean()) / max(np.ptp(lines.u), 1e-9))[:, None]
    step, ramp = whole[first] - whole[second], np.zeros((len(first), ends[-1]))
    ramp[:, part["ramp"]] = ramps
    if when is not None:
        level[:, part["drift"]] = np.nan_to_num(np.nanmean(drift, axis=1)) if drift.size else 0.0
        change = np.nan_to_num(drift[first] - drift[second])
        step[:, part["drift"]] = np.einsum("pm,pmk->pk", weight, change)
        lever = weight * place / np.maximum((weight * place**2).sum(axis=1, keepdims=True), 1e-9)
        ramp[:, part["drift"]] = np.einsum("pm,pmk->pk", lever, change)
    mark = _mark_rows(level, part, times, marks) if marks else np.zeros((0, ends[-1]))
    spacing = np.median(lines.gap_m)
    lagging = _lagging(lines, _piece_means(matrix, starts), middle)
    edge = _edges(lines.u[first], lines.u[second], lines.u)
    return Model(
        part, level, step, ramp, mark, apart, share, place, lagging, edge, lines.gap_m / spacing, marks, platform
    )


def _edges(first: np.ndarray, second: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Return (P, J) the steps between pairs of places that lie on either side of blurred edges."""
    from scipy.special import ndtr

    place = np.unique(np.concatenate([u, (u[1:] + u[:-1]) / 2]))
    before, after = ((at[:, None] - place) / INSTRUMENT.footprint_m for at in (first, second))
    return ndtr(before) - ndtr(after)


def _piece_means(matrix: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the means of the pieces that begin at ``starts`` (0 without a value), and how many values each has."""
    known = np.isfinite(matrix)
    count = np.add.reduceat(known, starts, axis=1, dtype=float)
    total = np.add.reduceat(np.where(known, matrix, 0.0), starts, axis=1)
    return total / np.maximum(count, 1), count


def around(value: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Return means of (P, M) pieces with those beside them, along the pair and in the pairs on both sides."""
    total = np.stack([value * share, share])
    for beside in (np.swapaxes(total, 1, 2), total):
        more = BESIDE * beside
        beside[:, 1:] += more[:, :-1]
        beside[:, :-1] += more[:, 1:]
    return total[0] / np.maximum(total[1], 1e-9)


def _lagging(lines: Lines, means: tuple, middle: np.ndarray) -> np.ndarray:
    """Return what a metre of lag adds to the differences of a pair's pieces, (P, M): the slope of the ground along the
    lines (of the pair and the lines on both sides) for lines out, minus the same for lines back."""
    value, count = means
    if len(middle) < 2:
        return np.zeros((len(lines.pairs), len(middle)))
    slope = np.gradient(np.where(count > 0, value, np.nan), middle, axis=1)
    slope = np.nan_to_num(np.pad(slope, ((1, 1), (0, 0)), mode="edge"))
    slope = (slope[:-2] + 2 * slope[1:-1] + slope[2:]) / 4
    first, second = lines.pairs.T
    # On a plane it is an offset between the directions.
    return (
        -(lines.heading[first] - lines.heading[second])[:, None]
        * (slope[first] + slope[second] - 2 * np.median(slope))
        / 2
    )


def _mark_rows(level: np.ndarray, part: dict, times: np.ndarray, marks: Marks) -> np.ndarray:
    """Return the rows of ties (line minus tie) and base readings."""
    rows = np.zeros((len(marks.value), level.shape[1]))
    cross, base = np.flatnonzero(marks.tie >= 0), np.flatnonzero(marks.tie < 0)
    rows[cross] = level[marks.line[cross]]
    if part["drift"].stop > part["drift"].start:
        rows[:, part["drift"]] = drift_basis(times, marks.time_s)
        rows[cross, part["drift"]] -= drift_basis(times, marks.tie_time_s[cross])
    rows[cross, part["tie"].start + marks.tie[cross]] = -1.0
    shapes = marks.turn.shape[1]
    walk = part["walk"].start + shapes * marks.tie[cross][:, None] + np.arange(shapes)
    rows[cross[:, None], walk] = marks.turn[cross]
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
