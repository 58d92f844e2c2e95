"""How far an interpolated value may be from the truth: noise, offsets of the lines, and what lies between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ._surface import HALO_LINES, HALO_NODES, Places, Surface, carried_around, picked
from ._traverses import Traverses

WINDOW_M = 1.0
THINNED_M = 0.5
"""Nodes closer together tell the same: coils see about 0.35 m of ground at once."""
LINES_ASIDE = (1, 3)
"""Which lines on either side stand in for the one that is left out: at double spacing, as cubic as four allow."""
LEAST_POWER = 1.0
"""Across gaps wider than double spacing the error grows at least with the distance."""
USUAL_POWER = 2.0
"""How the error grows with the distance between lines where the data do not tell: as for straight pieces."""


@dataclass(frozen=True)
class GapError:
    """Error between lines as leaving out whole lines shows it.

    Attributes
    ----------
    double : (nodes / step, lines) float64
        Root mean square error half-way between lines at double spacing, around every ``step``-th node.
    step : int
    power : float
        Exponent of the distance between lines.
    """

    double: np.ndarray
    step: int
    power: float


def gap_error(lines: Traverses) -> GapError:
    """Predict every line from its neighbours and compare.

    Notes
    -----
    The squared residual is noise of the reading, noise of the prediction (weights -1 9 9 -1 sixteenths: 0.64 of it)
    and error of interpolation at double spacing; the first two are taken off. The exponent comes from doing the same
    at four times the spacing. Under-resolved ground grows slower from double to fourfold than from single to double,
    so the error comes out too large rather than too small.
    """
    from scipy.ndimage import uniform_filter

    step = max(1, round(THINNED_M / lines.interval_m))
    double, wide = _left_out(lines.z[::step], 1), _left_out(lines.z[:: 2 * step], 2)
    noise = 1.64 * lines.noise**2
    there = np.isfinite(double)
    squares, there = np.where(there, double, 0.0) ** 2, there.astype(float)
    size = (2 * int(WINDOW_M / 2 / (step * lines.interval_m)) + 1, 3)
    weight = uniform_filter(there, size, mode="constant")
    around = uniform_filter(squares, size, mode="constant")
    overall = max(_mean_square(double) - noise, 0.0)
    # Twenty residuals are few for a variance; the whole grid counts as much as a quarter of the window.
    local = (np.maximum(around - noise * weight, 0.0) + 0.25 * overall) / (weight + 0.25)
    fourfold = max(_mean_square(wide) - noise, 0.0)
    clear = overall > 0.2 * noise and fourfold > 0
    power = float(np.clip(np.log2(fourfold / overall) / 2, 0.5, 4.0)) if clear and overall > 0 else USUAL_POWER
    return GapError(np.sqrt(local), step, power)


class Uncertainty:
    """Standard errors of the values of one surface.

    Parameters
    ----------
    surface : Surface
    lines : Traverses
        What the surface was made from.

    Notes
    -----
    Sum of three variances. A cubic spline through equidistant knots lets through the noise of one knot at a knot
    and 0.756 of it half-way (sum of squares of the cardinal spline there), in both directions; beyond the outer
    line it grows to five times at half a spacing. Offsets of lines are common to all readings of a line. The error
    between lines is none on a line and largest half-way; beyond the outer line it reaches that of double spacing at
    half a spacing.
    """

    def __init__(self, surface: Surface, lines: Traverses) -> None:
        error = gap_error(lines)
        self._surface, self._noise = surface, lines.noise
        self._group, self._tables = _intervals(surface, error.power)
        beside = np.pad(error.double, ((0, 0), (HALO_LINES, HALO_LINES)), mode="edge")
        beside[:, :-1] = np.maximum(beside[:, :-1], beside[:, 1:])
        self._double = beside
        nodes = np.arange(len(surface.u)) - HALO_NODES
        self._thinned = np.clip(nodes // error.step, 0, len(beside) - 1)

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
        along = 1.0 - 0.976 * at.share * (1.0 - at.share)
        variance = across * (along * self._noise**2)
        variance += offsets
        (between,) = picked([self._double], self._thinned[at.nearer], at.knot)
        between *= reach
        between *= between
        variance += between
        return np.sqrt(variance, out=variance)

    def _terms(self, u: np.ndarray, group: np.ndarray, knot: np.ndarray) -> list[np.ndarray]:
        """Return what the noise is multiplied by across the lines, the variance of their offsets, and how much of the
        error at double spacing counts."""
        start, width, left, right, growth = picked(self._tables, group, knot)
        outside = width == 0.0
        share = (u - start) / np.where(outside, 1.0, width)
        beyond = np.where(outside, np.abs(share) / self._surface.spacing_m, 0.0)
        share[outside] = 0.0
        middle = 4.0 * share * (1.0 - share)
        across = (1.0 - 0.244 * middle) * (1.0 + 2.5 * beyond) ** 2
        return [across, across * ((1.0 - share) * left + share * right), growth * (middle + 2.0 * beyond)]


def _mean_square(residuals: np.ndarray) -> float:
    known = residuals[np.isfinite(residuals)]
    return float(np.mean(known**2)) if len(known) else 0.0


def _left_out(z: np.ndarray, step: int) -> np.ndarray:
    """Return what is on each line less what its neighbours ``step`` lines aside predict; NaN where they do not."""
    near, far = (step * aside for aside in LINES_ASIDE)
    lines = z.shape[1]
    out = np.full_like(z, np.nan)
    if lines > 2 * near:
        # Near the sides there is no fourth line: straight pieces, whose error is larger.
        middle = np.arange(near, lines - near)
        middle = middle[(middle < far) | (middle >= lines - far)]
        out[:, middle] = z[:, middle] - (z[:, middle - near] + z[:, middle + near]) / 2
    if lines > 2 * far:
        close = z[:, far - near : lines - far - near] + z[:, far + near : lines - far + near]
        distant = z[:, : lines - 2 * far] + z[:, 2 * far :]
        out[:, far : lines - far] = z[:, far : lines - far] - (9.0 * close - distant) / 16.0
    return out


def _intervals(surface: Surface, power: float) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Return what the error depends on in the interval right of each knot, and which row of it counts for each node.

    Position of the next line to the left that has readings, distance to the next on the right, squared standard
    errors of both, and growth of the error from double spacing to that distance. Outside the outer lines the
    distance is 0, the other line stands in, and the growth is 1.
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
    ratio = np.where(width > 0.0, width / (2.0 * surface.spacing_m), 1.0)
    growth = ratio ** np.where(ratio > 1.0, max(power, LEAST_POWER), power)
    return np.cumsum(new) - 1, (start, width, np.take(variance, left), np.take(variance, right), growth)
