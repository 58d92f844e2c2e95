"""The levels of a grid's lines: offsets, drift and ground from neighbours, ties and base readings together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional

import numpy as np

from ._crossings import Marks
from ._lines import Lines
from ._observations import GROUND_M, Model, around, observe, row_median
from ._sparse import LIKELY, Sparse, loosened

PIECE_WEIGHT = 0.35
"""Evidence of a piece: neighbouring pieces of a line see the same features."""
POWER = 1.5
"""Weights of pieces fall off with this power of one over the squared rest: 1 (Cauchy errors) at first, then this."""
GROUND_SHARE = 0.4
"""Largest width of small steps of the ground from line to line, in standard deviations of the offsets."""
SLOPE = 5.0
"""A regional slope across the grid may come to this many standard deviations of the smooth ground."""
DRIFT_SHARE, DRIFT_SPREAD = 2.0, 0.7
"""Drift expected before the data are seen: in standard deviations of the offsets; spread of the logarithm."""
BASE_SHARE = 0.2
"""Scatter of setting the instrument down on the base point, in standard deviations of the offsets."""
LAG_M, LAG_ERRORS = 0.3, 5.0
"""A lag that is left looks like drift where the ground is bent. Expected are 0.3 m, or so many standard errors that
the contrast along the lines would tell it with: where features could be aligned, they have been."""
SURE = 0.16
"""Share of the last weights of ties that counts as information: a half by the heavy tails, a half again because
neighbouring crossings are off alike, and two thirds of that because the lines were placed by the same crossings."""
POSITION_M = 0.15
"""Position error of a reading on a walked line, at the gradient of the ground. Common practice, no source."""
FREEDOM = 4.0
"""Degrees of freedom of the t distribution of what ties and base readings are off."""
WIDENINGS = (2.0, 1.0, 1.0, 1.0)
"""What is left over is weighed by widths that much wider, sweep by sweep: with fewer minima to be caught in."""
TINY = np.finfo(float).tiny


@dataclass(frozen=True)
class Levels:
    """What the model finds about L lines; ``drift`` factors belong to ``drift_basis``.

    ``offset`` (L,) is that of each line without drift, ``drift_mean`` (L,) the mean drift along it, ``error`` (L,) the
    standard error of both together (apart from the grid's mean), ``error_alone`` the same from the neighbours alone.
    ``tie`` (T,) are the ties' own levels, ``walk`` (T, S) the weights of the shapes of their walks (None without ties
    and base readings), and ``mark_rest`` (R,) what the model leaves of their crossings and of base readings. The
    widths: of offsets, drift (None without) and small ground steps.
    """

    offset: np.ndarray
    drift_mean: np.ndarray
    error: np.ndarray
    error_alone: np.ndarray
    tie: np.ndarray
    walk: Optional[np.ndarray]
    mark_rest: np.ndarray
    drift: np.ndarray
    offset_width: float
    drift_width: Optional[float]
    ground_width: float


@dataclass(frozen=True)
class _Widths:
    """Standard deviations of the priors (``small``: of steps that are no edges), and widths of what is left over."""

    offset: float
    direction: float
    ground: float
    ground_mean: float
    drift: float
    piece: float
    small: float
    ramp: float
    ramp_prior: float
    lag: float
    mark: float = 1.0


@dataclass(frozen=True)
class _State:
    """Unknowns (N,), what is expected of the edges, and each pair's step and ramp of the ground.

    ``pairs`` and ``marks`` (N, N) and ``right`` (N,) are the normal equations of the last weights, the edges integrated
    out; ``rest``, ``ramp_rest`` and ``mark_rest`` what was left over of pieces, ramps and marks.
    """

    unknown: np.ndarray
    edges: Sparse
    event: np.ndarray
    slant: np.ndarray
    pairs: Optional[np.ndarray] = None
    marks: Optional[np.ndarray] = None
    right: Optional[np.ndarray] = None
    rest: Optional[np.ndarray] = None
    ramp_rest: Optional[np.ndarray] = None
    mark_rest: Optional[np.ndarray] = None


def fit_levels(
    lines: Lines, matrix: np.ndarray, when: Optional[np.ndarray], times: np.ndarray, direction_error: float,
    marks: Optional[Marks],
) -> Optional[Levels]:  # fmt: skip
    """Return the levels of one grid's lines, None when there is nothing to tell.

    Parameters
    ----------
    lines : Lines
    matrix, when : (L, V) float64
        Values (offset between the directions taken off) and times on the common axis; ``when`` None: no drift.
    times : (n,) float64
        Times of all readings of the grid.
    direction_error : float
        Standard error of the offset between the directions.
    marks : Marks or None

    Notes
    -----
    See ``balance_traverses``. Pieces vote for the step between their lines, with errors of the width found; the
    step of the ground in a pair is that of the edges there (see ``Sparse``) and a small one; the ramp has Cauchy
    errors.
    """
    if len(lines) < 2 or not len(lines.pairs):
        return None
    model = observe(lines, matrix, when, times, marks)
    widths = _first_widths(model, lines, matrix, direction_error)
    if widths is None:
        return None
    pairs, places = model.edge.shape
    state = _State(np.zeros(model.level.shape[1]), Sparse.unknown(places, widths.offset), *np.zeros((2, pairs)))
    for wider in WIDENINGS:
        prior = 1 / _variances(model, widths)
        state = _sweep(model, widths, state, prior, wider)
        if wider == 1.0:
            widths = _new_widths(model, widths, state)
        else:
            # Wide steps tell little of how many edges there are: that is found from the next sweep on.
            state = replace(state, edges=replace(state.edges, likely=LIKELY))
        widths = replace(widths, drift=_drift_width(model, widths, state, prior))
    return _levels(model, widths, state)


def _first_widths(model: Model, lines: Lines, matrix: np.ndarray, direction_error: float) -> Optional[_Widths]:
    """Return the widths to start with, None on ground without differences between its lines."""
    middle = row_median(matrix[lines.pairs[:, 0]] - matrix[lines.pairs[:, 1]])
    middle = middle[np.isfinite(middle)]
    if not len(middle):
        return None
    centre = np.median(middle) if len(middle) >= 5 else 0.0
    size = np.nanmax(np.abs(matrix))
    offset = max(1.4826 * np.median(np.abs(middle - centre)) / np.sqrt(2.0), 1e-9 * size)
    rest = np.abs(_without_plane(matrix))
    lever = model.share * model.place
    slant = (lever * model.apart).sum(axis=1) / np.maximum((lever * model.place).sum(axis=1), 1e-9)
    ramp = max(1.4826 * np.median(np.abs(slant)), 1e-9 * size)
    # The mean of a Gaussian process along a line has less variance than the process, the rest is found along it.
    along = np.linspace(0.0, np.ptp(lines.v), 50)
    mean = np.mean(np.exp(-0.5 * ((along[:, None] - along) / GROUND_M) ** 2))
    ground = 1.4826 * np.median(rest[np.isfinite(rest)]) / np.sqrt(max(1 - mean, 0.05))
    if not size or offset <= 1e-9 * size:
        return None
    return _Widths(offset, direction_error, max(ground, 1e-3 * offset), np.sqrt(mean), DRIFT_SHARE * offset, offset / 2,
                   GROUND_SHARE * offset, ramp, 3 * ramp, _lag_width(model))  # fmt: skip


def _without_plane(matrix: np.ndarray) -> np.ndarray:
    """Return (L, V) lines without their medians and without the slope along the lines that they share."""
    columns = matrix - row_median(matrix)[:, None]
    trend, v = row_median(columns.T), np.arange(matrix.shape[1])
    known = np.isfinite(trend)
    return columns - np.polyval(np.polyfit(v[known], trend[known], 1), v) if known.sum() > 2 else columns


def _lag_width(model: Model) -> float:
    """Return the standard deviation of the lag before the levels are looked at."""
    both = (model.share[:, 1:] > 0) & (model.share[:, :-1] > 0)
    change, lagging = np.diff(model.apart, axis=1)[both], np.diff(model.lagging, axis=1)[both]
    power = np.sum(lagging**2)
    if not power:
        return LAG_M
    return float(min(LAG_M, LAG_ERRORS * 1.4826 * np.median(np.abs(change)) / np.sqrt(power)))


def _variances(model: Model, widths: _Widths) -> np.ndarray:
    """Return the prior variances of the unknowns, (N,)."""
    size = max(np.ptp(model.apart) if model.apart.size else 0.0, widths.ground)
    far = 100 * (np.max(np.abs(model.marks.value)) if model.marks and len(model.marks.value) else 0.0) + size
    sizes = {"offset": widths.offset, "direction": max(widths.direction, 0.01 * widths.offset),
             "ground": widths.ground * widths.ground_mean, "slope": SLOPE * widths.ground, "ramp": widths.ramp_prior,
             "lag": max(widths.lag, 1e-6), "drift": widths.drift, "tie": far, "base": far,
             "walk": 1.0}  # fmt: skip
    variances = np.zeros(model.level.shape[1])
    for name, width in sizes.items():
        variances[model.part[name]] = width**2
    return variances


def _sweep(model: Model, widths: _Widths, state: _State, prior: np.ndarray, wider: float) -> _State:
    """Return the state after one reweighting; ``prior`` are the precisions of the unknowns."""
    rows, value, total, rest = _votes(model, widths, state, wider)
    held = _held(model, widths, state, wider)
    share, steps = total / (total + held), len(model.step)
    step, ramp, sure, ramp_sure = rows[:steps], rows[steps:], *np.split(share * held, [steps])
    mark_value, mark_weight = _mark_weights(model, widths, state, wider)
    by_step, by_ramp, by_mark = step.T * sure, ramp.T * ramp_sure, model.mark.T * mark_weight
    other, marks = by_ramp @ ramp, by_mark @ model.mark
    right = by_ramp @ value[steps:] + by_mark @ mark_value
    # First the edges, all else integrated out; then all else, given what is expected of the edges.
    normal = by_step @ step + other + marks + np.diag(prior)
    found = np.linalg.solve(normal, np.column_stack([right + by_step @ value[:steps], by_step]))
    known, seen = np.diag(sure) - by_step.T @ found[:, 1:], sure * value[:steps] - by_step.T @ found[:, 0]
    edges = state.edges.refined(model.edge, known, seen, widths.offset)
    middle, spread = edges.sums(model.edge)
    event = middle + spread @ loosened(known, seen - known @ middle, spread)[1]
    unknown = found[:, 0] - found[:, 1:] @ event
    told, told_right = loosened(np.diag(sure), sure * (value[:steps] - middle), spread)
    left = value - rows @ unknown
    left[:steps] -= event
    held_back = left * share
    return _State(unknown, edges, event + held_back[:steps], held_back[steps:], other + step.T @ told @ step, marks,
                  right + step.T @ told_right, rest, left[steps:], mark_value - model.mark @ unknown)  # fmt: skip


def _votes(model: Model, widths: _Widths, state: _State, wider: float) -> tuple[np.ndarray, ...]:
    """Return what the pieces vote for: observations of the steps and of the ramps below each other.

    Rows (2 P, N), values (2 P,) and weights (2 P,), as if the ground had neither steps nor ramps; and the rest (P, M).
    """
    unknown, place, lag = state.unknown, model.place, model.part["lag"]
    step, ramp = model.step @ unknown + state.event, model.ramp @ unknown + state.slant
    rest = model.apart - unknown[lag] * model.lagging - step[:, None] - ramp[:, None] * place
    pieces = 2 * PIECE_WEIGHT * model.apart.shape[1]
    gap, size = model.gap[:, None], (wider * widths.piece) ** 2
    power = POWER if wider == 1.0 else 1.0
    off = size + around(rest**2 / gap, model.share)
    vote = pieces * model.share / gap * (2 * size) ** (power - 1) / off**power
    total = vote.sum(axis=1) + TINY
    at = _by_pair(vote, place) / total
    beside = place - at[:, None]
    lever = vote * beside
    turn = _by_pair(lever, beside) + TINY
    value, lagging = (np.concatenate([_by_pair(vote, seen) / total, _by_pair(lever, seen) / turn])
                      for seen in (model.apart, model.lagging))  # fmt: skip
    rows = np.concatenate([model.step + at[:, None] * model.ramp, model.ramp])
    rows[:, lag] = lagging[:, None]
    value[: len(at)] -= at * state.slant
    return rows, value, np.concatenate([total, turn]), rest


def _by_pair(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the sums (P,) of products (P, M)."""
    return np.einsum("pm,pm->p", one, other)


def _held(model: Model, widths: _Widths, state: _State, wider: float) -> np.ndarray:
    """Return the weights (2 P,) with which small steps, then ramps of the ground are held at 0."""
    return np.concatenate([1 / (widths.small**2 * model.gap), 2 / ((wider * widths.ramp) ** 2 + state.slant**2)])


def _mark_weights(model: Model, widths: _Widths, state: _State, wider: float) -> tuple[np.ndarray, np.ndarray]:
    """Return value and weight of each tie crossing and set of base readings."""
    if model.marks is None:
        return np.zeros(0), np.zeros(0)
    variance = _mark_variance(model, widths)
    rest = model.marks.value - model.mark @ state.unknown
    if wider > 1.0:
        # While edges are not told from offsets yet, ties have the say: nothing they tell is an outlier.
        rest = np.zeros(len(rest))
    return model.marks.value, (FREEDOM + 1) / (FREEDOM * variance + rest**2)


def _mark_variance(model: Model, widths: _Widths) -> np.ndarray:
    base = model.marks.tie < 0
    floor = np.where(base, BASE_SHARE * widths.offset, 0.01 * widths.offset) ** 2
    variance = model.marks.variance + (POSITION_M * model.marks.along) ** 2
    return np.where(base, 1.0, widths.mark**2) * variance + floor


def _new_widths(model: Model, widths: _Widths, state: _State) -> _Widths:
    """Return the widths that fit what is left over; that of the offsets stays, for both run away together."""
    rest = (np.abs(state.rest) / np.sqrt(model.gap)[:, None]).ravel()
    order = np.argsort(rest)
    share = np.cumsum(model.share.ravel()[order])
    # The median absolute value of a Cauchy distribution is its width.
    piece = max(rest[order][np.searchsorted(share, share[-1] / 2)], 1e-6 * widths.offset)
    ramp = max(np.median(np.abs(state.ramp_rest)), 1e-6 * widths.ramp)
    mark = widths.mark
    if model.marks is not None and np.count_nonzero(model.marks.tie >= 0) > 5:
        cross = model.marks.tie >= 0
        one = _mark_variance(model, replace(widths, mark=1.0))
        mark = np.clip(1.4826 * np.median(np.abs(state.mark_rest[cross]) / np.sqrt(one[cross])), 0.3, 5.0)
    # Narrowed step by step: what the wide steps left of the offsets would be taken for edges.
    small = np.clip(2 * piece, widths.small / 2, GROUND_SHARE * widths.offset)
    return replace(widths, piece=piece, small=float(small), ramp=ramp, mark=float(mark))


def _drift_width(model: Model, widths: _Widths, state: _State, prior: np.ndarray) -> float:
    """Return the width of drift: mean of its logarithm over what data and expectation leave.

    The other unknowns are integrated out, which leaves a few independent factors.
    """
    mine = model.part["drift"]
    if mine.start == mine.stop:
        return widths.drift
    rest = np.delete(np.arange(len(state.unknown)), mine)
    normal = state.pairs + state.marks
    across = normal[rest, mine]
    whole = normal[np.ix_(rest, rest)] + np.diag(prior[rest])
    others = np.linalg.solve(whole, np.column_stack([across, state.right[rest]]))
    known = normal[mine, mine] - across.T @ others[:, :-1]
    power, turn = np.linalg.eigh(known)
    pull = (turn.T @ (state.right[mine] - across.T @ others[:, -1])) ** 2
    expected = DRIFT_SHARE * widths.offset
    tried = expected * np.exp(DRIFT_SPREAD * np.linspace(-4.0, 2.0, 25))
    open_ = np.maximum(power, 0.0) + 1 / tried[:, None] ** 2
    score = 0.5 * np.sum(pull / open_ - np.log(open_ * tried[:, None] ** 2), axis=1)
    score -= 0.5 * (np.log(tried / expected) / DRIFT_SPREAD) ** 2
    likely = np.exp(score - score.max())
    return float(np.exp(np.sum(likely * np.log(tried)) / likely.sum()))


def _levels(model: Model, widths: _Widths, state: _State) -> Levels:
    part, unknown = model.part, state.unknown
    drift = unknown[part["drift"]]
    direction = model.level[:, part["direction"]] @ unknown[part["direction"]]
    about = model.level - model.level.mean(axis=0)
    prior = np.diag(1 / _variances(model, widths))
    errors = []
    for information in (state.pairs + SURE * state.marks, state.pairs):
        covariance = np.linalg.inv(information + prior)
        errors.append(np.sqrt(np.sum((about @ covariance) * about, axis=1)))
    return Levels(
        unknown[part["offset"]] + direction,
        model.level[:, part["drift"]] @ drift,
        *errors,
        unknown[part["tie"]],
        unknown[part["walk"]].reshape(len(model.marks.tie_rows), model.marks.turn.shape[1]) if model.marks else None,
        state.mark_rest,
        drift,
        widths.offset,
        widths.drift if len(drift) else None,
        widths.small,
    )
