"""The walk of each line: how far ahead or behind its readings were taken, from the lines on both sides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import CARRIED, SAME_PLACE, Lines, Platform, difference_of_gaussians, smoother, walk_shapes
from .walk_equations import Blocks, Misfits, Told

KIND = np.array([0, 0, 1, 2])
"""Shapes of a walk, whose sizes are told from each other: shift and stretch, the slow bow, all that is rougher."""
SURE = 20.0
"""A kind is held to be as large as all of them together until so many of its weights are known."""
NODE_M = 0.375
FINE_M, COARSE_M = 0.3, 1.0
"""Standard deviations of the two Gaussians of the band-pass."""
WINDOW_M = 0.8
WINDOW_LINES = 3.0
REACH = 2.5
"""Around a place, how far the ground has one slant and one misfit; in standard deviations, where the window ends."""
CORRELATED_M = 1.0
"""Misfits along a line resemble each other over this distance: so much of it counts as one observation."""
STEEPEST = 6
"""Slants are looked for up to this many half spacings along the traverse from line to line."""
ROUNDS, SLANT_ROUND = 4, 1
"""Rounds of Gauss-Newton, and the one before which the slants are looked for: the coarse stagger is gone by then."""
UNSEEN = 1.8
"""Of a line's variance its neighbours show about half (they err too, and follow each other); found on simulated walks
with the usual errors, whose size then comes out within a fifth. Of errors a third as large it is a third too much."""
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
    weight : (L, m) float64
        Weights of ``walk_shapes`` that the lines were found to have.
    usual_sd_m : float
        Standard deviation of the errors of position over the lines, as estimated.
    """

    v: np.ndarray
    ahead_m: np.ndarray
    standard_error_m: np.ndarray
    moved: np.ndarray
    weight: np.ndarray
    usual_sd_m: float

    def moves(self, line: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        """Return (n,) metres by which readings written down at ``v_m`` move; their order stays.

        ``line`` (n,) tells which line they belong to, -1 = none.
        """
        written = np.maximum.accumulate(self.v - self.ahead_m, axis=1)
        inside = np.minimum(np.maximum(v_m, written[line, 0]), written[line, -1])
        # All lines end to end, far enough from each other, so that they are interpolated in one go.
        apart = 2 * np.ptp(written) + 1.0
        place = (written + apart * np.arange(len(written))[:, None]).ravel()
        true = np.interp(inside + apart * line, place, np.tile(self.v, len(written)))
        return np.where((line >= 0) & self.moved[line], true - inside, 0.0)

    def errors(self, line: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        """Return (n,) standard errors in metres of the places of readings, as of ``moves``; NaN where line is -1."""
        node = np.rint((v_m - self.v[0]) / (self.v[1] - self.v[0]))
        node = np.clip(np.nan_to_num(node), 0, len(self.v) - 1).astype(int)
        return np.where(line >= 0, self.standard_error_m[line, node], np.nan)


@dataclass(frozen=True)
class _Sides:
    """Which line lies on either side of each of L lines (-1 = none), and the distance."""

    line: np.ndarray
    apart: np.ndarray
    place: np.ndarray


def walking_errors(
    matrices: Sequence[np.ndarray], lines: Lines, told: Optional[Told] = None, platform: Platform = CARRIED
) -> Walking:
    """Estimate how far each line's readings lie ahead of where they are written down.

    Parameters
    ----------
    matrices : sequence of (L, V) float64
        Channels on the common axis of the lines, NaN where there is no reading.
    lines : Lines
    told : Told, optional
        What else than the neighbours tells of the walks; they are looked for from there on.

    Notes
    -----
    The value written down at v was taken at v + w_i(v). Along the slant s of the ground at that place, a line lies
    half-way between its neighbours but for a misfit whose variance is estimated around each place:

        d_i(p - w_i(p)) - sum_k a_k d_k(p + s u_k - w_k) = misfit,  k = the line before and the line after.

    w_i is a Gaussian process: independent errors of start and stop, a lag of the line, and a smooth wander that is
    nothing at both ends. All lines of a grid are solved together by Gauss-Newton (the misfit of one line depends on
    the walk of three), the sizes of shift and stretch, of the slow bow and of what is rougher by maximum evidence
    (MacKay 1992). Features that cross the lines obliquely cancel, for they shift the two neighbours oppositely. Where
    there is no contrast nothing moves; what all lines around have in common cannot be seen and stays.

    References
    ----------
    MacKay, D.J.C., 1992. Bayesian interpolation. Neural Computation 4(3), 415-447, doi:10.1162/neco.1992.4.3.415.
    """
    every = max(1, round(NODE_M / lines.step_m))
    node_m, v = every * lines.step_m, lines.v[::every]
    shapes = walk_shapes(v, platform)
    bands = _bands(matrices, lines.step_m, every)
    sides = _sides(lines, bands)
    around = smoother(len(v), WINDOW_M / node_m, REACH)
    blocks = Blocks(sides.place, sides.line, shapes)
    weight, size = np.zeros((len(lines), shapes.shape[1])) if told is None else told.weight, np.ones(shapes.shape[1])
    slants = [np.zeros(band.shape) for band, _ in bands]
    for turn in range(ROUNDS):
        ahead = weight @ shapes.T
        misfits = []
        for c, (band, known) in enumerate(bands):
            data, there = _taken(band, known, ahead / node_m)
            if turn == SLANT_ROUND:
                slants[c] = _slants(data, there, sides, around, node_m)
            misfits.append(_misfits(data, there, slants[c], sides, around, node_m))
        step, covariance = blocks.solve(misfits, weight, size, told)
        weight = weight + step
        size = _sizes(weight, covariance, size)
    variance = np.sum((shapes @ covariance) * shapes, axis=2)
    return _worth_moving(v, weight, shapes, variance, np.sqrt(np.mean(shapes**2 @ size)))


def _worth_moving(v: np.ndarray, weight: np.ndarray, shapes: np.ndarray, variance: np.ndarray, usual: float) -> Walking:
    """Leave the lines where they are that moving would hardly better; what they may be off is then their error."""
    ahead = weight @ shapes.T
    gain = np.mean(ahead**2, axis=1) / np.maximum(np.mean(variance, axis=1), 1e-12)
    moved = 1.0 + gain > WORTH**2
    error = np.sqrt(np.maximum(variance, 0.0) + np.where(moved[:, None], 0.0, ahead**2))
    return Walking(v, np.where(moved[:, None], ahead, 0.0), error, moved, weight, float(usual))


def _sizes(weight: np.ndarray, covariance: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Return the variance (m,) of each shape's weights that the lines together show: one for each kind of shape.

    ``weight`` (L, m) and ``covariance`` (L, m, m) are those found with the variances ``size`` (m,).
    """
    kind = KIND[np.minimum(np.arange(len(size)), len(KIND) - 1)]
    square = UNSEEN * np.bincount(kind, (weight**2).sum(axis=0))
    seen = np.bincount(kind, np.maximum(len(weight) - np.einsum("ljj->j", covariance) / size, 0.0))
    common = float(np.clip(square.sum() / max(seen.sum(), 1e-9), LEAST_SCALE, LARGEST_SCALE))
    return np.clip((square + SURE * common) / (seen + SURE), LEAST_SCALE, LARGEST_SCALE)[kind]


def _bands(matrices: Sequence[np.ndarray], step_m: float, every: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return (L, V) band-passed values of each channel at the nodes, and where they are known."""
    return [
        (difference_of_gaussians(matrix, step_m, FINE_M, COARSE_M, every=every), np.isfinite(matrix[:, ::every]))
        for matrix in matrices
    ]


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
    """Return (..., V) values at fractional places of their own rows (Lagrange's cubic; the ends are held)."""
    last = values.shape[-1] - 1
    place = np.minimum(np.maximum(place, 0.0), last)
    left = np.minimum(np.maximum(place.astype(int), 1), max(last - 2, 1))
    t = place - left
    row = left + _starts(values)
    flat = values.ravel()
    outer = ((t + 1) * flat[row + 2] - (t - 2) * flat[row - 1]) / 3
    inner = (t - 1) * flat[row] - t * flat[row + 1]
    return (t * (t - 1) * outer + (t + 1) * (t - 2) * inner) / 2


def _starts(values: np.ndarray) -> np.ndarray:
    """Return (..., 1) where the rows of values (..., V) start in the flat array."""
    return np.arange(0, values.size, values.shape[-1]).reshape(*values.shape[:-1], 1)


def _there(known: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Return whether values are known at fractional places of their own rows."""
    nearest = np.rint(place).astype(int)
    held = np.minimum(np.maximum(nearest, 0), known.shape[-1] - 1)
    return (nearest == held) & known.ravel()[held + _starts(known)]


def _taken(band: np.ndarray, known: np.ndarray, ahead: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the values where they were taken; ``ahead`` in nodes."""
    place = np.arange(band.shape[1]) - ahead
    there = _there(known, place)
    return np.where(there, _at(band, place), 0.0), there


def _slants(data: np.ndarray, there: np.ndarray, sides: _Sides, around: np.ndarray, node_m: float) -> np.ndarray:
    """Return (L, V) slants of the ground: metres along the traverse for a metre along the baseline.

    The slant that makes neighbouring lines most alike around a place.
    """
    after = sides.line[1]
    usual = np.median(sides.apart[1][after >= 0]) if (after >= 0).any() else 1.0
    unit = max(1, round(usual / 2 / node_m)) * node_m / usual
    tried = unit * np.arange(-STEEPEST, STEEPEST + 1)
    move = np.rint(tried[:, None] * sides.apart[1] / node_m).astype(int)
    reach = int(np.abs(move).max())
    # Nothing is known beyond the ends of a line, nor where there is no line (-1).
    wide = np.full((len(data) + 1, data.shape[1] + 2 * reach), np.nan)
    own = wide[:-1, reach : reach + data.shape[1]]
    own[there] = data[there]
    start = (after % len(wide)) * wide.shape[1] + reach + move
    square = (own - wide.ravel()[start[:, :, None] + np.arange(data.shape[1])]) ** 2
    both = square == square
    square = np.where(both, square, 0.0)
    across = smoother(len(data), WINDOW_LINES, REACH)
    costs = (across @ (square @ around) + 1e-12) / np.maximum(across @ (both @ around), 0.05)
    best = np.minimum(np.maximum(costs.argmin(axis=0), 1), len(tried) - 2)
    low, top, high = (np.take_along_axis(costs, best[None] + k, axis=0)[0] for k in (-1, 0, 1))
    bend = low - 2 * top + high
    share = np.where(bend > 0, 0.5 * (low - high) / np.where(bend > 0, bend, 1.0), 0.0)
    return tried[best] + unit * np.clip(share, -1.0, 1.0)


def _misfits(data, there, slant, sides: _Sides, around: np.ndarray, node_m: float) -> Misfits:
    """Return how the lines differ from what lies beside them along the slants (L, V)."""
    place = np.arange(data.shape[1]) + slant * (sides.apart / node_m)[:, :, None]
    both = there & _there(there[sides.line], place) & (sides.line >= 0)[:, :, None]
    # The neighbour that is nearer weighs more; a lone one carries all.
    part = np.where(both, 1.0 / np.maximum(np.abs(sides.apart), 1e-3)[:, :, None], 0.0)
    total = part.sum(axis=0)
    part = part / np.where(total > 0, total, 1.0)
    expected = np.sum(part * _at(data[sides.line], place), axis=0)
    used = total > 0
    misfit = np.where(used, data - expected, 0.0)
    variance = (misfit**2 @ around) / np.maximum(used @ around, 0.05)
    floor = np.median(variance[used]) if used.any() else 1.0
    precision = np.where(used, node_m / CORRELATED_M / (variance + 0.5 * floor + 1e-12), 0.0)
    slope = np.gradient(expected, node_m, axis=1)
    return Misfits(precision * slope * misfit, precision * slope**2, np.stack([-np.ones_like(misfit), *part]))
