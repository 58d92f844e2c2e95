"""The walk of each line: how far ahead or behind its readings were taken, from the lines on both sides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from ._lines import SAME_PLACE, Lines

ENDS_M, PACE_M, JITTER_M = 0.12, 0.15, 0.06
"""Usual errors of start and stop, of the pace between them and of the lag of a line (common practice, no source)."""
PACE_LENGTH_M = 4.0
"""A person who is ahead is still ahead after this many metres."""
KEPT = 0.998
"""Share of the prior variance that the shapes of a walk carry."""
NODE_M = 0.375
FINE_M, COARSE_M = 0.3, 1.5
"""Standard deviations of the two Gaussians of the band-pass."""
WINDOW_M = 0.8
WINDOW_LINES = 3.0
"""Around a place, how far the ground has one slant and one misfit."""
CORRELATED_M = 1.25
"""Misfits along a line resemble each other over this distance: so much of it counts as one observation."""
STEEPEST = 6
"""Slants are looked for up to this many half spacings along the traverse from line to line."""
ROUNDS, SLANT_ROUND = 3, 1
"""Rounds of Gauss-Newton, and the one before which the slants are looked for: the coarse stagger is gone by then."""
UNSEEN = 2.0
"""Of a line's variance its neighbours show about half (they err too, and follow each other); found on simulated walks
with known errors of a third to one and a half times the usual ones, where the scale then comes out within a sixth."""
LEAST_SCALE, LARGEST_SCALE = 1e-4, 4.0
"""Bounds of the factor on the prior's variance."""
WORTH = 1.1
"""A line is moved when that makes its error of position smaller by this factor."""


@dataclass(frozen=True)
class Walking:
    """Positions of L lines at V nodes.

    Attributes
    ----------
    v : (V,) float64
        Where a reading was truly taken, metres along the traverse.
    ahead_m : (L, V) float64
        How far it lies ahead of where it is written down.
    standard_error_m : (L, V) float64
    moved : (L,) bool
        Lines whose errors are proven; the others stay where they are.
    usual_sd_m : float
        Standard deviation of the errors of position over the lines, as estimated.
    """

    v: np.ndarray
    ahead_m: np.ndarray
    standard_error_m: np.ndarray
    moved: np.ndarray
    usual_sd_m: float

    def move(self, line: int, v_m: np.ndarray) -> np.ndarray:
        """Return (n,) metres by which readings of a line written down at ``v_m`` move; their order stays."""
        written = np.maximum.accumulate(self.v - self.ahead_m[line])
        inside = np.clip(v_m, written[0], written[-1])
        return np.interp(inside, written, self.v) - inside


@dataclass(frozen=True)
class _Sides:
    """Which line lies on either side of each of L lines (-1 = none), and the distance."""

    line: np.ndarray
    apart: np.ndarray
    place: np.ndarray


def walking_errors(matrices: Sequence[np.ndarray], lines: Lines) -> Walking:
    """Estimate how far each line's readings lie ahead of where they are written down.

    Parameters
    ----------
    matrices : sequence of (L, V) float64
        Channels on the common axis of the lines, NaN where there is no reading.
    lines : Lines

    Notes
    -----
    The value written down at v was taken at v + w_i(v). Along the slant s of the ground at that place, a line lies
    half-way between its neighbours but for a misfit whose variance is estimated around each place:

        d_i(p - w_i(p)) - sum_k a_k d_k(p + s u_k - w_k) = misfit,  k = the line before and the line after.

    w_i is a Gaussian process: independent errors of start and stop, a lag of the line, and a smooth wander that is
    nothing at both ends. All lines of a grid are solved together by Gauss-Newton (the misfit of one line depends on
    the walk of three), the scale of the prior by maximum evidence (MacKay 1992). Features that cross the lines
    obliquely cancel, for they shift the two neighbours oppositely. Where there is no contrast nothing moves; what all
    lines around have in common cannot be seen and stays.

    References
    ----------
    MacKay, D.J.C., 1992. Bayesian interpolation. Neural Computation 4(3), 415-447, doi:10.1162/neco.1992.4.3.415.
    """
    every = max(1, round(NODE_M / lines.step_m))
    node_m, v = every * lines.step_m, lines.v[::every]
    shapes = _shapes(v)
    bands = [_band(matrix, lines.step_m, every) for matrix in matrices]
    sides = _sides(lines, bands)
    weight, scale = np.zeros((len(lines), shapes.shape[1])), 1.0
    slants = [np.zeros(band.shape) for band, _ in bands]
    for turn in range(ROUNDS):
        ahead = weight @ shapes.T
        blocks, push = _Blocks(sides, shapes.shape[1], 1.0 / scale), -weight / scale
        for c, (band, known) in enumerate(bands):
            data, there = _taken(band, known, ahead / node_m)
            if turn == SLANT_ROUND:
                slants[c] = _slants(data, there, sides, node_m)
            push += _add_channel(blocks, data, there, slants[c], sides, shapes, node_m)
        step, covariance = blocks.solve(push)
        weight = weight + step
        seen = weight.size - np.trace(covariance, axis1=1, axis2=2).sum() / scale
        scale = float(np.clip(UNSEEN * (weight**2).sum() / max(seen, 1e-9), LEAST_SCALE, LARGEST_SCALE))
    variance = np.einsum("vm,lmn,vn->lv", shapes, covariance, shapes, optimize=True)
    return _worth_moving(v, weight @ shapes.T, variance, np.sqrt(scale * np.mean((shapes**2).sum(axis=1))))


def _worth_moving(v: np.ndarray, ahead: np.ndarray, variance: np.ndarray, usual: float) -> Walking:
    """Leave the lines where they are that moving would hardly better; what they may be off is then their error."""
    gain = np.mean(ahead**2, axis=1) / np.maximum(np.mean(variance, axis=1), 1e-12)
    moved = 1.0 + gain > WORTH**2
    error = np.sqrt(np.maximum(variance, 0.0) + np.where(moved[:, None], 0.0, ahead**2))
    return Walking(v, np.where(moved[:, None], ahead, 0.0), error, moved, float(usual))


def _shapes(v: np.ndarray) -> np.ndarray:
    """Return (V, m) shapes of a walk; with independent standard normal weights they make up the prior."""
    share = (v - v[0]) / max(v[-1] - v[0], 1e-9)
    wander = np.exp(-((v[:, None] - v) ** 2) / (2 * PACE_LENGTH_M**2))
    ends = np.array([0, len(v) - 1])
    at_ends = wander[np.ix_(ends, ends)] + 1e-9 * np.eye(2)
    wander = wander - wander[:, ends] @ np.linalg.solve(at_ends, wander[ends])
    prior = ENDS_M**2 * (np.outer(share, share) + np.outer(1 - share, 1 - share)) + JITTER_M**2
    prior = prior + PACE_M**2 * wander / max(np.mean(np.diag(wander)), 1e-9)
    size, shape = np.linalg.eigh(prior)
    size, shape = size[::-1], shape[:, ::-1]
    m = int(np.searchsorted(np.cumsum(size) / size.sum(), KEPT)) + 1
    return shape[:, :m] * np.sqrt(np.maximum(size[:m], 0.0))


def _band(matrix: np.ndarray, step_m: float, every: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (L, V) band-passed values at the nodes, and where they are known."""
    from scipy.ndimage import gaussian_filter1d

    known = np.isfinite(matrix)
    filled = np.where(known, matrix, 0.0)
    smooth = []
    for width in (FINE_M / step_m, COARSE_M / step_m):
        total = gaussian_filter1d(filled, width, axis=1, mode="constant", truncate=3.0)
        share = gaussian_filter1d(known.astype(float), width, axis=1, mode="constant", truncate=3.0)
        smooth.append(total / np.where(share > 1e-3, share, np.inf))
    band = (smooth[0] - smooth[1])[:, ::every]
    known = known[:, ::every]
    return np.where(known, band, 0.0), known


def _sides(lines: Lines, bands) -> _Sides:
    """Return each line's neighbours: of several recordings at the next place the one that shares most ground."""
    gaps = np.diff(lines.u)
    usual = np.median(gaps[gaps > 0.01]) if (gaps > 0.01).any() else 1.0
    place = np.concatenate([[0], np.cumsum(gaps > SAME_PLACE * usual)])
    known = np.any([known for _, known in bands], axis=0).astype(float)
    shared = known @ known.T
    line = np.full((2, len(lines)), -1)
    for k, way in enumerate((-1, 1)):
        common = np.where(place[None, :] == place[:, None] + way, shared, 0.0)
        line[k] = np.where(common.max(axis=1) > 0, common.argmax(axis=1), -1)
    return _Sides(line, np.where(line >= 0, lines.u[line] - lines.u, 0.0), place)


def _at(values: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Return (L, V) values at fractional places of their own rows (Lagrange's cubic; the ends are held)."""
    last = values.shape[1] - 1
    place = np.clip(place, 0, last)
    left = np.clip(np.floor(place).astype(int), 1, max(last - 2, 1))
    t = place - left
    row = np.arange(len(values))[:, None] * values.shape[1] + left
    flat = values.ravel()
    return (
        -t * (t - 1) * (t - 2) / 6 * flat[row - 1]
        + (t + 1) * (t - 1) * (t - 2) / 2 * flat[row]
        - (t + 1) * t * (t - 2) / 2 * flat[row + 1]
        + (t + 1) * t * (t - 1) / 6 * flat[row + 2]
    )


def _there(known: np.ndarray, place: np.ndarray) -> np.ndarray:
    nearest = np.rint(place).astype(int)
    inside = (nearest >= 0) & (nearest < known.shape[1])
    return inside & np.take_along_axis(known, np.clip(nearest, 0, known.shape[1] - 1), axis=1)


def _taken(band: np.ndarray, known: np.ndarray, ahead: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the values where they were taken; ``ahead`` in nodes."""
    place = np.arange(band.shape[1]) - ahead
    there = _there(known, place)
    return np.where(there, _at(band, place), 0.0), there


def _slants(data: np.ndarray, there: np.ndarray, sides: _Sides, node_m: float) -> np.ndarray:
    """Return (L, V) slants of the ground: metres along the traverse for a metre along the baseline.

    The slant that makes neighbouring lines most alike around a place.
    """
    after = sides.line[1]
    usual = np.median(sides.apart[1][after >= 0]) if (after >= 0).any() else 1.0
    unit = max(1, round(usual / 2 / node_m)) * node_m / usual
    tried = unit * np.arange(-STEEPEST, STEEPEST + 1)
    costs = []
    for slant in tried:
        place = np.arange(data.shape[1]) + np.rint(slant * sides.apart[1] / node_m)[:, None]
        both = there & _there(there[after], place) & (after >= 0)[:, None]
        other = np.take_along_axis(data[after], np.clip(place, 0, data.shape[1] - 1).astype(int), axis=1)
        around = _around(np.where(both, (data - other) ** 2, 0.0), node_m, WINDOW_LINES)
        costs.append((around + 1e-12) / np.maximum(_around(both.astype(float), node_m, WINDOW_LINES), 0.05))
    costs = np.array(costs)
    best = np.clip(costs.argmin(axis=0), 1, len(tried) - 2)
    low, top, high = (np.take_along_axis(costs, best[None] + k, axis=0)[0] for k in (-1, 0, 1))
    bend = low - 2 * top + high
    share = np.where(bend > 0, 0.5 * (low - high) / np.where(bend > 0, bend, 1.0), 0.0)
    return tried[best] + unit * np.clip(share, -1.0, 1.0)


def _around(values: np.ndarray, node_m: float, lines: float = 0.0) -> np.ndarray:
    from scipy.ndimage import gaussian_filter1d

    found = gaussian_filter1d(values, WINDOW_M / node_m, axis=1, mode="constant", truncate=2.5)
    return gaussian_filter1d(found, lines, axis=0, mode="constant", truncate=2.5) if lines else found


def _add_channel(blocks, data, there, slant, sides, shapes, node_m) -> np.ndarray:
    """Add a channel's misfits to the normal equations; return its (L, m) part of their right side."""
    beside, part = [], []
    for line, apart in zip(sides.line, sides.apart):
        place = np.arange(data.shape[1]) + slant * apart[:, None] / node_m
        both = there & _there(there[line], place) & (line >= 0)[:, None]
        beside.append(_at(data[line], place))
        # The neighbour that is nearer weighs more; a lone one carries all.
        part.append(np.where(both, 1.0 / np.maximum(np.abs(apart), 1e-3)[:, None], 0.0))
    total = part[0] + part[1]
    part = [p / np.where(total > 0, total, 1.0) for p in part]
    expected = part[0] * beside[0] + part[1] * beside[1]
    used = total > 0
    misfit = np.where(used, data - expected, 0.0)
    variance = _around(misfit**2, node_m) / np.maximum(_around(used.astype(float), node_m), 0.05)
    floor = np.median(variance[used]) if used.any() else 1.0
    precision = np.where(used, node_m / CORRELATED_M / (variance + 0.5 * floor + 1e-12), 0.0)
    slope = np.gradient(expected, node_m, axis=1)
    return blocks.add(precision, slope, misfit, (-np.ones_like(misfit), *part), sides, shapes)


class _Blocks:
    """Normal equations of all lines, block-tridiagonal: two places a group, for a misfit reaches one place away.

    ``own`` and ``next`` are (G, W, W, m, m): a group's lines with each other and with those of the next group. Groups
    with fewer than W lines are filled up with lines of which only the prior is known.
    """

    def __init__(self, sides: _Sides, m: int, prior: float):
        self.group = sides.place // 2
        first = np.searchsorted(self.group, np.arange(self.group[-1] + 1))
        self.slot = np.arange(len(self.group)) - first[self.group]
        groups, width = len(first), self.slot.max() + 1
        self.own = np.zeros((groups, width, width, m, m))
        self.next = np.zeros_like(self.own)
        self.own[:, np.arange(width), np.arange(width)] = prior * np.eye(m)

    def add(self, precision, slope, misfit, parts, sides, shapes) -> np.ndarray:
        """Add misfits that change by ``parts * slope`` with the walk of a line and of those beside it.

        Returns the (L, m) part of the right side.
        """
        m = shapes.shape[1]
        lines = (np.arange(len(misfit)), *sides.line)
        squares = (shapes[:, :, None] * shapes[:, None, :]).reshape(len(shapes), -1)
        push = np.zeros((len(misfit), m))
        pull, weight = precision * slope * misfit, precision * slope**2
        for a, (row, part) in enumerate(zip(lines, parts)):
            np.add.at(push, row[row >= 0], -((pull * part) @ shapes)[row >= 0])
            for column, other in list(zip(lines, parts))[a:]:
                there = (row >= 0) & (column >= 0)
                found = ((weight * part * other)[there] @ squares).reshape(-1, m, m)
                self._put(row[there], column[there], found)
                if column is not row:
                    self._put(column[there], row[there], found)
        return push

    def _put(self, row, column, found) -> None:
        """Add symmetric (n, m, m) blocks; what lies below the diagonal groups is told by what lies above."""
        ahead = self.group[column] - self.group[row]
        for blocks, some in ((self.own, ahead == 0), (self.next, ahead == 1)):
            place = (self.group[row[some]], self.slot[row[some]], self.slot[column[some]])
            np.add.at(blocks, place, found[some])

    def solve(self, push: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return (L, m) the solution and (L, m, m) each line's own part of the inverse."""
        groups, width, _, m, _ = self.own.shape
        own, beyond = (b.transpose(0, 1, 3, 2, 4).reshape(groups, width * m, -1) for b in (self.own, self.next))
        right = np.zeros((groups, width, m))
        right[self.group, self.slot] = push
        right = right.reshape(groups, -1)
        inverse, gain = np.zeros_like(own), np.zeros_like(own)
        for g in range(groups):
            if g:
                own[g] -= beyond[g - 1].T @ gain[g - 1]
                right[g] -= gain[g - 1].T @ right[g - 1]
            inverse[g] = np.linalg.inv(own[g])
            gain[g] = inverse[g] @ beyond[g]
        found = np.einsum("gij,gj->gi", inverse, right)
        for g in range(groups - 2, -1, -1):
            found[g] -= gain[g] @ found[g + 1]
            inverse[g] += gain[g] @ inverse[g + 1] @ gain[g].T
        covariance = np.einsum("gimin->gimn", inverse.reshape(groups, width, m, width, m))
        return found.reshape(groups, width, m)[self.group, self.slot], covariance[self.group, self.slot]
