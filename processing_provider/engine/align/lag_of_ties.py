"""The lag of the instrument from tie lines: how likely each shift makes what ties and lines read where they cross."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..balance import FREEDOM
from ..core import (
    CARRIED,
    INSTRUMENT,
    Lines,
    Platform,
    Readings,
    inverse_symmetric,
    kind_code,
    median,
    robust_sd,
    slopes,
    walk_shapes,
)
from .correlation import SEARCH_M

STEP_M = 0.025
"""Distance of the shifts that are tried. Derived: half the least standard error that ties leave (where they lie,
0.05 m)."""
SMOOTH_M = 0.3
"""Standard deviation, in metres, by which lines and ties are smoothed before they are compared. Derived: above half a
reading's distance, so that what lies between two readings is no smoother than at one of them, and below the footprint
(0.35 m)."""
SWAY_M = 3.0
"""Correlation length, in metres, of how far a tie lies aside. Common practice, no source: a few paces."""
BLUR_M2 = 0.08
"""Standard deviation of what the bends of the signal along the tie, less those along the line, add to their difference,
in m^2: half of what the variances of the footprint along and across the walking direction differ by. Derived: coils
that see 0.5 m along and 0.3 m across."""
BEND_M2 = 0.08
"""Likewise of each bend by itself, with what uneven lines make of it. Found by tests/calibration/align.py: 0.04 to 0.16
find a lag equally well."""
WIDER = 2.0
"""Factor on the variance of the lag: residuals at neighbouring crossovers go together. Found by
tests/calibration/align.py: 2.5 (standard error 0.2, of 200 surveys), more than is taken."""
ROUNDS = 6
"""Rounds with slopes at the best shift so far. Found by tests/calibration/align.py: of 200 surveys, with 3 the lag is
4 % farther off, with 12 it is 2 %."""
MOST = 600
"""Crossovers of a grid that are looked at, every so many lines beyond. Derived: a matrix of so many rows is inverted in
some hundredths of a second, and 600 show a shift as well as ties lie where they should."""
LEAST_WIDTH = 4
"""Readings below which a line or a tie has no bends. Derived: two second differences."""
LEAST = 20
"""Crossovers below which ties show nothing. Derived: each line has a level of its own, and each tie two numbers."""


@dataclass(frozen=True)
class Crossovers:
    """What is read at N crossovers of lines and ties.

    Attributes
    ----------
    line, tie : (N,) int
    residual : (N, K) float64
        Tie less line at each shift.
    slope_line, slope_tie, bend_line, bend_tie : (N, K) float64
        Slopes along the line and along the tie by the metre, and by how much they change in a metre.
    u, v : (N,) float64
    """

    line: np.ndarray
    tie: np.ndarray
    residual: np.ndarray
    slope_line: np.ndarray
    slope_tie: np.ndarray
    bend_line: np.ndarray
    bend_tie: np.ndarray
    u: np.ndarray
    v: np.ndarray


def shifts() -> np.ndarray:
    """Return (K,) the shifts that are tried, metres at the median speed."""
    count = round(SEARCH_M / STEP_M)
    return STEP_M * np.arange(-count, count + 1)


def likelihoods_of(
    readings: Readings,
    lines: Lines,
    channels: Sequence[str],
    ratio: np.ndarray,
    of_lines: np.ndarray,
    platform: Platform = CARRIED,
) -> list[np.ndarray]:
    """Return (K,) log likelihoods of the shifts by the ties of one grid, one for each channel; none without ties.

    ``ratio`` (n,) and ``of_lines`` (L,) are how much faster than the median readings and lines were walked.

    Notes
    -----
    Ties and lines move by the lag. What is left differs by the level of each line, by level and tilt of each tie, by
    the position errors of both times the slopes, and by noise with heavy tails. See ``docs/methods/align.md``.
    """
    ties = _ties(readings)
    if not ties or len(lines.v) < LEAST_WIDTH:
        return []
    found = []
    for channel, matrix in zip(channels, lines.resample(readings, readings.stacked(channels))):
        smooth = _smoothed(matrix, SMOOTH_M / lines.step_m)
        parts = [
            _crossovers(readings, rows, number, readings.channels[channel], lines, smooth, ratio, of_lines)
            for number, rows in enumerate(ties)
            if np.count_nonzero(np.isfinite(readings.channels[channel][rows])) >= LEAST_WIDTH
        ]
        found.append(_likelihood(_joined(parts), platform) if parts else np.zeros(len(shifts())))
    return found


def posterior_of(likelihoods: Sequence[np.ndarray]) -> Optional[tuple[float, float]]:
    """Return the shift and its standard error in metres from log likelihoods (K,); None without any.

    The lag is held to that of instruments in general.
    """
    if not len(likelihoods):
        return None
    shift = shifts()
    log = np.sum(likelihoods, axis=0) - 0.5 * (shift / INSTRUMENT.lag_m) ** 2
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ shift)
    return mean, float(np.sqrt(weight @ (shift - mean) ** 2))


def _ties(readings: Readings) -> list[np.ndarray]:
    """Return the rows in use of each tie line, u ascending."""
    use = (readings.kind == kind_code("tie")) & readings.in_use & np.isfinite(readings.u_m) & np.isfinite(readings.v_m)
    order, number = readings.in_runs()
    kept = use[order]
    rows, number = order[kept], number[kept]
    runs = np.split(rows, np.flatnonzero(np.diff(number)) + 1)
    ascending = [run[np.argsort(readings.u_m[run], kind="stable")] for run in runs]
    return [
        run for run in ascending if len(run) >= LEAST_WIDTH and np.ptp(readings.u_m[run]) > np.ptp(readings.v_m[run])
    ]


def _crossovers(
    readings: Readings,
    rows: np.ndarray,
    number: int,
    values: np.ndarray,
    lines: Lines,
    smooth: np.ndarray,
    ratio: np.ndarray,
    of_lines: np.ndarray,
) -> Crossovers:
    """Return what one tie (its rows) reads less what the lines read that it crosses."""
    shift = shifts()
    rows = rows[np.isfinite(values[rows])]
    across = np.interp(lines.u, readings.u_m[rows], readings.v_m[rows])
    on_line = (across[:, None] - (lines.heading * of_lines)[:, None] * shift - lines.v[0]) / lines.step_m
    start, tie, step = _tie_on_axis(readings.u_m[rows], values[rows])
    on_tie = (lines.u[:, None] - readings.heading[rows[0]] * ratio[rows[0]] * shift - start) / step
    every = np.arange(len(lines))[:, None]
    value, slope_line, bend_line = _read(smooth, lines.step_m, every, on_line)
    tie_value, slope_tie, bend_tie = _read(tie, step, np.zeros_like(every), on_tie)
    residual = tie_value - value
    known = np.isfinite(residual + bend_line + bend_tie).all(axis=1)
    line = np.flatnonzero(known)
    columns = (residual, slope_line, slope_tie, bend_line, bend_tie, lines.u, across)
    return Crossovers(line, np.full(len(line), number), *(column[known] for column in columns))


def _tie_on_axis(u: np.ndarray, values: np.ndarray) -> tuple[float, np.ndarray, float]:
    """Return where a regular axis along a tie starts, its smoothed values (1, V) there, and the step."""
    step = max(median(np.diff(u)), 1e-3)
    axis = np.arange(u[0], u[-1] + step / 2, step)
    return float(u[0]), _smoothed(np.interp(axis, u, values)[None], SMOOTH_M / step), step


def _read(matrix: np.ndarray, step_m: float, row: np.ndarray, index: np.ndarray) -> list[np.ndarray]:
    """Return values of rows of a matrix at fractional indices, linear, their slopes and bends; NaN beyond the rows."""
    last = matrix.shape[1] - 1
    left = np.clip(np.floor(index).astype(int), 0, max(last - 1, 0))
    part = index - left
    right, inside = np.minimum(left + 1, last), (part >= 0) & (part <= 1)
    slope = slopes(matrix, step_m)
    return [
        np.where(inside, (1 - part) * one[row, left] + part * one[row, right], np.nan)
        for one in (matrix, slope, slopes(slope, step_m))
    ]


def _joined(parts: Sequence[Crossovers]) -> Crossovers:
    """Join the crossovers of all ties of a grid, of few enough lines."""
    joined = Crossovers(*(np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0])))
    every = -(-len(joined.line) // MOST)
    kept = joined.line % every == 0 if every > 1 else slice(None)
    return Crossovers(*(getattr(joined, name)[kept] for name in vars(joined)))


def _likelihood(at: Crossovers, platform: Platform) -> np.ndarray:
    """Return (K,) the log likelihood of each shift."""
    count, shift = len(at.line), shifts()
    if count < LEAST:
        return np.zeros(len(shift))
    scale = robust_sd(at.residual - np.median(at.residual, axis=0))
    if not scale > 0:
        return np.zeros(len(shift))
    best, noise = int(np.argmin(np.abs(shift))), np.full(count, (0.3 * scale) ** 2)
    for _ in range(ROUNDS):
        inverse = inverse_symmetric(_covariance(at, best, scale, platform) + np.diag(noise))
        weighed = np.einsum("ij,jk->ik", inverse, at.residual)
        misfit = np.einsum("ik,ik->k", at.residual, weighed)
        best = int(np.argmin(misfit + (shift / INSTRUMENT.lag_m) ** 2))
        own = noise * weighed[:, best]
        # What the fit leaves of the noise is smaller than the noise by what it takes.
        common = (robust_sd(own) / max(np.sqrt(np.mean(noise * np.diag(inverse))), 0.1)) ** 2
        noise = (FREEDOM * max(common, 1e-6 * scale**2) + own**2) / (FREEDOM + 1)
    free = max(count - len(np.unique(at.line)) - 2 * len(np.unique(at.tie)), 1)
    return -0.5 * misfit / (WIDER * max(1.0, float(misfit.min()) / free))


def _covariance(at: Crossovers, best: int, scale: float, platform: Platform) -> np.ndarray:
    """Return the covariance (N, N) of residuals besides noise, with slopes at one of the shifts."""
    one_line, one_tie = at.line[:, None] == at.line, at.tie[:, None] == at.tie
    along_line, along_tie = at.slope_line[:, best], at.slope_tie[:, best]
    middle = (at.u - at.u.mean()) / max(float(np.ptp(at.u)), 1e-9)
    levels = one_line + one_tie * (1.0 + 12.0 * middle[:, None] * middle)
    sway = np.exp(-0.5 * ((at.u[:, None] - at.u) / SWAY_M) ** 2)
    on_line = one_line * _walk_covariance(at.v, platform)
    on_tie = one_tie * _walk_covariance(at.u, platform)
    aside = platform.across_m**2
    bend_line, bend_tie = at.bend_line[:, best], at.bend_tie[:, best]
    blur = BLUR_M2 * (bend_tie - bend_line)
    bends = blur[:, None] * blur + BEND_M2**2 * np.diag(bend_line**2 + bend_tie**2)
    return (
        (2 * scale) ** 2 * levels
        + bends
        + along_line[:, None] * along_line * (on_line + aside * one_tie * sway)
        + along_tie[:, None] * along_tie * (on_tie + aside * one_line)
    )


def _walk_covariance(at: np.ndarray, platform: Platform) -> np.ndarray:
    """Return the prior covariance (N, N) of the position errors of one line at positions along it."""
    nodes = np.linspace(at.min(), max(at.max(), at.min() + 1.0), 60)
    shapes = walk_shapes(nodes, platform)
    here = np.stack([np.interp(at, nodes, shape) for shape in shapes.T], axis=1)
    return np.einsum("im,jm->ij", here, here)


def _smoothed(matrix: np.ndarray, width: float) -> np.ndarray:
    """Return (L, V) rows smoothed by a Gaussian of so many steps; NaN stays NaN and takes no part."""
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(matrix)
    total = gaussian_filter1d(np.where(known, matrix, 0.0), width, axis=1, mode="constant")
    weight = gaussian_filter1d(known.astype(float), width, axis=1, mode="constant")
    return np.where(known, total / np.where(known, weight, 1.0), np.nan)
