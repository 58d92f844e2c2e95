"""How far an interpolated value may be from the truth: noise, offsets of the lines, and what lies between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import INSTRUMENT
from .across_lines import HALO_LINES, HALO_NODES, Places, Surface, carried_around, picked
from .along_lines import Traverses
from .splines import second_derivatives

WINDOW_M = 1.0
THINNED_M = INSTRUMENT.resolution_m
"""Nodes closer together tell the same."""
COMB = 8
"""Lines between those that are moved at once: a spline answers eight knots off with 0.268^8 of what it does nearby."""
SPLINE_KNOTS = 5
"""With fewer lines than that the spline has too few knots to miss one; straight pieces are left out instead."""
SHARES = (0.01, 0.03, 0.1, 0.3, 1.0, 10.0)
"""How much the whole grid may count against the residuals around a place when all of them are there."""
LEAST = 50
"""Residuals to choose from the shares by; with fewer it is the largest, and the whole grid counts for nearly all."""
SAMPLE = 4_000
"""About how many residuals the share is chosen by."""
ALONG_SAMPLE = 10_000
"""About how many values the powers are found from."""
HALFWAY = {
    True: ((0.6005, -0.1274, 0.0341), (0.7460, -0.3119, 0.0836), (0.8987, -0.5056, 0.1355)),
    False: ((0.5,), (0.5,), (0.5,)),
}
"""Weights on either side in the middle of a gap of one, two, three spacings between lines one spacing apart, for cubic
splines (the cardinal spline's; farther lines weigh under 0.04) and for straight pieces."""
CLEAR = 0.2
"""Of the variance of noise: error along the lines at double spacing that tells how the error grows."""
FAINT = 0.1
"""Likewise: error at single spacing below that is not told from none."""
POWERS = (0.5, 2.4)
"""Least and largest. The latter is that of splines across features blurred by coils on lines half a metre apart; more
shows where what was taken off along the lines as noise took some ground with it."""
USUAL_POWER = 1.75
"""Where the lines do not tell: between the largest and that of straight pieces across features half as wide as the
lines are apart, 1.2."""


@dataclass(frozen=True)
class GapError:
    """Error between lines as leaving out whole lines shows it.

    Attributes
    ----------
    double : (nodes / step, knots) float64
        Mean square error at a line that is missing between two that are not, around every ``step``-th node.
    step : int
    narrow, wide : float
        Exponents of the distance between lines, below and above twice the usual one, by which the root mean square
        error grows.
    """

    double: np.ndarray
    step: int
    narrow: float
    wide: float


def gap_error(surface: Surface, lines: Traverses, *, cubic: bool) -> GapError:
    """Predict every line from its neighbours and compare.

    Parameters
    ----------
    surface : Surface
    lines : Traverses
        What the surface was made from.
    cubic : bool
        Cubic splines across the lines, else straight pieces.

    Notes
    -----
    The surface itself tells what it would be without a line: the third derivative of a spline (the first of straight
    pieces) jumps at a knot by the residual of that knot times the jump that a residual of 1 makes. So the lines around
    take part as they do where a line is missing, gaps among them too. The squared residual, less what noise of the
    line and of its neighbours put into it, is the squared error where a line is missing. Beside a gap it is carried
    over by the ratio of the jumps to the mean of both powers (a third of it for splines, whose jumps go with the
    inverse cube of the distance). What lines are off against each other (jumps of level, places wrong along the line)
    stays in it. Windowed sinc is taken for the spline it is read from.
    """
    step = max(1, round(THINNED_M / lines.interval_m))
    powers = _powers(lines, cubic)
    excess, noise = _left_out(surface, slice(HALO_NODES, -HALO_NODES, step), lines.noise**2, powers, cubic)
    nodes = 2 * round(WINDOW_M / 2 / (step * lines.interval_m)) + 1
    return GapError(_pooled(excess, noise, nodes), step, *powers)


class Uncertainty:
    """Standard errors of the values of one surface.

    Parameters
    ----------
    surface : Surface
    lines : Traverses
        What the surface was made from.

    Notes
    -----
    Sum of three variances.

    Noise: along the lines as ``lines`` tells at nodes and half-way, a parabola in between. Across them a cubic spline
    lets through that of one knot at a knot, and half-way between knots w times as far apart as usual
    0.465 + 0.1535 w + 0.1377 w^2 of it (sum of squares of the cardinal spline there, for w from 1 to 5 to 0.3 %):
    0.756 at single spacing, 1.32 where a line is missing; straight pieces let through 0.5 of it. Beyond the outer line
    it grows to five times at half a spacing.

    Offsets of lines: common to all readings of a line, and taken as common to neighbouring lines too. What a
    correction cannot tell from ground changes slowly across the lines; what changes fast is in the third.

    Error between lines: none on a line and largest half-way, where its mean square is that of a missing line, around
    the place, times (gap / two spacings) to twice a power. Beyond the outer line it reaches that of a missing line at
    half a spacing.
    """

    def __init__(self, surface: Surface, lines: Traverses) -> None:
        # Splines without any curvature are straight pieces.
        cubic = bool(surface.zuu.any())
        error = gap_error(surface, lines, cubic=cubic)
        self._surface, self._noise = surface, (lines.noise**2, lines.noise_halfway**2)
        self._group, self._tables = _intervals(surface, error, cubic)
        self._double = error.double
        self._double[:, :-1] = (error.double[:, :-1] + error.double[:, 1:]) / 2
        nodes = np.arange(len(surface.u)) - HALO_NODES + error.step // 2
        self._thinned = np.clip(nodes // error.step, 0, len(error.double) - 1)

    def standard_error(self, u: np.ndarray, at: Places) -> np.ndarray:
        """Return the standard errors at positions ``u`` in metres that lie at ``at``."""
        group = self._group[at.nearer]
        if at.on_axes:
            # Few rows lack other lines than the row before: what depends on that is found once for all alike.
            groups, row = np.unique(group, return_inverse=True)
            terms = self._terms(u, groups[:, None], at.knot)
            if len(groups) > 1:
                terms = [term[row.reshape(-1)] for term in terms]
        else:
            terms = self._terms(u, group, at.knot)
        across, offsets, reach = terms
        noise, halfway = self._noise
        variance = across * (noise - 4.0 * (noise - halfway) * at.share * (1.0 - at.share))
        variance += offsets
        (between,) = picked([self._double], self._thinned[at.nearer], at.knot)
        between *= reach
        variance += between
        return np.sqrt(variance, out=variance)

    def _terms(self, u: np.ndarray, group: np.ndarray, knot: np.ndarray) -> list[np.ndarray]:
        """Return what the noise is multiplied by across the lines, the variance of their offsets, and how much of the
        mean square error of a missing line counts."""
        start, width, left, right, bend, growth = picked(self._tables, group, knot)
        outside = width == 0.0
        share = (u - start) / np.where(outside, 1.0, width)
        beyond = np.where(outside, np.abs(share) / self._surface.spacing_m, 0.0)
        share[outside] = 0.0
        middle = 4.0 * share * (1.0 - share)
        across = (1.0 + bend * middle) * (1.0 + 2.5 * beyond) ** 2
        return [across, (1.0 - share) * left + share * right, growth * (middle + 2.0 * beyond) ** 2]


def _powers(lines: Traverses, cubic: bool) -> tuple[float, float]:
    """Return the powers of the distance between lines by which the error grows, from one to two and to three spacings.

    Along the lines the ground is known in between: each is interpolated from values as far apart as the lines are, by
    the weights used across. Only ratios are taken from there, so ground that is rougher across than along is no
    matter. Noise is taken off as independent from node to node.
    """
    half = max(1, round(lines.spacing_m / lines.interval_m / 2))
    z = lines.z[:, :: max(1, lines.z.size // ALONG_SAMPLE)]
    weights = HALFWAY[cubic]
    offsets = [half * (first + 2 * np.arange(len(weights[0]))) for first in (1, 2, 3)]
    errors = [_error_along(z, *pair, lines.noise**2) for pair in zip(weights, offsets)]
    (single, faint), (double, noise), (triple, _) = errors
    if not double > CLEAR * noise or not triple > 0:
        return USUAL_POWER, USUAL_POWER
    single = max(single, FAINT * faint, double / 4 ** POWERS[1])
    powers = np.log2(double / single) / 2, np.log(triple / double) / np.log(1.5) / 2
    narrow, wide = np.clip(powers, *POWERS).tolist()
    return narrow, wide


def _error_along(z: np.ndarray, weights: tuple[float, ...], offsets: np.ndarray, noise: float) -> tuple[float, float]:
    """Return the mean square error of values predicted from those ``offsets`` nodes off on both sides, less that of
    noise, and the latter; NaN where lines are too short."""
    weights = np.array(weights) / (2 * sum(weights))
    through = (1.0 + 2.0 * np.sum(weights**2)) * noise
    reach, nodes = offsets[-1], len(z)
    if nodes <= 2 * reach:
        return np.nan, through
    rest = z[reach : nodes - reach].copy()
    for weight, off in zip(weights, offsets):
        rest -= weight * (z[reach - off : nodes - reach - off] + z[reach + off : nodes - reach + off])
    rest = rest[np.isfinite(rest)]
    return float(rest @ rest / len(rest) - through) if len(rest) else np.nan, through


def _left_out(surface: Surface, rows: slice, noise: float, powers: tuple[float, float], cubic: bool):
    """Return the squared residuals of lines left out, less that of noise, and the latter, as if every line had its
    neighbours one spacing off; (rows, knots) each, NaN where no line is left out."""
    u, known = surface.u[rows], surface.carried[rows]
    excess, through = np.full(known.shape, np.nan), np.full(known.shape, np.nan)
    new = np.append(True, (known[1:] != known[:-1]).any(axis=1))
    for start, stop in zip(np.flatnonzero(new), np.append(np.flatnonzero(new)[1:], len(known))):
        knots = np.flatnonzero(known[start])
        bent = cubic and len(knots) >= SPLINE_KNOTS
        if len(knots) < 3:
            continue
        place = u[start:stop, knots] if u.strides[0] else u[start : start + 1, knots]
        table = (surface.zuu if bent else surface.z)[rows][start:stop, knots]
        own, spread = _answer(place.mean(axis=0), bent)
        even = 12 * (27**0.5 - 4) / surface.spacing_m**3 if bent else 2 / surface.spacing_m
        # One neighbour of a line beside a gap is near: its error grows by less than across the gap's middle.
        scale = (own / even) ** (sum(powers) / (3 if bent else 1))
        # At the second line from the outside a spline has as little to go by as beyond the outer one.
        some = slice(1, -1) if bent else slice(None)
        mine = knots[1:-1][some]
        through[start:stop, mine] = (scale * spread * noise)[some]
        excess[start:stop, mine] = (_jumps(place, table)[:, some] ** 2) * (scale / own**2)[some]
    excess[:, :HALO_LINES] = excess[:, -HALO_LINES:] = np.nan
    return excess - through, through


def _jumps(x: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return by how much the slope of pieces along the rows changes at the inner knots."""
    return np.diff(np.diff(values, axis=-1) / np.diff(x, axis=-1), axis=-1)


def _answer(x: np.ndarray, bent: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return the jump at each inner knot that a residual of 1 makes there, and the squared residual that noise of
    variance 1 makes."""
    knot = np.arange(len(x))
    combs = (knot % COMB == np.arange(COMB)[:, None]).astype(float)
    jumps = _jumps(x, second_derivatives(x, combs, knot == 0) if bent else combs)
    own = np.abs(jumps[knot[1:-1] % COMB, knot[:-2]])
    return own, np.sum(jumps**2, axis=0) / own**2


def _pooled(excess: np.ndarray, noise: np.ndarray, nodes: int) -> np.ndarray:
    """Return the mean of the excess over three lines and as many nodes, drawn to that of the whole grid.

    The share of the whole grid is the one that with lines two aside, which a missing line leaves, predicts residuals
    best: by the mean of ``log v + r^2 / v``, the logarithmic score (Gneiting and Raftery 2007, doi
    10.1198/016214506000001437). Around iron that shows on one line alone, the lines beside tell little.
    """
    from scipy.ndimage import uniform_filter1d

    there = np.isfinite(excess)
    overall = max(float(np.mean(excess[there])), 0.0) if there.any() else 0.0
    along = [uniform_filter1d(table, nodes, axis=0, mode="constant")
             for table in (np.where(there, excess, 0.0), there.astype(float))]  # fmt: skip
    around, count = (_aside(table, 2) / 2 for table in along)
    told = np.flatnonzero(there & (count > 0.4))
    share = SHARES[-1]
    if len(told) >= LEAST and overall > 0:
        told = told[:: max(1, len(told) // SAMPLE)]
        around, count, noise, excess = (table.ravel()[told] for table in (around, count, noise, excess))
        foretold = [np.maximum(noise + _drawn(around, count, overall, s), 1e-6 * overall) for s in SHARES]
        share = SHARES[int(np.argmin([np.mean(np.log(v) + (excess + noise) / v) for v in foretold]))]
    around, count = ((table + _aside(table, 1)) / 3 for table in along)
    return _drawn(around, count, overall, share)


def _drawn(around: np.ndarray, count: np.ndarray, overall: float, share: float) -> np.ndarray:
    """Return the mean of what is around and of the whole grid, which counts with a share; never below zero."""
    return np.maximum(around + share * overall, 0.0) / (count + share)


def _aside(table: np.ndarray, lines: int) -> np.ndarray:
    """Return the sum of what stands so many columns to either side."""
    out = np.zeros_like(table)
    out[:, lines:] += table[:, :-lines]
    out[:, :-lines] += table[:, lines:]
    return out


def _intervals(surface: Surface, error: GapError, cubic: bool) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Return what the error depends on in the interval right of each knot, and which row of it counts for each node.

    Position of the next line to the left that has readings, distance to the next on the right, squared standard
    errors of both, what half-way is added to the share of noise let through, and growth of the mean square error from
    double spacing to that distance. Outside the outer lines the distance is 0, the other line stands in, and the
    growth is 1.
    """
    u, carried, variance = surface.u, surface.carried, surface.line_variance
    nodes, knots = u.shape
    # Most nodes have readings on the same lines as the node before: one row for all of them.
    same = [(table[1:] == table[:-1]).all(axis=1) for table in (u, carried, variance) if table.strides[0]]
    new = np.append(True, ~np.logical_and.reduce(same))
    u, carried, variance = u[new], carried[new], variance[new]
    before, at_or_after = carried_around(carried)
    after = np.full_like(at_or_after, knots)
    after[:, :-1] = at_or_after[:, 1:]
    row = knots * np.arange(len(u))[:, None]
    left = row + np.minimum(np.where(before < 0, after, before), knots - 1)
    right = row + np.maximum(np.where(after == knots, before, after), 0)
    start = np.take(u, left)
    width = np.maximum(np.take(u, right) - start, 0.0)
    wide = width / surface.spacing_m
    bend = 0.1377 * wide**2 + 0.1535 * wide - 0.535 if cubic else np.full(wide.shape, -0.5)
    growth = np.where(wide > 0.0, wide / 2.0, 1.0) ** (2 * np.where(wide > 2.0, error.wide, error.narrow))
    return np.cumsum(new) - 1, (start, width, np.take(variance, left), np.take(variance, right), bend, growth)
