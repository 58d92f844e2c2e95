"""Tie lines followed across the lines: where the ground along a tie is out of step with the lines that it crosses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from ..balance import tie_shapes
from ..core import (
    CARRIED,
    Lines,
    Readings,
    half_window,
    is_across,
    lines_at,
    noise_of_lines,
    profile_of,
    recordings,
    robust_sd,
)
from .neighbour_fit import TAIL

LINE_M = CARRIED.along_m
"""Standard deviation of a line's position along the traverse as logged."""
BENT_LINE_M, BENT_TIE_M = 0.15, 0.12
"""Likewise, of line and tie: what of it comes in where the ground bends, beyond what its slope does. Common practice,
no source: what uneven pace and the ends of a line have each (``CARRIED``)."""
STARTS_M = (0.0, 0.3, -0.3)
"""Lags of the ties from which their along-line position errors are looked for. Derived: none, and a standard deviation
of the lag of a line either way (``INSTRUMENT``); Gauss-Newton finds the nearest optimum."""
ROUNDS, WEIGHINGS = 3, 2
"""Rounds of Gauss-Newton, and of weights within each. Derived: Gauss-Newton squares what is left in every round, so
after three a position that was 0.3 m off is within millimetres; weights follow from round to round."""
DIRECTION, LEVEL = 1.0, 10.0
"""Standard deviations of the offset between directions and of the ties' levels, in units of the lines' offsets. Common
practice, no source: directions differ as lines do; the level of a tie is left free."""

LEAST = 1e-6
"""Least variance at a crossover, and least offset. Derived: 0.001 mS/m squared, below what any instrument writes, keeps
constant readings from dividing by nothing."""


@dataclass(frozen=True)
class Tie:
    """A tie and the L lines that it crosses.

    Attributes
    ----------
    u_m, value, slope, bend : (n,) float64
        Along the tie: positions, smoothed values, and their first and second derivatives by the metre.
    level, along, curve : (L,) float64
        Of the lines at the tie: values (NaN where there is none), and their first and second derivatives.
    noise : float
        Variance of a line's value less the tie's, by noise alone.
    """

    u_m: np.ndarray
    value: np.ndarray
    slope: np.ndarray
    bend: np.ndarray
    level: np.ndarray
    along: np.ndarray
    curve: np.ndarray
    noise: float

    def of_lines(self, index: np.ndarray) -> Tie:
        """Return the tie with some of the lines."""
        crossed = self.level[index], self.along[index], self.curve[index]
        return Tie(self.u_m, self.value, self.slope, self.bend, *crossed, self.noise)


def ties_of(readings: Readings, lines: Lines, values: np.ndarray, matrix: np.ndarray) -> list[Tie]:
    """Return the ties of one grid.

    Parameters
    ----------
    readings : Readings
        Readings of one grid.
    lines : Lines
        Its survey lines.
    values : (n,) float64
        Channel of all readings.
    matrix : (L, V) float64
        The same channel of the lines on their common axis.
    """
    found = []
    rows_of_ties = [rows for rows in recordings(readings, "tie", values) if is_across(readings, lines, rows)]
    averaged = min(1.0, lines.step_m / half_window(lines.step_m) / 2)
    noise = averaged * 2 * noise_of_lines(matrix) ** 2 if rows_of_ties else 0.0
    for rows in rows_of_ties:
        rows, u, smooth, slope = profile_of(readings, values, rows)
        if slope.any():
            level, along, curve = lines_at(lines, matrix, np.median(readings.v_m[rows]))
            bend = np.gradient(slope, u)
            found.append(Tie(u, smooth, slope, bend, level, np.nan_to_num(along), np.nan_to_num(curve), noise))
    return found


def farther_by_ties(ties: Sequence[Tie], u_m: np.ndarray, heading: np.ndarray, by_m: float) -> np.ndarray:
    """Return (L,) log likelihood gained when all lines from each one on lie ``by_m`` metres farther than recorded.

    Parameters
    ----------
    ties : sequence of Tie
    u_m : (L,) float64
        Where the lines lie across as recorded, metres, ascending.
    heading : (L,) int
    by_m : float
        Negative for lines that lie nearer.

    Notes
    -----
    Where tie t crosses line i, the line's value less the tie's is

        y_ti = o_i + h_i d + l_t + s_t(u_i) w_t(i) + e_ti

    o = offset of the line, h d = of its direction, l = level of the tie, s w = slope along the tie times how far it was
    walked off, e = noise, what the line was walked off times its slope, and what ground that bends adds to both. All
    are Gaussian but e, which is Student's t. For every position of the lines w is looked for anew (Gauss-Newton); the
    likelihood is Laplace's, with the weights of the t by their own expectation (Lange, Little and Taylor 1989, Robust
    statistical modeling using the t distribution, doi 10.1080/01621459.1989.10478852; from memory). What a line is
    off is alike at all ties, so three ties say more than three times what one does.
    """
    gains = np.zeros(len(u_m))
    if not ties or len(u_m) < 2:
        return gains
    later = np.arange(len(u_m)) >= np.arange(len(u_m))[:, None]
    # First as recorded, for all lines farther by as much is a matter of the ties' lag.
    positions = np.where(later, u_m + by_m, u_m)
    positions[0] = u_m
    found = np.max([_likelihood(ties, positions, heading, start) for start in STARTS_M], axis=0)
    gains[1:] = found[1:] - found[0]
    return gains


def _likelihood(ties: Sequence[Tie], positions: np.ndarray, heading: np.ndarray, start_m: float) -> np.ndarray:
    """Return (H,) log likelihoods of positions (H, L) of the lines, walks looked for from a lag of the ties on."""
    shapes = tie_shapes(positions[0])
    off = np.full((*positions.shape, len(ties)), start_m)
    scale, weight = _offsets(ties, positions[0]), np.ones(off.shape)
    likelihood = np.zeros(len(positions))
    for _ in range(ROUNDS):
        value, slope, variance = _linear(ties, positions, off)
        known = np.isfinite(value)
        design = _design(np.where(known, slope, 0.0), known, shapes, heading, scale)
        weight = np.where(known, weight, 0.0)
        for _ in range(WEIGHINGS):
            likelihood, found, squares = _solved(np.where(known, value, 0.0), design, variance, weight, scale)
            weight = np.where(known, (TAIL + 1) / (TAIL + squares), 0.0)
        first = 1 + len(ties)
        error = found[:, first:].reshape(len(positions), len(ties), -1)
        off = np.einsum("ls,hts->hlt", shapes, error)
    return likelihood


def _offsets(ties: Sequence[Tie], position: np.ndarray) -> float:
    """Return the standard deviation of the lines' offsets, from the medians over the ties."""
    difference = np.stack([tie.level - np.interp(position, tie.u_m, tie.value, np.nan, np.nan) for tie in ties])
    difference = difference[:, np.isfinite(difference).all(axis=0)]
    if not difference.size:
        return 1.0
    own = np.median(difference - np.median(difference, axis=1, keepdims=True), axis=0)
    least = np.sqrt(np.mean([tie.noise for tie in ties])) + LEAST
    return float(max(robust_sd(own - np.median(own)), least))


def _linear(ties: Sequence[Tie], positions: np.ndarray, off: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return the values (H, L, T) at crossovers as a linear function of the ties' position errors around ``off``.

    The value at an error of 0, what a metre of it adds, and the residual variance; NaN where a tie does not reach.
    """
    value, slope, variance = (np.empty(off.shape) for _ in range(3))
    for t, tie in enumerate(ties):
        at = positions + off[..., t]
        value[..., t] = tie.level - np.interp(at, tie.u_m, tie.value, np.nan, np.nan)
        slope[..., t] = np.interp(at, tie.u_m, tie.slope)
        value[..., t] += slope[..., t] * off[..., t]
        bent = (np.interp(at, tie.u_m, tie.bend) * BENT_TIE_M**2) ** 2 + (tie.curve * BENT_LINE_M**2) ** 2
        variance[..., t] = tie.noise + (CARRIED.across_m * slope[..., t]) ** 2 + (LINE_M * tie.along) ** 2 + bent / 2
    return value, slope, variance + LEAST


def _design(slope: np.ndarray, known: np.ndarray, shapes: np.ndarray, heading: np.ndarray, scale: float) -> np.ndarray:
    """Return (H, L, T, N) what N unknowns of unit variance add to the crossovers: direction, levels, walks."""
    h, lines, ties = slope.shape
    design = np.zeros((h, lines, ties, 1 + ties + ties * shapes.shape[1]))
    design[..., 0] = DIRECTION * scale * heading[:, None]
    for t in range(ties):
        design[:, :, t, 1 + t] = LEVEL * scale
        first = 1 + ties + t * shapes.shape[1]
        design[:, :, t, first : first + shapes.shape[1]] = slope[:, :, t, None] * shapes
    return design * known[..., None]


def _solved(
    value: np.ndarray, design: np.ndarray, variance: np.ndarray, weight: np.ndarray, scale: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return log likelihoods (H,), unknowns (H, N) and squared residuals over their variances (H, L, T).

    ``weight`` is 0 where there is no crossover. A line has one offset at all its crossovers, so their covariance is
    inverted line by line (Sherman and Morrison), and that of the few unknowns by Woodbury's identity.
    """
    sure = weight / variance
    pull = 1.0 / scale**2 + sure.sum(axis=2)

    def without_offsets(x: np.ndarray) -> np.ndarray:
        common = np.einsum("hlt,hltn->hln", sure, x) / pull[..., None]
        return sure[..., None] * (x - common[:, :, None])

    freed = without_offsets(design)
    alone = without_offsets(value[..., None])[..., 0]
    normal = np.einsum("hltm,hltn->hmn", design, freed) + np.eye(design.shape[3])
    right = np.einsum("hltn,hlt->hn", design, alone)
    inverse = np.linalg.inv(normal)
    found = (inverse @ right[..., None])[..., 0]
    own = alone - np.einsum("hltn,hn->hlt", freed, found)
    spread = np.einsum("hltn,hnm,hltm->hlt", freed, inverse, freed, optimize=True)
    known = weight > 0
    weight = np.where(known, weight, 1.0)
    here = variance / weight
    residual, left = here * own, here - here**2 * (sure - sure**2 / pull[..., None] - spread)
    size = known * (residual**2 + left) / variance
    squares = np.sum(value * own, axis=(1, 2))
    determinant = np.sum(known * np.log(here), axis=(1, 2)) + np.sum(np.log(pull * scale**2), axis=1)
    determinant += np.linalg.slogdet(normal)[1]
    tails = np.sum(known * TAIL * (np.log(weight) - weight + 1), axis=(1, 2))
    return (tails - squares - determinant) / 2, found, size
