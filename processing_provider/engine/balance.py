"""Balancing: the level of each traverse, told by its neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional, Sequence

import numpy as np

from ._lines import Lines, grids_of, lines_of
from ._validation import check_channels, check_choice
from .readings import Readings

METHODS = ("neighbours", "median", "direction only")
PIECE_M = 1.0
"""Neighbouring lines are compared piece by piece of this length."""
PAIR_WEIGHT = 0.7
"""Evidence of a pair of lines, in events: both edges of one ditch are not quite two independent ones. On simulated
sites 1.0 takes off a little more of the stripes and another tenth of a ditch of 1 m along the traverses."""
PROOF = 2.0
"""The offset between the directions is taken off from this many standard errors on."""
ROUNDS = 4
"""How often the width of the ground's steps is estimated anew."""
SWEEPS = 25
"""Most reweightings in a round."""
TREND_LINES = 4.0
"""Method ``median``: standard deviation, in lines, of the Gaussian window of the smooth level."""


@dataclass(frozen=True)
class _Levels:
    """What is taken off each line of a grid, (L,): offset and its standard error."""

    offset: np.ndarray
    error: np.ndarray
    based_on: str


@dataclass(frozen=True)
class _Differences:
    """Differences of neighbouring lines by piece, first minus second.

    ``value`` and ``weight`` are (P, M); a pair's weights add up to ``PAIR_WEIGHT`` times its share of common ground.
    ``middle`` is (P,), the median along the whole lines.
    """

    pairs: np.ndarray
    gap: np.ndarray
    value: np.ndarray
    weight: np.ndarray
    middle: np.ndarray


def balance_traverses(
    readings: Readings,
    *,
    channels: Optional[Sequence[str]] = None,
    method: str = "neighbours",
    progress: Optional[Callable[[float], None]] = None,
) -> tuple[Readings, dict]:
    """Take off what whole traverses are too high or too low; the level of each grid stays.

    Parameters
    ----------
    readings : Readings
        Placed readings of one or several grids. Flagged readings take no part but move along with their line.
    channels : sequence of str, optional
        Channels to balance; all when not given.
    method : str
        ``neighbours``: the offset between the two walking directions, then an offset a line from its differences
        to the neighbouring lines. ``direction only``: the first half of it (one unknown; next to no danger).
        ``median``: line medians are set to a smooth level. **This deletes features that run along the traverses**
        (ditches, walls, lynchets lie along field boundaries as often as not): only where there are none for certain.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Readings, dict
        Balanced readings (``raw`` keeps the values as logged, ``se`` takes up the standard error of the offsets)
        and the record. ``figures`` by channel: ``direction_offset`` (out minus back, taken off half each way),
        ``direction_error``, ``offset_sd`` (of the lines), ``prior_sd`` and ``ground_step`` (widths of the priors).
        ``table``: ``grid line run channel heading offset standard_error based_on``; ``offset`` is what was
        subtracted.

    Raises
    ------
    EngineError
        When the method or a channel is not there.

    Notes
    -----
    ``neighbours`` is the most probable set of offsets e when offsets are normal, e ~ N(0, s^2), and steps of the
    ground between neighbouring lines are Cauchy distributed with width g: it minimises

        0.7 sum_pairs mean_pieces log(1 + (d - e_a + e_b)^2 / (g^2 gap)) + sum_lines e^2 / (2 s^2)

    by iterated reweighting from e = 0; s and g come from the data. A pair counts as one event, however long its
    lines are: so does a ditch along the whole of them. Features broader than about 2 pi s/g lines stay by the normal
    prior, sharp ones by the heavy tail, and those over part of the length because pieces vote apart. The standard
    errors come from the inverse of the Hessian as it is to be expected at the minimum.

    References
    ----------
    Holland, P.W., Welsch, R.E., 1977. Robust regression using iteratively reweighted least-squares. Communications in
    Statistics - Theory and Methods 6(9), 813-827.
    """
    check_choice("method", method, METHODS)
    chosen = check_channels(channels, tuple(readings.channels))
    grids = [(name, rows, part, lines_of(part)) for name, rows, part in grids_of(readings)]
    figures, table = {}, []
    for i, channel in enumerate(chosen):
        matrices = [lines.resample(part, part.channels[channel]) for _, _, part, lines in grids]
        levels, figures[channel] = _levels(matrices, [g[3] for g in grids], method)
        readings, rows = _apply(readings, grids, channel, levels)
        table += rows
        if progress is not None:
            progress((i + 1) / len(chosen))
    options = {"channels": list(chosen), "method": method}
    return readings, {"step": "balancetraverses", "options": options, "figures": figures, "table": table}


def _apply(readings: Readings, grids: list, channel: str, levels: list[_Levels]) -> tuple[Readings, list[dict]]:
    values = readings.channels[channel].copy()
    error = readings.se.get(channel, np.zeros(len(readings))).copy()
    table = []
    for (name, rows, _, lines), level in zip(grids, levels):
        mine = lines.owner >= 0
        values[rows[mine]] -= level.offset[lines.owner[mine]]
        error[rows[mine]] = np.hypot(error[rows[mine]], level.error[lines.owner[mine]])
        table += [
            {"grid": name, "line": int(lines.line[i]), "run": int(lines.run[i]), "channel": channel,
             "heading": int(lines.heading[i]), "offset": float(level.offset[i]),
             "standard_error": float(level.error[i]), "based_on": level.based_on}
            for i in range(len(lines))
        ]  # fmt: skip
    return readings.with_channel(channel, values, se=error), table


def _levels(matrices: list, lines: list[Lines], method: str) -> tuple[list[_Levels], dict]:
    """Return what comes off each grid's lines, and the figures of the channel."""
    if method == "median":
        levels = [_to_smooth_level(m, one) for m, one in zip(matrices, lines)]
        return levels, _figures(levels)
    directions = [_direction(m, one) for m, one in zip(matrices, lines)]
    levels = [
        _Levels(one.heading * offset / 2, np.full(len(one), error / 2), "direction")
        for one, (offset, error) in zip(lines, directions)
    ]
    levels = [_Levels(v.offset - v.offset.mean() if len(v.offset) else v.offset, v.error, v.based_on) for v in levels]
    prior = ground = None
    if method == "neighbours":
        differences = [_differences(m - v.offset[:, None], one) for m, v, one in zip(matrices, levels, lines)]
        fitted, prior, ground = _fit(differences, [len(one) for one in lines])
        levels = [_Levels(v.offset + f, e, "neighbours") for v, (f, e) in zip(levels, fitted)]
    return levels, _figures(levels, directions, prior, ground)


def _figures(levels: list, directions: Sequence = (), prior=None, ground=None) -> dict:
    offsets = np.concatenate([v.offset for v in levels]) if levels else np.zeros(0)
    weight = np.array([len(v.offset) for v in levels], float)
    mean = None
    if len(directions) and weight.any():
        mean = np.average(np.array(directions), axis=0, weights=weight)
    return {
        "direction_offset": None if mean is None else float(mean[0]),
        "direction_error": None if mean is None else float(mean[1]),
        "offset_sd": float(offsets.std()) if len(offsets) else None,
        "prior_sd": prior,
        "ground_step": ground,
    }


def _direction(matrix: np.ndarray, lines: Lines) -> tuple[float, float]:
    """Return out minus back and its standard error; 0 when it is not proven.

    Every line is held against the mean of its two opposite neighbours, which a regional slope does not touch.
    """
    pairs = lines.pairs
    before, after = np.full(len(lines), -1), np.full(len(lines), -1)
    before[pairs[:, 1]], after[pairs[:, 0]] = pairs[:, 0], pairs[:, 1]
    middle = np.flatnonzero((before >= 0) & (after >= 0))
    left, right = before[middle], after[middle]
    opposite = (lines.heading[left] * lines.heading[middle] < 0) & (lines.heading[right] * lines.heading[middle] < 0)
    middle, left, right = middle[opposite], left[opposite], right[opposite]
    apart = matrix[middle] - (matrix[left] + matrix[right]) / 2
    apart = _row_median(apart) * lines.heading[middle]
    apart = apart[np.isfinite(apart)]
    if len(apart) < 4:
        return 0.0, 0.0
    offset, width = _location(apart)
    # Neighbouring differences share lines: of white offsets w the sum of h (w - neighbours' mean) has twice the
    # standard deviation that the offsets themselves give, where each difference has sqrt(3/2) of it.
    error = width * np.sqrt(8.0 / 3.0) / np.sqrt(len(apart))
    return (offset, error) if abs(offset) > PROOF * error else (0.0, 0.0)


def _location(values: np.ndarray) -> tuple[float, float]:
    """Return Huber's location and the robust standard deviation (1.4826 median absolute deviation)."""
    centre = np.median(values)
    width = 1.4826 * np.median(np.abs(values - centre))
    limit = max(1.345 * width, 1e-12 * np.max(np.abs(values)), np.finfo(float).tiny)
    for _ in range(SWEEPS):
        weight = limit / np.maximum(np.abs(values - centre), limit)
        centre = np.sum(weight * values) / np.sum(weight)
    return float(centre), float(width)


def _row_median(matrix: np.ndarray) -> np.ndarray:
    """Return the median of each row without its NaN; NaN for an empty row."""
    count = np.count_nonzero(np.isfinite(matrix), axis=1)
    if not len(count):
        return np.zeros(0)
    ordered = np.sort(matrix, axis=1)
    rows = np.arange(len(matrix))
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, matrix.shape[1] - 1)
    return np.where(count > 0, (ordered[rows, low] + ordered[rows, high]) / 2, np.nan)


def _differences(matrix: np.ndarray, lines: Lines) -> _Differences:
    """Return the differences of neighbouring lines, mean by piece, and how much common ground each rests on."""
    first, second = lines.pairs.T
    apart = matrix[first] - matrix[second]
    known = np.isfinite(apart)
    piece = max(1, round(PIECE_M / lines.step_m))
    starts = np.arange(0, max(len(lines.v), 1), piece)
    count = np.add.reduceat(known, starts, axis=1) if known.size else np.zeros((len(first), len(starts)))
    total = np.add.reduceat(np.where(known, apart, 0.0), starts, axis=1) if known.size else count
    share = PAIR_WEIGHT * count / max(len(lines.v), 1)
    spacing = np.median(lines.gap_m) if len(first) else 1.0
    return _Differences(lines.pairs, lines.gap_m / spacing, total / np.maximum(count, 1), share, _row_median(apart))


def _fit(differences: list[_Differences], counts: list[int]) -> tuple[list, Optional[float], Optional[float]]:
    """Return (offsets, standard errors) of each grid, and the widths of the priors (shared by the grids)."""
    prior, ground = _first_widths(differences)
    if prior is None:
        return [(np.zeros(n), np.zeros(n)) for n in counts], None, None
    floor = 1e-6 * (prior + ground) + np.finfo(float).tiny
    prior = max(prior, floor)
    fitted = [(np.zeros(n), np.zeros(n)) for n in counts]
    for _ in range(ROUNDS):
        ground = max(ground, floor)
        fitted = [_solve(d, offset, prior, ground) for d, (offset, _) in zip(differences, fitted)]
        ground = _ground_width(differences, fitted)
    return fitted, float(prior), float(ground)


def _first_widths(differences: list[_Differences]) -> tuple[Optional[float], Optional[float]]:
    """Return standard deviations of line offsets and of ground steps from differences over one and over two lines.

    Var(one) = 2 s^2 + g^2 and, where the ground is a random walk, Var(two) = 2 s^2 + 2 g^2. Robust by the median
    absolute value, so that ditches along the lines do not count.
    """
    one, two = [], []
    for d in differences:
        one.append(d.middle)
        order = {}
        for k, (first, second) in enumerate(d.pairs):
            order.setdefault(int(first), []).append((int(second), k))
        two += [d.middle[k] + d.middle[m] for k, (_, s) in enumerate(d.pairs) for _, m in order.get(int(s), ())]
    one = np.concatenate(one) if one else np.zeros(0)
    one, two = one[np.isfinite(one)], np.array(two)[np.isfinite(two)]
    near = (1.4826 * np.median(np.abs(one))) ** 2 if len(one) else 0.0
    if near == 0:
        return None, None
    far = (1.4826 * np.median(np.abs(two))) ** 2 if len(two) else near
    step = min(max(far - near, 0.05 * near), 0.9 * near)
    return float(np.sqrt((near - step) / 2)), float(np.sqrt(step))


def _ground_width(differences: list[_Differences], fitted: list) -> float:
    """Return the width of the ground's steps that the fit leaves; offsets' own width is not fitted again, since both
    together run away to where one of them explains everything."""
    size, weight = [], []
    for d, (offset, _) in zip(differences, fitted):
        rest = np.abs(d.value - (offset[d.pairs[:, 0]] - offset[d.pairs[:, 1]])[:, None])
        size.append((rest / np.sqrt(d.gap)[:, None]).ravel())
        weight.append(d.weight.ravel())
    size, weight = np.concatenate(size), np.concatenate(weight)
    order = np.argsort(size)
    share = np.cumsum(weight[order])
    # The median absolute value of a Cauchy distribution is its width.
    return float(size[order][np.searchsorted(share, share[-1] / 2)])


def _solve(d: _Differences, start: np.ndarray, prior: float, ground: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the most probable offsets of one grid's lines, and their standard errors."""
    first, second = d.pairs.T
    offset = start
    width = ground**2 * d.gap
    weight = np.zeros(len(first))
    for _ in range(SWEEPS):
        rest = d.value - (offset[first] - offset[second])[:, None]
        vote = 2 * d.weight / (width[:, None] + rest**2)
        weight, pull = vote.sum(axis=1), (vote * d.value).sum(axis=1)
        right = np.bincount(first, pull, len(offset)) - np.bincount(second, pull, len(offset))
        before, offset = offset, np.linalg.solve(_normal(d.pairs, weight, prior, len(offset)), right)
        if np.max(np.abs(offset - before), initial=0.0) < 1e-4 * prior:
            break
    # The information of Cauchy distributed values is half of what their mean weight in the reweighting says.
    error = np.sqrt(np.diag(np.linalg.inv(_normal(d.pairs, weight / 2, prior, len(offset)))))
    return offset, error


def _normal(pairs: np.ndarray, weight: np.ndarray, prior: float, count: int) -> np.ndarray:
    """Return the (L, L) normal matrix of differences with weights, and of the prior."""
    first, second = pairs.T
    normal = np.zeros((count, count))
    normal[first, second] = normal[second, first] = -weight
    diagonal = np.bincount(first, weight, count) + np.bincount(second, weight, count)
    normal[np.arange(count), np.arange(count)] = diagonal + 1 / prior**2
    return normal


def _to_smooth_level(matrix: np.ndarray, lines: Lines) -> _Levels:
    """Return the line medians above a local straight line through their neighbours (Gaussian window)."""
    middle = _row_median(matrix)
    known = np.isfinite(middle)
    if np.count_nonzero(known) < 3:
        return _Levels(np.zeros(len(lines)), np.zeros(len(lines)), "median")
    u, values = lines.u[known], middle[known]
    spacing = np.median(lines.gap_m) if len(lines.gap_m) else 1.0
    apart = (u[None, :] - u[:, None]) / (TREND_LINES * spacing)
    weight = np.exp(-0.5 * apart**2)
    s0, s1, s2 = weight.sum(axis=1), (weight * apart).sum(axis=1), (weight * apart**2).sum(axis=1)
    smooth = ((s2[:, None] - s1[:, None] * apart) * weight) @ values / (s0 * s2 - s1**2)
    offset = np.zeros(len(lines))
    offset[known] = values - smooth
    offset[known] -= offset[known].mean()
    # The median of n normal readings has sqrt(pi / 2 / n) of their standard deviation.
    count = np.maximum(np.count_nonzero(np.isfinite(matrix), axis=1), 1)
    width = 1.4826 * _row_median(np.abs(matrix - middle[:, None]))
    return _Levels(offset, np.nan_to_num(width * np.sqrt(np.pi / 2 / count)), "median")
