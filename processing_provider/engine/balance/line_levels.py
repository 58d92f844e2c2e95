"""The levels of a grid's lines: offsets, drift and ground from neighbours, ties and base readings together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional

import numpy as np

from ..core import CARRIED, Lines, Platform
from .observations import Model, around, observe
from .spike_and_slab import LIKELY, Sparse, loosened
from .tie_crossings import Marks
from .variance_components import (
    DRIFT_SHARE,
    DRIFT_SPREAD,
    Widths,
    first_widths,
    mark_variance,
    new_widths,
    variances_of,
)

PIECE_WEIGHT = 0.35
"""Evidence of a piece: neighbouring pieces of a line see the same features."""
POWER = 1.5
"""Weights of pieces fall off with this power of one over the squared rest: 1 (Cauchy errors) at first, then this."""
SURE = 0.16
"""Share of the last weights of ties that counts as information: a half by the heavy tails, a half again because
neighbouring crossings are off alike, and two thirds of that because the lines were placed by the same crossings."""
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
    marks: Optional[Marks], platform: Platform = CARRIED,
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
    platform : Platform

    Notes
    -----
    See ``balance_traverses``. Pieces vote for the step between their lines, with errors of the width found; the
    step of the ground in a pair is that of the edges there (see ``Sparse``) and a small one; the ramp has Cauchy
    errors.
    """
    if len(lines) < 2 or not len(lines.pairs):
        return None
    model = observe(lines, matrix, when, times, marks, platform)
    widths = first_widths(model, lines, matrix, direction_error)
    if widths is None:
        return None
    pairs, places = model.edge.shape
    state = _State(np.zeros(model.level.shape[1]), Sparse.unknown(places, widths.offset), *np.zeros((2, pairs)))
    for wider in WIDENINGS:
        prior = 1 / variances_of(model, widths)
        state = _sweep(model, widths, state, prior, wider)
        if wider == 1.0:
            widths = new_widths(model, widths, state.rest, state.ramp_rest, state.mark_rest)
        else:
            # Wide steps tell little of how many edges there are: that is found from the next sweep on.
            state = replace(state, edges=replace(state.edges, likely=LIKELY))
        widths = replace(widths, drift=_drift_width(model, widths, state, prior))
    return _levels(model, widths, state)


def _sweep(model: Model, widths: Widths, state: _State, prior: np.ndarray, wider: float) -> _State:
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


def _votes(model: Model, widths: Widths, state: _State, wider: float) -> tuple[np.ndarray, ...]:
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


def _held(model: Model, widths: Widths, state: _State, wider: float) -> np.ndarray:
    """Return the weights (2 P,) with which small steps, then ramps of the ground are held at 0."""
    return np.concatenate([1 / (widths.small**2 * model.gap), 2 / ((wider * widths.ramp) ** 2 + state.slant**2)])


def _mark_weights(model: Model, widths: Widths, state: _State, wider: float) -> tuple[np.ndarray, np.ndarray]:
    """Return value and weight of each tie crossing and set of base readings."""
    if model.marks is None:
        return np.zeros(0), np.zeros(0)
    variance = mark_variance(model, widths)
    rest = model.marks.value - model.mark @ state.unknown
    if wider > 1.0:
        # While edges are not told from offsets yet, ties have the say: nothing they tell is an outlier.
        rest = np.zeros(len(rest))
    return model.marks.value, (FREEDOM + 1) / (FREEDOM * variance + rest**2)


def _drift_width(model: Model, widths: Widths, state: _State, prior: np.ndarray) -> float:
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


def _levels(model: Model, widths: Widths, state: _State) -> Levels:
    part, unknown = model.part, state.unknown
    drift = unknown[part["drift"]]
    direction = model.level[:, part["direction"]] @ unknown[part["direction"]]
    about = model.level - model.level.mean(axis=0)
    prior = np.diag(1 / variances_of(model, widths))
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
