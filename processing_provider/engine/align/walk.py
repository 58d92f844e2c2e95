"""Along-line position errors: how far ahead or behind the readings of a line were taken, from the lines beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import (
    CARRIED,
    Lines,
    Platform,
    difference_of_gaussians,
    median,
    nearest_whole,
    positions_of,
    slopes,
    smoother,
    typical_length,
    walk_shapes,
)
from .walk_equations import Evidence, Misfits, NormalEquations

KIND = np.array([0, 0, 1, 2])
"""Shapes whose prior variances are estimated together: shift and stretch, the slow bow, all that is rougher. Derived:
errors of the ends, a pace that differs between the halves of a line, and one that changes within metres have causes of
their own."""
SURE = 20.0
"""Degrees of freedom of the prior that holds the variance of a kind to that of all kinds together. Found by
tests/calibration/align.py: best of 2 to 200, which differ by 0.2 % on ordinary walks; small grids need it."""
NODE_M = 0.375
"""Distance of the nodes at which position errors are estimated, in metres. Derived: the band-pass leaves 2 % of
a wave of 0.7 m, about two nodes (the sampling theorem); position errors are smoother by far. A multiple of common
distances between readings (0.125 m and 0.1875 m)."""
FINE_M, COARSE_M = 0.3, 1.0
"""Standard deviations of the two Gaussians of the band-pass, in metres. Found by tests/calibration/align.py: best, as
good as 0.45 m and 1.5 m."""
WINDOW_M = 0.8
"""Standard deviation, in metres along the lines, of the window with one slant of features and one variance of misfits.
Found by tests/calibration/align.py: of half and twice as much the position errors come out 2 % and 1 % larger."""
WINDOW_LINES = 3.0
"""Likewise across the lines, in lines, for the slant. Found by tests/calibration/align.py: as good as 1 and 6."""
REACH = 2.5
"""Standard deviations at which these windows end. Derived: 1.2 % of a Gaussian's weight lies beyond."""
CORRELATED_M = 1.0
"""Correlation length of misfits along a line, in metres: so much of it counts as one observation. Found by
tests/calibration/align.py: 0.93 (0.12) makes standard errors those of simulated walks."""
STEEPEST = 6
"""Slants are tried up to this many half spacings along the traverse from line to line. Derived: 72 degrees from
straight across; features that run closer along the lines show nothing of position errors along them."""
ROUNDS, SLANT_ROUND = 4, 1
"""Rounds of Gauss-Newton, and the one before which slants are estimated: the coarse stagger is gone by then. Found by
tests/calibration/align.py: more rounds make it 0.2 % smaller."""
UNSEEN = 1.8
"""Factor on the variance of the estimated position errors: neighbours show about half of it, for they err too and
follow each other. Found by tests/calibration/align.py: with 1.64 (0.07) the variance of simulated errors of common
size comes out, with 1.8 it is 8 % larger; of errors a third as large it is a third too much."""
LEAST_SCALE, LARGEST_SCALE = 1e-4, 4.0
"""Bounds of the factor on the prior variances. Derived: errors from a hundredth to twice those of the platform; beyond
that something else is wrong with a line."""
WORTH = 1.1
"""A line is moved when that makes its position error smaller by this factor. Common practice, no source: a tenth is the
least improvement that is worth a change of the data."""


@dataclass(frozen=True)
class PositionErrors:
    """Along-line position errors of L lines at V nodes.

    Attributes
    ----------
    v : (V,) float64
        Where a reading was truly taken, metres along the traverse.
    ahead_m : (L, V) float64
        How far that lies ahead of where it is recorded.
    standard_error_m : (L, V) float64
    moved : (L,) bool
        Lines whose errors are proven; the others stay where they are.
    weight : (L, m) float64
        Weights of ``walk_shapes``.
    sd_m : float
        Standard deviation of the errors over the lines, as estimated.
    """

    v: np.ndarray
    ahead_m: np.ndarray
    standard_error_m: np.ndarray
    moved: np.ndarray
    weight: np.ndarray
    sd_m: float

    def moves(self, line: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        """Return (n,) metres by which readings recorded at ``v_m`` move; their order stays.

        ``line`` (n,) is the index of the line that they belong to, -1 = none.
        """
        recorded = np.maximum.accumulate(self.v - self.ahead_m, axis=1)
        inside = np.minimum(np.maximum(v_m, recorded[line, 0]), recorded[line, -1])
        # All lines end to end, far enough from each other, so that they are interpolated in one go.
        stride = 2 * np.ptp(recorded) + 1.0
        chain = (recorded + stride * np.arange(len(recorded))[:, None]).ravel()
        true = np.interp(inside + stride * line, chain, np.tile(self.v, len(recorded)))
        return np.where((line >= 0) & self.moved[line], true - inside, 0.0)

    def errors(self, line: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        """Return (n,) standard errors in metres of the positions of readings, as of ``moves``; NaN where line is -1."""
        node = nearest_whole((v_m - self.v[0]) / (self.v[1] - self.v[0]))
        node = np.clip(np.nan_to_num(node), 0, len(self.v) - 1).astype(int)
        return np.where(line >= 0, self.standard_error_m[line, node], np.nan)


@dataclass(frozen=True)
class _Neighbours:
    """The line on either side of each of L lines.

    ``line`` (2, L) is its index (-1 = none), ``distance_m`` (2, L) the signed distance to it, ``position`` (L,) the
    position of each line along the baseline, counted.
    """

    line: np.ndarray
    distance_m: np.ndarray
    position: np.ndarray


def position_errors(
    matrices: Sequence[np.ndarray], lines: Lines, evidence: Optional[Evidence] = None, platform: Platform = CARRIED
) -> PositionErrors:
    """Estimate how far each line's readings lie ahead of where they are recorded.

    Parameters
    ----------
    matrices : sequence of (L, V) float64
        Channels on the common axis of the lines, NaN where there is no reading.
    lines : Lines
    evidence : Evidence, optional
        What else than the neighbours shows position errors; they are estimated from there on.
    platform : Platform

    Notes
    -----
    A line lies half-way between its neighbours, along the slant of features, but for a misfit; position errors are a
    Gaussian process whose variances are found by maximum evidence (MacKay 1992). All lines of a grid are solved
    together by Gauss-Newton. Where there is no contrast nothing moves; what all lines around have in common cannot be
    seen. See ``docs/methods/align.md``.

    References
    ----------
    MacKay, D.J.C., 1992. Bayesian interpolation. Neural Computation 4(3), 415-447, doi:10.1162/neco.1992.4.3.415.
    """
    every = max(1, int(nearest_whole(NODE_M / lines.step_m)))
    node_m, v = every * lines.step_m, lines.v[::every]
    shapes = walk_shapes(v, platform)
    bands = _bands(matrices, lines.step_m, every)
    beside = _neighbours(lines, bands)
    around = smoother(len(v), WINDOW_M / node_m, REACH)
    equations = NormalEquations(beside.position, beside.line, shapes)
    weight = np.zeros((len(lines), shapes.shape[1])) if evidence is None else evidence.weight
    size = np.ones(shapes.shape[1])
    slants = [np.zeros(band.shape) for band, _ in bands]
    for turn in range(ROUNDS):
        ahead = weight @ shapes.T
        misfits = []
        for c, (band, known) in enumerate(bands):
            data, there = _taken(band, known, ahead / node_m)
            if turn == SLANT_ROUND:
                slants[c] = _slants(data, there, beside, around, node_m)
            misfits.append(_misfits(data, there, slants[c], beside, around, node_m))
        step, covariance = equations.solve(misfits, weight, size, evidence)
        weight = weight + step
        size = _sizes(weight, covariance, size)
    variance = np.sum((shapes @ covariance) * shapes, axis=2)
    return _worth_moving(v, weight, shapes, variance, float(np.sqrt(np.mean(shapes**2 @ size))))


def _worth_moving(
    v: np.ndarray, weight: np.ndarray, shapes: np.ndarray, variance: np.ndarray, sd_m: float
) -> PositionErrors:
    """Leave lines where they are that moving would hardly better; what they may be off adds to their error."""
    ahead = weight @ shapes.T
    gain = np.mean(ahead**2, axis=1) / np.maximum(np.mean(variance, axis=1), 1e-12)
    moved = 1.0 + gain > WORTH**2
    error = np.sqrt(np.maximum(variance, 0.0) + np.where(moved[:, None], 0.0, ahead**2))
    return PositionErrors(v, np.where(moved[:, None], ahead, 0.0), error, moved, weight, sd_m)


def _sizes(weight: np.ndarray, covariance: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Return the prior variance (m,) of each shape's weights by all lines together: one for each kind of shape.

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


def _neighbours(lines: Lines, bands: Sequence[tuple[np.ndarray, np.ndarray]]) -> _Neighbours:
    """Return each line's neighbours: of several recordings at the next position the one with most nodes in common."""
    position = positions_of(lines.u)
    known = np.any([known for _, known in bands], axis=0).astype(float)
    in_common = known @ known.T
    line = np.full((2, len(lines)), -1)
    for k, way in enumerate((-1, 1)):
        common = np.where(position[None, :] == position[:, None] + way, in_common, 0.0)
        line[k] = np.where(common.max(axis=1) > 0, common.argmax(axis=1), -1)
    return _Neighbours(line, np.where(line >= 0, lines.u[line] - lines.u, 0.0), position)


def values_at(values: np.ndarray, index: np.ndarray) -> np.ndarray:
    """Return (..., V) values at fractional indices of their own rows (Lagrange's cubic; the ends are held)."""
    last = values.shape[-1] - 1
    index = np.minimum(np.maximum(index, 0.0), last)
    left = np.minimum(np.maximum(index.astype(int), 1), max(last - 2, 1))
    t = index - left
    row = left + _starts(values)
    flat = values.ravel()
    outer = ((t + 1) * flat[row + 2] - (t - 2) * flat[row - 1]) / 3
    inner = (t - 1) * flat[row] - t * flat[row + 1]
    return (t * (t - 1) * outer + (t + 1) * (t - 2) * inner) / 2


def _starts(values: np.ndarray) -> np.ndarray:
    """Return (..., 1) where the rows of values (..., V) start in the flat array."""
    return np.arange(0, values.size, values.shape[-1]).reshape(*values.shape[:-1], 1)


def _there(known: np.ndarray, index: np.ndarray) -> np.ndarray:
    """Return whether values are known at fractional indices of their own rows."""
    nearest = nearest_whole(index).astype(int)
    held = np.minimum(np.maximum(nearest, 0), known.shape[-1] - 1)
    return (nearest == held) & known.ravel()[held + _starts(known)]


def _taken(band: np.ndarray, known: np.ndarray, ahead: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the values where they were taken; ``ahead`` in nodes."""
    index = np.arange(band.shape[1]) - ahead
    there = _there(known, index)
    return np.where(there, values_at(band, index), 0.0), there


def _slants(data: np.ndarray, there: np.ndarray, beside: _Neighbours, around: np.ndarray, node_m: float) -> np.ndarray:
    """Return (L, V) slants of features: metres along the traverse for a metre along the baseline.

    It is the slant with which neighbouring lines differ least around a node.
    """
    after = beside.line[1]
    spacing = typical_length(beside.distance_m[1][after >= 0]) if (after >= 0).any() else 1.0
    unit = max(1, int(nearest_whole(spacing / 2 / node_m))) * node_m / spacing
    tried = unit * np.arange(-STEEPEST, STEEPEST + 1)
    move = nearest_whole(tried[:, None] * beside.distance_m[1] / node_m).astype(int)
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
    fraction = np.where(bend > 0, 0.5 * (low - high) / np.where(bend > 0, bend, 1.0), 0.0)
    return tried[best] + unit * np.clip(fraction, -1.0, 1.0)


def _misfits(
    data: np.ndarray,
    there: np.ndarray,
    slant: np.ndarray,
    beside: _Neighbours,
    around: np.ndarray,
    node_m: float,
) -> Misfits:
    """Return how the lines differ from what lies beside them along the slants (L, V)."""
    index = np.arange(data.shape[1]) + slant * (beside.distance_m / node_m)[:, :, None]
    both = there & _there(there[beside.line], index) & (beside.line >= 0)[:, :, None]
    # The neighbour that is nearer weighs more; a lone one carries all.
    part = np.where(both, 1.0 / np.maximum(np.abs(beside.distance_m), 1e-3)[:, :, None], 0.0)
    total = part.sum(axis=0)
    part = part / np.where(total > 0, total, 1.0)
    expected = np.sum(part * values_at(data[beside.line], index), axis=0)
    used = total > 0
    misfit = np.where(used, data - expected, 0.0)
    variance = (misfit**2 @ around) / np.maximum(used @ around, 0.05)
    floor = median(variance[used]) if used.any() else 1.0
    precision = np.where(used, node_m / CORRELATED_M / (variance + 0.5 * floor + 1e-12), 0.0)
    slope = slopes(expected, node_m)
    return Misfits(precision * slope * misfit, precision * slope**2, np.stack([-np.ones_like(misfit), *part]))
