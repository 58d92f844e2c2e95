"""Standard error of interpolated values: noise, offsets of the lines, and the signal between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import INSTRUMENT, ROUNDING, nearest_whole
from .across_lines import HALO_LINES, HALO_NODES, carried_around
from .along_lines import Traverses
from .splines import second_derivatives
from .surface import Located, Surface, picked

WINDOW_M = 1.0
"""Length along the lines over which residuals are pooled. Found by tests/calibration/interpolate.py: 0.25 to 2 m."""
THINNED_M = INSTRUMENT.resolution_m
"""Distance of the nodes at which lines are left out: closer ones repeat each other."""
COMB = 8
"""Lines between those that are moved at once. Derived: a cubic spline answers eight knots off with 0.268^8 = 3e-5 of
what it does nearby."""
SPLINE_KNOTS = 5
"""Lines below which straight pieces are left out in place of the spline. Derived: without the two outer knots on either
side, which have too few neighbours, no knot stays."""
GRID_WEIGHTS = (0.01, 0.03, 0.1, 0.3, 1.0, 10.0)
"""Weights of the whole grid that are tried, against the residuals around a position when all of them are there.
Derived: from hardly any to nearly all in factors of three, within which the score changes little."""
LEAST = 50
"""Residuals to choose a weight by; with fewer it is the largest. Derived: the mean of 50 squared normal deviates is
known to sqrt(2 / 50) = 20 %."""
SAMPLE = 4_000
"""About how many residuals the weight is chosen by. Derived: likewise 2 %, where the weights are a factor of three
apart. """
ALONG_SAMPLE = 10_000
"""About how many values the powers are found from. Derived: a mean square is then known to sqrt(2 / 10000) = 1.4 %, and
a power to 1 %."""
HALFWAY = {
    True: ((0.6005, -0.1274, 0.0341), (0.7460, -0.3119, 0.0836), (0.8987, -0.5056, 0.1355)),
    False: ((0.5,), (0.5,), (0.5,)),
}
"""Weights on either side in the middle of a gap of one, two, three spacings among lines at one spacing, for cubic
splines (farther lines weigh under 0.04) and for straight pieces. Derived: those of the cardinal spline, see the
tests."""
CLEAR = 0.2
"""Error along the lines at double spacing that shows how the error grows, by the variance of noise. Found by
tests/calibration/interpolate.py: from 0.05 to 0.8 maps are as good."""
FAINT = 0.1
"""Error at single spacing that no longer differs from none, likewise. Found by tests/calibration/interpolate.py."""
KNOWN = 0.4
"""Fraction of the values around that must be there to choose the weight by. Derived: a line on one side, not half of
one. """
TINY = 1e-6
"""Least variance that is predicted, by that of the whole grid. Derived: 0.1 % of its standard deviation; it keeps
logarithms finite."""
POWERS = (0.5, 2.4)
"""Least and largest power. The latter is that of splines across features blurred by coils on lines half a metre from
each other; more shows where the smoothing spline took off some signal along the lines. Found by
tests/calibration/interpolate.py."""
DEFAULT_POWER = 1.75
"""Where the lines do not show it: between the largest and that of straight pieces across features half as wide as the
spacing, 1.2. Found by tests/calibration/interpolate.py."""


@dataclass(frozen=True)
class GapError:
    """Error between lines as leaving out whole lines shows it.

    Attributes
    ----------
    double : (nodes / step, knots) float64
        Mean square error at a line that is missing between two that are not, around every ``step``-th node.
    step : int
    narrow, wide : float
        Exponents of the distance between lines, below and above two spacings, by which the root mean square
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
    Nothing is interpolated anew: the third derivative of a spline (the first of straight pieces) jumps at a knot by the
    residual of that knot times the jump that a residual of 1 makes. The squared residual, less the part of noise of the
    line and its neighbours, is the squared error where a line is missing. Beside a gap it is carried over by the ratio
    of the jumps to the mean of both powers (a third of it for splines, whose jumps go with the inverse cube of the
    distance). Differences between lines that are no signal stay in it. Windowed sinc counts as the spline that it is
    evaluated from. See ``docs/methods/standard-errors.md``.
    """
    step = max(1, int(nearest_whole(THINNED_M / lines.interval_m)))
    powers = _powers(lines, cubic)
    excess, noise = _left_out(surface, slice(HALO_NODES, -HALO_NODES, step), lines.noise**2, powers, cubic)
    nodes = 2 * int(nearest_whole(WINDOW_M / 2 / (step * lines.interval_m))) + 1
    return GapError(_pooled(excess, noise, nodes), step, *powers)


class ErrorModel:
    """Standard errors of the values of one surface.

    Parameters
    ----------
    surface : Surface
    lines : Traverses
        What the surface was made from.

    Notes
    -----
    Sum of three variances. Noise: that of ``lines`` along them, times what the interpolation across lets through.
    Offsets of lines: common to all readings of a line, and taken as common to neighbouring lines too. Error between
    lines: none on a line and largest half-way, as ``gap_error`` shows it. See ``docs/methods/standard-errors.md``.
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

    def standard_error(self, u: np.ndarray, at: Located) -> np.ndarray:
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
        variance = across * (noise - 4.0 * (noise - halfway) * at.fraction * (1.0 - at.fraction))
        variance += offsets
        (between,) = picked([self._double], self._thinned[at.nearer], at.knot)
        between *= reach
        variance += between
        return np.sqrt(variance, out=variance)

    def _terms(self, u: np.ndarray, group: np.ndarray, knot: np.ndarray) -> list[np.ndarray]:
        """Return three tables for the error across the lines.

        They are the factor on the noise, the variance of the lines' offsets, and the fraction of the mean square error
        of a missing line that counts.
        """
        start, width, left, right, bend, growth = picked(self._tables, group, knot)
        outside = width == 0.0
        fraction = (u - start) / np.where(outside, 1.0, width)
        beyond = np.where(outside, np.abs(fraction) / self._surface.spacing_m, 0.0)
        fraction[outside] = 0.0
        middle = 4.0 * fraction * (1.0 - fraction)
        across = (1.0 + bend * middle) * (1.0 + 2.5 * beyond) ** 2
        return [across, (1.0 - fraction) * left + fraction * right, growth * (middle + 2.0 * beyond) ** 2]


def _powers(lines: Traverses, cubic: bool) -> tuple[float, float]:
    """Return the powers of the distance between lines by which the error grows, from one to two and to three spacings.

    Along the lines the values between are known: each is interpolated from values at the distances of the lines, by the
    weights used across. Only ratios are taken from there, so it does not matter if the field is rougher across than
    along. Noise is taken off as independent from node to node.
    """
    half = max(1, int(nearest_whole(lines.spacing_m / lines.interval_m / 2)))
    z = lines.z[:, :: max(1, lines.z.size // ALONG_SAMPLE)]
    weights = HALFWAY[cubic]
    offsets = [half * (first + 2 * np.arange(len(weights[0]))) for first in (1, 2, 3)]
    errors = [_error_along(z, *pair, lines.noise**2) for pair in zip(weights, offsets)]
    (single, faint), (double, noise), (triple, _) = errors
    if not double > CLEAR * noise or not triple > 0:
        return DEFAULT_POWER, DEFAULT_POWER
    single = max(single, FAINT * faint, double / 4 ** POWERS[1])
    powers = np.log2(double / single) / 2, np.log(triple / double) / np.log(1.5) / 2
    narrow, wide = np.clip(powers, *POWERS).tolist()
    return narrow, wide


def _error_along(z: np.ndarray, weights: tuple[float, ...], offsets: np.ndarray, noise: float) -> tuple[float, float]:
    """Return the mean square error of values predicted from those ``offsets`` nodes off on both sides.

    Less that of noise, and then the latter; NaN where lines are too short.
    """
    half = np.array(weights) / (2 * sum(weights))
    through = (1.0 + 2.0 * np.sum(half**2)) * noise
    reach, nodes = offsets[-1], len(z)
    if nodes <= 2 * reach:
        return np.nan, through
    residual = z[reach : nodes - reach].copy()
    for weight, off in zip(half, offsets):
        residual -= weight * (z[reach - off : nodes - reach - off] + z[reach + off : nodes - reach + off])
    residual = residual[np.isfinite(residual)]
    return float(np.mean(residual**2) - through) if len(residual) else np.nan, through


def _left_out(
    surface: Surface, rows: slice, noise: float, powers: tuple[float, float], cubic: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return the squared residuals of lines left out, less that of noise, and the latter.

    As if every line had its neighbours one spacing off; (rows, knots) each, NaN where no line is left out.
    """
    u, known = surface.u[rows], surface.carried[rows]
    excess, through = np.full(known.shape, np.nan), np.full(known.shape, np.nan)
    new = np.append(True, (known[1:] != known[:-1]).any(axis=1))
    for start, stop in zip(np.flatnonzero(new), np.append(np.flatnonzero(new)[1:], len(known))):
        knots = np.flatnonzero(known[start])
        bent = cubic and len(knots) >= SPLINE_KNOTS
        if len(knots) < 3:
            continue
        position = u[start:stop, knots] if u.strides[0] else u[start : start + 1, knots]
        table = (surface.zuu if bent else surface.z)[rows][start:stop, knots]
        own, spread = _answer(position.mean(axis=0), bent)
        even = 12 * (27**0.5 - 4) / surface.spacing_m**3 if bent else 2 / surface.spacing_m
        # One neighbour of a line beside a gap is near: its error grows by less than across the gap's middle.
        scale = (own / even) ** (sum(powers) / (3 if bent else 1))
        # At the second line from the outside a spline has as little to go by as beyond the outer one.
        some = slice(1, -1) if bent else slice(None)
        mine = knots[1:-1][some]
        through[start:stop, mine] = (scale * spread * noise)[some]
        excess[start:stop, mine] = (_jumps(position, table)[:, some] ** 2) * (scale / own**2)[some]
    excess[:, :HALO_LINES] = excess[:, -HALO_LINES:] = np.nan
    return excess - through, through


def _jumps(x: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return by how much the slope of pieces along the rows changes at the inner knots."""
    return np.diff(np.diff(values, axis=-1) / np.diff(x, axis=-1), axis=-1)


def _answer(x: np.ndarray, bent: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return the jump at each inner knot by a residual of 1 there, and the squared residual by noise of variance 1."""
    knot = np.arange(len(x))
    combs = (knot % COMB == np.arange(COMB)[:, None]).astype(float)
    jumps = _jumps(x, second_derivatives(x, combs, knot == 0) if bent else combs)
    own = np.abs(jumps[knot[1:-1] % COMB, knot[:-2]])
    return own, np.sum(jumps**2, axis=0) / own**2


def _pooled(excess: np.ndarray, noise: np.ndarray, nodes: int) -> np.ndarray:
    """Return the mean of the excess over three lines and as many nodes, shrunk towards that of the whole grid.

    The weight of the whole grid is the one that with lines two aside, which a missing line leaves, predicts residuals
    best: by the mean of ``log v + r^2 / v``, the logarithmic score (Gneiting and Raftery 2007, doi
    10.1198/016214506000001437). Around iron on one line alone, the lines beside predict little.
    """
    from scipy.ndimage import uniform_filter1d

    there = np.isfinite(excess)
    overall = max(float(np.mean(excess[there])), 0.0) if there.any() else 0.0
    along = [uniform_filter1d(table, nodes, axis=0, mode="constant")
             for table in (np.where(there, excess, 0.0), there.astype(float))]  # fmt: skip
    around, count = (_aside(table, 2) / 2 for table in along)
    usable = np.flatnonzero(there & (count > KNOWN + ROUNDING))
    weight = GRID_WEIGHTS[-1]
    if len(usable) >= LEAST and overall > 0:
        usable = usable[:: max(1, len(usable) // SAMPLE)]
        around, count, noise, excess = (table.ravel()[usable] for table in (around, count, noise, excess))
        predicted = [np.maximum(noise + _shrunk(around, count, overall, w), TINY * overall) for w in GRID_WEIGHTS]
        weight = GRID_WEIGHTS[int(np.argmin([np.mean(np.log(v) + (excess + noise) / v) for v in predicted]))]
    around, count = ((table + _aside(table, 1)) / 3 for table in along)
    return _shrunk(around, count, overall, weight)


def _shrunk(around: np.ndarray, count: np.ndarray, overall: float, weight: float) -> np.ndarray:
    """Return the mean of what is around and of the whole grid, which has a weight; never below zero."""
    return np.maximum(around + weight * overall, 0.0) / (count + weight)


def _aside(table: np.ndarray, lines: int) -> np.ndarray:
    """Return the sum of the values so many columns to either side."""
    out = np.zeros_like(table)
    out[:, lines:] += table[:, :-lines]
    out[:, :-lines] += table[:, lines:]
    return out


def _intervals(surface: Surface, error: GapError, cubic: bool) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Return what the error depends on in the interval right of each knot, and its row for each node.

    Position of the next line to the left that has readings, distance to the next on the right, squared standard
    errors of both, what half-way is added to the fraction of noise let through, and growth of the mean square error
    from double spacing to that distance. Outside the outer lines the distance is 0, both errors are those of the outer
    line, and the growth is 1.
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
