"""Whether lines have offsets at all, and ridges along them: by the spectrum of their levels across the lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional

import numpy as np

from ..core import INSTRUMENT, Lines, inverse_symmetric, noise_of_lines, typical_length
from .drift import smooth_basis

LENGTHS = INSTRUMENT.footprint_m * np.sqrt(2.0) * 2.0 ** np.arange(5)
"""Correlation lengths of the signal across the lines, metres. Derived: what coils see has no shorter one than sqrt(2)
times their blur (a Gaussian on geology that is white); five octaves reach that of geology."""
SIZES = 2.0 ** np.arange(1, 6)
"""Standard deviations of offsets, in those of the noise of readings, each as probable. Common practice, no source: less
than twice the noise hardly shows on a map, and 32 times the noise is more than stripes are."""
NO_OFFSETS = 3.0
"""So many times more probable must the steps be without offsets as with them, so that none is taken off. Source:
Kass, R.E., Raftery, A.E., 1995, Bayes factors, J. Am. Statistical Association 90, 773-795 (from memory): positive."""
LEAST_POWER = 15.0
"""Twice the gain in log likelihood that offsets alone are expected to make over the shortest signal must be so large,
or nothing is asked. Derived: lines farther from each other than coils see make none, and one of 15 is a ratio of
probabilities of 1800."""
RIDGES_LEVEL = 0.06
"""Probability of a peak so high anywhere in the band, by its chi squared distribution, below which it is one of ridges.
Found by tests/calibration/ridges.py: 2 (1) of 100 grids without ridges have one, fewer than the probability says, as
the fitted spectrum holds a part of the peak."""
WIDEST_M, NARROWEST_LINES = 4.0, 2.4
"""Longest period of ridges in metres, and shortest in spacings of lines. Derived: neighbours show what is wider than
eight lines of half a metre; two lines are one way out and one back, whose offset is no ridge."""
ENVELOPE_M = 10.0
"""Correlation length of the height of ridges across the lines. Common practice, no source: some lands of a field."""
MIDDLE_VARIANCE = 1.2
"""Variance of the mean of the middle half of normal values, in that of the mean of all. Source: Huber, P.J., 1981,
Robust Statistics, Wiley (from memory), trimmed means."""
FREEDOM = 4.0
"""Degrees of freedom of Student's t distribution of offsets. Source: Lange, Little, Taylor, 1989, J. Am. Statistical
Association 84, 881-896 (from memory): 4 where data are too few to estimate it."""
ROUNDS, STEPS = 3, 40
"""Reweightings, and steps of each fit of variances. Derived: the fit begins within a
factor of five of each variance that matters, whose error a step halves at least; others are too small to count."""

TINY = np.finfo(float).tiny


@dataclass(frozen=True)
class Ridges:
    """Ridges along the lines.

    Attributes
    ----------
    period_m : float
    waves : (L, R) float64
        Their levels on the lines, by unit normal weights.
    offset_sd : float
        Standard deviation of the offsets of lines beside them.
    """

    period_m: float
    waves: np.ndarray
    offset_sd: float


@dataclass(frozen=True)
class AcrossLines:
    """What the levels of lines show: whether they have offsets (None: cannot be known), ridges, noise of readings."""

    offsets: Optional[bool] = None
    ridges: Optional[Ridges] = None
    noise_sd: float = 0.0


@dataclass(frozen=True)
class _Steps:
    """Steps (n,) between neighbouring lines, without a slope and an offset between the directions.

    ``signal`` (n, n) matrices and ``own`` (n, L) give their covariance by signal and by offsets, ``noise`` (n, n) by
    the noise of readings, of standard deviation ``noise_sd``; ``u`` (L,) are positions of lines, and ``spacing_m`` is
    the distance between neighbours.
    """

    seen: np.ndarray
    signal: np.ndarray
    own: np.ndarray
    noise: np.ndarray
    u: np.ndarray
    spacing_m: float
    noise_sd: float

    def covariance(self, of_lines: np.ndarray) -> np.ndarray:
        """Return the covariance (n, n) of steps by one (L, L) of the levels of lines."""
        return self.own @ of_lines @ self.own.T


@dataclass(frozen=True)
class _Fit:
    """Variances (C,), covariance (n, n) with its inverse, and log likelihood."""

    variances: np.ndarray
    inverse: np.ndarray
    likelihood: float


def look_across(lines: Lines, matrix: np.ndarray) -> AcrossLines:
    """Return what the levels of one grid's lines show of offsets and ridges.

    Parameters
    ----------
    lines : Lines
    matrix : (L, V) float64
        Values on the common axis.

    Notes
    -----
    Offsets are white from line to line. Signal is not where lines are nearer to each other than coils see, and
    ridges are a peak at one period; see ``docs/methods/balance-traverses.md``.
    """
    steps = _steps(lines, matrix)
    if steps is None:
        return AcrossLines()
    weight, variances = np.ones(len(steps.u)), None
    for _ in range(ROUNDS):
        offsets = (steps.own / weight) @ steps.own.T
        whole = _fitted(steps, [offsets], variances)
        weight, variances = _weights(steps, whole, weight), whole.variances
    ridges, wave = _ridges(steps, whole, offsets)
    offsets_proven: Optional[bool] = None
    if _power(steps) >= LEAST_POWER:
        likely = ridges.offset_sd if ridges else np.sqrt(whole.variances[-1])
        offsets_proven = not _without_offsets(steps, wave, likely)
    return AcrossLines(offsets_proven, ridges, steps.noise_sd)


def _without_offsets(steps: _Steps, wave: list[np.ndarray], likely: float) -> bool:
    """Return whether the steps are ``NO_OFFSETS`` times more probable without offsets than with them.

    ``wave`` holds the covariance of ridges, ``likely`` is the standard deviation that offsets were found to have.
    """
    bound = np.log(len(SIZES) / NO_OFFSETS)
    plain, none = steps.own @ steps.own.T, _fitted(steps, wave).likelihood
    gain = []
    for size in sorted(steps.noise_sd * SIZES, key=lambda one: abs(np.log(one / max(likely, TINY)))):
        gain.append(_fitted(replace(steps, noise=steps.noise + size**2 * plain), wave).likelihood - none)
        if gain[-1] > bound:
            # The mean of all is at least this one over their number.
            return False
    return bool(np.mean(np.exp(gain)) < 1 / NO_OFFSETS)


def _steps(lines: Lines, matrix: np.ndarray) -> Optional[_Steps]:
    """Return the steps between neighbouring lines, None of fewer than eight."""
    first, second = lines.pairs.T
    step = _middle_mean(matrix[second] - matrix[first])
    known = np.flatnonzero(np.isfinite(step))
    if len(known) < 8 or not np.any(step[known]):
        return None
    rows = np.arange(len(known))
    between = np.zeros((len(known), len(lines)))
    between[rows, second[known]], between[rows, first[known]] = 1.0, -1.0
    # A slope and an offset between the directions are looked at elsewhere.
    aside = between @ np.column_stack([lines.u, lines.heading])
    vectors, sizes, _ = np.linalg.svd(aside)
    free = vectors[:, np.count_nonzero(sizes > 1e-9 * sizes[0]) :].T
    own = free @ between
    distance = lines.u[:, None] - lines.u
    signal = np.stack([own @ np.exp(-0.5 * (distance / length) ** 2) @ own.T for length in LENGTHS])
    count = np.maximum(np.count_nonzero(np.isfinite(matrix), axis=1), 1)
    least = 1e-3 * np.median(np.abs(step[known])) + TINY
    noise = max(noise_of_lines(matrix), least)
    covariance = (own * (MIDDLE_VARIANCE * noise**2 / count)) @ own.T + least**2 * np.eye(len(own))
    return _Steps(free @ step[known], signal, own, covariance, lines.u, typical_length(lines.gap_m), noise)


def _middle_mean(matrix: np.ndarray) -> np.ndarray:
    """Return the mean of the middle half of each row, NaN of none: unlike medians it is not as coarse as the digits."""
    count = np.count_nonzero(np.isfinite(matrix), axis=1)
    order, place = np.sort(matrix, axis=1), np.arange(matrix.shape[1])
    quarter = (count // 4)[:, None]
    kept = (place >= quarter) & (place < count[:, None] - quarter)
    total = np.where(kept, order, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(kept.sum(axis=1), 1), np.nan)


def _fitted(steps: _Steps, more: list[np.ndarray], variances: Optional[np.ndarray] = None) -> _Fit:
    """Return the variances of the parts of the signal, and of ``more`` parts, that are likeliest, begun with some.

    They rise and fall by the square root of the ratio of what is seen and what is expected of each (Zhou et al. 2019).
    """
    size = len(steps.seen)
    parts = np.concatenate([steps.signal, np.reshape(more, (len(more), size, size))]).reshape(-1, size * size)
    traces = parts[:, :: size + 1].sum(axis=1)
    variances = np.sum(steps.seen**2) / traces / len(parts) if variances is None else variances
    for step in range(STEPS + 1):
        covariance = (variances @ parts).reshape(size, size) + steps.noise
        inverse = inverse_symmetric(covariance)
        pull = inverse @ steps.seen
        if step < STEPS:
            variances = variances * np.sqrt(parts @ np.outer(pull, pull).ravel() / (parts @ inverse.ravel()))
    likelihood = -0.5 * (np.linalg.slogdet(covariance)[1] + steps.seen @ pull)
    return _Fit(variances, inverse, float(likelihood))


def _weights(steps: _Steps, fit: _Fit, weight: np.ndarray) -> np.ndarray:
    """Return the weights (L,) of offsets with Student's t distribution."""
    prior = fit.variances[-1] / weight
    seen = fit.inverse @ steps.own
    offset = prior * (steps.own.T @ (fit.inverse @ steps.seen))
    variance = prior - prior**2 * np.sum(steps.own * seen, axis=0)
    return (FREEDOM + 1) / (FREEDOM + (offset**2 + variance) / max(fit.variances[-1], TINY))


def _ridges(steps: _Steps, fit: _Fit, offsets: np.ndarray) -> tuple[Optional[Ridges], list[np.ndarray]]:
    """Return the ridges, None where there are none, and a list of their (n, n) covariance."""
    length, lowest, highest = np.ptp(steps.u), 1 / WIDEST_M, 1 / (NARROWEST_LINES * steps.spacing_m)
    tried = np.arange(lowest, highest, 0.2 / length)
    if len(tried) < 2:
        return None, []
    height = np.array([_height(steps, fit, one) for one in tried])
    # Equal lines have no peak at all.
    lower = max(-np.expm1(-height.max() / 2), TINY)
    chance = -np.expm1((highest - lowest) * length * np.log(lower))
    if chance > RIDGES_LEVEL:
        return None, []
    period = 1 / tried[np.argmax(height)]
    angle = 2 * np.pi * steps.u[:, None] / period
    envelope = smooth_basis(steps.u, steps.u, ENVELOPE_M)
    waves = np.concatenate([np.cos(angle) * envelope, np.sin(angle) * envelope], axis=1)
    wave = steps.covariance(waves @ waves.T)
    both = _fitted(steps, [offsets, wave])
    offset, size = np.sqrt(both.variances[-2:])
    return Ridges(float(period), waves * size, float(offset)), [wave]


def _height(steps: _Steps, fit: _Fit, frequency: float) -> float:
    """Return how far a wave stands out, chi squared with two degrees of freedom where there is none (Scargle 1982)."""
    angle = 2 * np.pi * frequency * steps.u
    wave = steps.own @ np.column_stack([np.cos(angle), np.sin(angle)])
    seen = fit.inverse @ wave
    pull = steps.seen @ seen
    return float(pull @ np.linalg.solve(wave.T @ seen, pull))


def _power(steps: _Steps) -> float:
    """Return twice the log likelihood that offsets alone are expected to gain against the shortest signal."""
    shortest, plain = steps.signal[0], steps.own @ steps.own.T
    size = len(shortest)
    ratio = np.linalg.solve(shortest + 1e-9 * np.trace(shortest) / size * np.eye(size), plain)
    return float(size * np.log(np.trace(ratio) / size) - np.linalg.slogdet(ratio)[1])
