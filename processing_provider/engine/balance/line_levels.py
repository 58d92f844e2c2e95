"""The levels of a grid's lines: offsets, drift and signal from neighbours, ties and base readings together."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Optional

import numpy as np

from ..core import CARRIED, Lines, Platform, eigen_symmetric, inverse_symmetric, robust_sd, solved_symmetric
from .line_spectrum import Ridges
from .observations import Model, observe, pooled
from .spike_and_slab import SLAB_FRACTION, SpikeAndSlab, with_added_errors
from .tie_crossovers import Controls
from .variance_components import (
    DRIFT_LOG_SD,
    DRIFT_RATIO,
    Scales,
    control_variance,
    first_scales,
    updated_scales,
    variances_of,
)

PIECE_WEIGHT = 0.35
"""Information of a piece, as a fraction of an independent one's: neighbouring pieces of a line see the same features.
Found by tests/calibration/balance.py: 0.42 (0.13) makes standard errors those of simulated surveys."""
TAIL_POWER = 1.5
"""Weights of pieces fall off with this power of one over the squared residual: 1 (Cauchy errors) at first, then this.
Found by tests/calibration/balance.py: as good as 1 and 2, whose levels err by 2 % less and 1 % more."""
TIE_FRACTION = 0.16
"""Fraction of the last weights of ties that counts as information: 1/2 for heavy tails, 1/2 because neighbouring
crossovers err alike, and 2/3 because the lines were placed by the same crossovers. Found by
tests/calibration/balance.py: 0.15 (0.03) makes standard errors with ties those of simulated surveys."""
FREEDOM = 4.0
"""Degrees of freedom of Student's t distribution of the errors of ties and base readings. Source: Lange, K.L., Little,
R.J.A., Taylor, J.M.G., 1989, Robust statistical modeling using the t distribution, J. Am. Statistical Association 84,
881-896 (from memory): 4 where data are too few to estimate it."""
DRIFT_PROOF = 2.0
"""Drift in a grid whose lines have no offsets is proven from so many times the variance of noise and residuals. Found
by tests/calibration/ridges.py: 0.03 at most without drift, and above 2 in 19 of 20 grids with a drift of 0.3 mS/m."""
WIDENINGS = (2.0, 1.0, 1.0, 1.0)
"""Factors on the residual scales, sweep by sweep: wide scales first leave fewer minima to be caught in. Source: Blake,
A., Zisserman, A., 1987, Visual Reconstruction, MIT Press (from memory), graduated non-convexity; found by
tests/calibration/balance.py: as good as three sweeps more, whose levels err by 3 % less."""
TINY = np.finfo(float).tiny


@dataclass(frozen=True)
class LineLevels:
    """Levels of L lines.

    Attributes
    ----------
    offset, drift_mean : (L,) float64
        Of each line without drift, and the mean drift along it.
    error, error_without_controls : (L,) float64
        Standard error of both together, about the mean of the grid: by everything, and by the neighbours alone.
    tie : (T,) float64
        Levels of the ties.
    walk : (T, S) float64 or None
        Weights of the shapes of each tie's along-line position error; None without ties and base readings.
    control_residual : (R,) float64
        Residuals of crossovers and base readings.
    drift : (K,) float64
        Factors of ``drift_basis``.
    offset_sd, step_sd : float
        Prior standard deviations of offsets and of small steps of the signal.
    drift_sd : float or None
        Likewise of drift; None where no drift is looked for.
    """

    offset: np.ndarray
    drift_mean: np.ndarray
    error: np.ndarray
    error_without_controls: np.ndarray
    tie: np.ndarray
    walk: Optional[np.ndarray]
    control_residual: np.ndarray
    drift: np.ndarray
    offset_sd: float
    drift_sd: Optional[float]
    step_sd: float

    def shows_drift(self, noise_sd: float) -> bool:
        """Return whether drift is more than noise of readings and what crossovers and base readings are off by."""
        left = robust_sd(self.control_residual) if len(self.control_residual) else 0.0
        return bool(np.var(self.drift_mean) > DRIFT_PROOF * (noise_sd**2 + left**2))

    def without_offsets(self) -> LineLevels:
        """Return the same with all levels 0: what they were thought to be is not proven, and stays in their errors."""
        none = {name: np.zeros_like(getattr(self, name)) for name in ("offset", "drift_mean", "tie", "drift")}
        return replace(self, **none)


def _none() -> np.ndarray:
    return np.zeros(0)


@dataclass(frozen=True)
class _State:
    """Solution so far: N unknowns, the edges, and the step and ramp (P,) of the signal in each pair.

    ``pairs`` and ``controls`` (N, N) and ``right`` (N,) are the normal equations of the last weights, the edges
    integrated out; ``residual`` (P, M), ``ramp_residual`` and ``control_residual`` are of pieces, ramps and controls.
    """

    unknown: np.ndarray
    edges: SpikeAndSlab
    event: np.ndarray
    slant: np.ndarray
    pairs: np.ndarray = field(default_factory=_none)
    controls: np.ndarray = field(default_factory=_none)
    right: np.ndarray = field(default_factory=_none)
    residual: np.ndarray = field(default_factory=_none)
    ramp_residual: np.ndarray = field(default_factory=_none)
    control_residual: np.ndarray = field(default_factory=_none)


def fit_line_levels(
    lines: Lines, matrix: np.ndarray, when: Optional[np.ndarray], times: np.ndarray, direction_error: float,
    controls: Optional[Controls], platform: Platform = CARRIED, ridges: Optional[Ridges] = None,
) -> Optional[LineLevels]:  # fmt: skip
    """Return the levels of one grid's lines, None where there are no neighbours or no differences between them.

    Parameters
    ----------
    lines : Lines
    matrix, when : (L, V) float64
        Values (offset between the directions taken off) and times in seconds on the common axis; ``when`` None: no
        drift.
    times : (n,) float64
        Times of all readings of the grid in seconds.
    direction_error : float
        Standard error of the offset between the directions.
    controls : Controls or None
    platform : Platform
    ridges : Ridges or None
        They are signal.

    Notes
    -----
    See ``docs/methods/balance-traverses.md``. Pieces observe the step between their lines; the step of the signal in a
    pair is that of the edges there (see ``SpikeAndSlab``) and a small one; the ramp has Cauchy errors.
    """
    if len(lines) < 2 or not len(lines.pairs):
        return None
    waves = ridges.waves if ridges else np.zeros((len(lines), 0))
    model = observe(lines, matrix, when, times, controls, platform, waves)
    scales = first_scales(model, lines, matrix, direction_error, ridges.offset_sd if ridges else np.inf)
    if scales is None:
        return None
    pairs, edges = model.edge.shape
    state = _State(np.zeros(model.level.shape[1]), SpikeAndSlab.unknown(edges, scales.offset), *np.zeros((2, pairs)))
    for wider in WIDENINGS:
        prior = 1 / variances_of(model, scales)
        state = _sweep(model, scales, state, prior, wider)
        if wider == 1.0:
            scales = updated_scales(model, scales, state.residual, state.ramp_residual, state.control_residual)
        else:
            # Wide steps show little of how many edges there are: that is found from the next sweep on.
            state = replace(state, edges=replace(state.edges, slab_fraction=SLAB_FRACTION))
        scales = replace(scales, drift=_drift_sd(model, scales, state, prior))
    return _levels(model, scales, state)


def _sweep(model: Model, scales: Scales, state: _State, prior: np.ndarray, wider: float) -> _State:
    """Return the state after one reweighting; ``prior`` are the precisions of the unknowns."""
    rows, value, total, residual = _pieces_as_observations(model, scales, state, wider)
    held = _prior_weights(model, scales, state, wider)
    fraction, steps = total / (total + held), len(model.step)
    step, ramp, step_weight, ramp_weight = rows[:steps], rows[steps:], *np.split(fraction * held, [steps])
    control_value, control_weight = _control_weights(model, scales, state, wider)
    by_step, by_ramp, by_control = step.T * step_weight, ramp.T * ramp_weight, model.control.T * control_weight
    other, controls = by_ramp @ ramp, by_control @ model.control
    right = by_ramp @ value[steps:] + by_control @ control_value
    # First the edges, all else integrated out; then all else, given what is expected of the edges.
    normal = by_step @ step + other + controls + np.diag(prior)
    found = solved_symmetric(normal, np.column_stack([right + by_step @ value[:steps], by_step]))
    known = np.diag(step_weight) - by_step.T @ found[:, 1:]
    seen = step_weight * value[:steps] - by_step.T @ found[:, 0]
    edges = state.edges.refined(model.edge, known, seen, scales.offset)
    middle, spread = edges.sums(model.edge)
    event = middle + spread @ with_added_errors(known, seen - known @ middle, spread)[1]
    unknown = found[:, 0] - found[:, 1:] @ event
    weight, pull = with_added_errors(np.diag(step_weight), step_weight * (value[:steps] - middle), spread)
    misfit = value - rows @ unknown
    misfit[:steps] -= event
    held_back = misfit * fraction
    return _State(
        unknown=unknown,
        edges=edges,
        event=event + held_back[:steps],
        slant=held_back[steps:],
        pairs=other + step.T @ weight @ step,
        controls=controls,
        right=right + step.T @ pull,
        residual=residual,
        ramp_residual=misfit[steps:],
        control_residual=control_value - model.control @ unknown,
    )


def _pieces_as_observations(model: Model, scales: Scales, state: _State, wider: float) -> tuple[np.ndarray, ...]:
    """Return the pieces of each pair as observations of its step and, below those, of its ramp.

    Rows (2 P, N), values (2 P,) and weights (2 P,), as if the signal had neither steps nor ramps; residuals (P, M).
    """
    unknown, along, lag = state.unknown, model.from_middle, model.part["lag"]
    step, ramp = model.step @ unknown + state.event, model.ramp @ unknown + state.slant
    residual = model.difference - unknown[lag] * model.lag_effect - step[:, None] - ramp[:, None] * along
    pieces = 2 * PIECE_WEIGHT * model.difference.shape[1]
    gap, size = model.gap[:, None], (wider * scales.piece) ** 2
    power = TAIL_POWER if wider == 1.0 else 1.0
    off = size + pooled(residual**2 / gap, model.fraction)
    weight = pieces * model.fraction / gap * (2 * size) ** (power - 1) / off**power
    total = weight.sum(axis=1) + TINY
    centre = _by_pair(weight, along) / total
    beside = along - centre[:, None]
    lever = weight * beside
    leverage = _by_pair(lever, beside) + TINY
    value, lag_effect = (np.concatenate([_by_pair(weight, seen) / total, _by_pair(lever, seen) / leverage])
                         for seen in (model.difference, model.lag_effect))  # fmt: skip
    rows = np.concatenate([model.step + centre[:, None] * model.ramp, model.ramp])
    rows[:, lag] = lag_effect[:, None]
    value[: len(centre)] -= centre * state.slant
    return rows, value, np.concatenate([total, leverage]), residual


def _by_pair(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the sums (P,) of products (P, M)."""
    return np.einsum("pm,pm->p", one, other)


def _prior_weights(model: Model, scales: Scales, state: _State, wider: float) -> np.ndarray:
    """Return the prior weights (2 P,) at 0 of small steps and, after those, of ramps of the signal."""
    return np.concatenate([1 / (scales.small**2 * model.gap), 2 / ((wider * scales.ramp) ** 2 + state.slant**2)])


def _control_weights(model: Model, scales: Scales, state: _State, wider: float) -> tuple[np.ndarray, np.ndarray]:
    """Return value and weight of each crossover and set of base readings."""
    if model.controls is None:
        return np.zeros(0), np.zeros(0)
    variance = control_variance(model.controls, scales, model.platform)
    residual = model.controls.value - model.control @ state.unknown
    if wider > 1.0:
        # While edges and offsets are not separated yet, ties have the say: none of them is an outlier.
        residual = np.zeros(len(residual))
    return model.controls.value, (FREEDOM + 1) / (FREEDOM * variance + residual**2)


def _drift_sd(model: Model, scales: Scales, state: _State, prior: np.ndarray) -> float:
    """Return the standard deviation of drift: exponential of the mean of its logarithm over its posterior.

    The other unknowns are integrated out, which leaves a few independent factors.
    """
    mine = model.part["drift"]
    if mine.start == mine.stop:
        return scales.drift
    others = np.delete(np.arange(len(state.unknown)), mine)
    normal = state.pairs + state.controls
    across = normal[others, mine]
    whole = normal[np.ix_(others, others)] + np.diag(prior[others])
    solved = solved_symmetric(whole, np.column_stack([across, state.right[others]]))
    known = normal[mine, mine] - across.T @ solved[:, :-1]
    power, factors = eigen_symmetric(known)
    pull = (factors.T @ (state.right[mine] - across.T @ solved[:, -1])) ** 2
    expected = DRIFT_RATIO * scales.offset
    tried = expected * np.exp(DRIFT_LOG_SD * np.linspace(-4.0, 2.0, 25))
    precision = np.maximum(power, 0.0) + 1 / tried[:, None] ** 2
    score = 0.5 * np.sum(pull / precision - np.log(precision * tried[:, None] ** 2), axis=1)
    score -= 0.5 * (np.log(tried / expected) / DRIFT_LOG_SD) ** 2
    weight = np.exp(score - score.max())
    return float(np.exp(np.sum(weight * np.log(tried)) / weight.sum()))


def _levels(model: Model, scales: Scales, state: _State) -> LineLevels:
    part, unknown, controls = model.part, state.unknown, model.controls
    drift = unknown[part["drift"]]
    direction = model.level[:, part["direction"]] @ unknown[part["direction"]]
    about = model.level - model.level.mean(axis=0)
    prior = np.diag(1 / variances_of(model, scales))

    def error(information: np.ndarray) -> np.ndarray:
        return np.sqrt(np.sum((about @ inverse_symmetric(information + prior)) * about, axis=1))

    return LineLevels(
        offset=unknown[part["offset"]] + direction,
        drift_mean=model.level[:, part["drift"]] @ drift,
        error=error(state.pairs + TIE_FRACTION * state.controls),
        error_without_controls=error(state.pairs),
        tie=unknown[part["tie"]],
        walk=unknown[part["walk"]].reshape(len(controls.tie_rows), controls.tie_design.shape[1]) if controls else None,
        control_residual=state.control_residual,
        drift=drift,
        offset_sd=scales.offset,
        drift_sd=scales.drift if len(drift) else None,
        step_sd=scales.small,
    )
