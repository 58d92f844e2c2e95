"""Where between two lines, in time, the level jumped: evidence against edges and strips of the ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import INSTRUMENT, inverse_symmetric
from .heavy_tails import heavy_tailed_fits
from .level_profile import LevelProfile

NOTHING, EDGE, NOTED = 5.0, 0.7, 2.5
"""Logarithms of prior odds: for nothing against a jump between the two likeliest of all lines (150 : 1), for an edge of
the ground right there against a jump (2 : 1), and for a jump that the notes know of against either (12 : 1). The first
two are found by tests/calibration/jumps.py: with them 1 of 40 grids without a reset is said to have one, of which 10
have a straight boundary along the lines. The third is common practice, no source."""
WORTH_A_LOOK = 4.0
"""Logarithm of the evidence, before strips are looked for, below which no jump is looked at closely. Derived: with the
odds for nothing, less leaves a jump at log odds of -1, below the probability from which on it is reported. Found by
tests/calibration/jumps.py: no jump that is taken off has less."""
EDGE_OFFSETS = (-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75)
"""Positions of edges that may look like a jump, in spacings from the middle of the two lines. Derived: quarters, and
no farther than the next lines but one half."""
EDGE_WIDTHS_M = (INSTRUMENT.footprint_m, 0.5, 0.7, 1.0, 1.5)
"""Standard deviations of these edges in metres. Derived: from the footprint of the coils, which no edge is sharper
than, to what is smooth, each wider by a factor of 1.4 to 1.5."""
STRIP_WIDTHS_M = (0.6, 1.0, 1.5, 2.2, 3.0)
"""Widths of ditches, walls and banks along the lines, in metres. Common practice, no source."""
STRIP_COST, MOST_STRIPS, STRIP_SD = 4.0, 3, 6.0
"""A strip is taken in where it raises the logarithm of the evidence by more than ``STRIP_COST``, logarithm of one over
its prior probability at a position and width; most strips of a profile; their prior standard deviation in those of the
offsets. The cost is found by tests/calibration/jumps.py: as good as 3 and 5. The others are common practice, no
source."""
TRIED, SCREENED, BEST = 8, 4, 3
"""Strips that are tried in a round, and lines that are looked at closely: the best without strips, and with those of
the ground alone. Derived: the first of them is the best but for ties."""
ENDS = 3
"""Fewest lines on either side of a jump. Derived: one of two may be an outlier, of three one is outvoted."""
FLAT = 1e-8
"""Prior precision of the height of jumps and edges, in one over the variance of the offsets. Derived: far below that of
any data, and it is taken out of the evidence again."""


@dataclass(frozen=True)
class BetweenLines:
    """A possible jump between two lines.

    Attributes
    ----------
    line : int
        Index, among all lines of the grid, of the first one after it.
    size, standard_error : float
    log_odds : float
        Logarithm of the odds that it is one, against nothing and against an edge of the ground.
    """

    line: int
    size: float
    standard_error: float
    log_odds: float


@dataclass(frozen=True)
class _Explained:
    """Columns (L, c) beside what is smooth, with the evidence; ``size`` and error are those of the first column."""

    evidence: float
    columns: np.ndarray
    size: float = 0.0
    error: float = 0.0


def likeliest_jump(profile: LevelProfile) -> Optional[BetweenLines]:
    """Return the likeliest jump between two lines of a profile; None where none is worth a closer look."""
    count, order = len(profile.u), profile.order
    rank = np.empty(count, int)
    rank[order] = np.arange(count)
    positions = np.arange(ENDS, count - ENDS + 1)
    jumps = (rank[:, None] >= positions) - 0.5
    signal = _with_strips(profile, np.zeros((count, 0)), 0)
    close = _worth_a_look(profile, jumps, signal)
    if not close:
        return None
    best, k = max(((_as_jump(profile, jumps[:, [k]], signal), k) for k in close), key=lambda one: one[0].evidence)
    before, after = order[positions[k] - 1], order[positions[k]]
    edge = _best_edge(profile, (profile.u[before] + profile.u[after]) / 2, (best.columns[:, 1:], signal.columns))
    odds = best.evidence - max(edge + EDGE, signal.evidence + NOTHING)
    return BetweenLines(int(profile.index[after]), best.size, best.error, float(odds))


def noted_jump(profile: LevelProfile, after: np.ndarray) -> tuple[float, float, float]:
    """Return size, standard error and log odds of a jump that the notes know of.

    Parameters
    ----------
    profile : LevelProfile
    after : (L,) float64
        Fraction of each line of the profile that was read after it.
    """
    signal = _with_strips(profile, np.zeros((len(profile.u), 0)), 0)
    best = _as_jump(profile, after[:, None] - 0.5, signal)
    k = min(max(int(np.argmax(after[profile.order] >= 0.5)), 1), len(after) - 1)
    at = float(profile.u[profile.order[k - 1 : k + 1]].mean())
    edge = _best_edge(profile, at, (best.columns[:, 1:], signal.columns))
    return best.size, best.error, float(best.evidence - max(edge, signal.evidence) + NOTED)


def _as_jump(profile: LevelProfile, jump: np.ndarray, signal: _Explained) -> _Explained:
    """Return a jump (L, 1) beside the better of strips of its own and those of the ground alone."""
    own = _with_strips(profile, jump, 1)
    beside = _of_columns(profile, np.concatenate([jump, signal.columns], axis=1), 1)
    return own if own.evidence >= beside.evidence else beside


def _worth_a_look(profile: LevelProfile, jumps: np.ndarray, signal: _Explained) -> list[int]:
    """Return the columns of ``jumps`` that explain most, without strips and with those of the ground; few or none."""
    alone, _, _ = _evidence(profile, np.zeros((1, len(profile.u), 0)), 0)
    strips = np.broadcast_to(signal.columns, (jumps.shape[1], *signal.columns.shape))
    by_itself = _evidence(profile, jumps.T[:, :, None], 1)[0] - alone[0]
    beside = _evidence(profile, np.concatenate([jumps.T[:, :, None], strips], axis=2), 1)[0]
    beside -= signal.evidence + STRIP_COST * signal.columns.shape[1]
    if max(by_itself.max(initial=-1), beside.max(initial=-1)) < WORTH_A_LOOK:
        return []
    best = [*np.argsort(-by_itself, kind="stable")[:SCREENED], *np.argsort(-beside, kind="stable")[:BEST]]
    return list(dict.fromkeys(int(k) for k in best))


def _evidence(profile: LevelProfile, columns: np.ndarray, free: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return evidence (B,), size and error of the first column (2, B), and residuals (B, L).

    ``columns`` (B, L, c) stand beside what is smooth. The first ``free`` of them have any height; the others are
    strips. The prior of a free height is as wide as the height that is found (unit information).
    """
    count, lines, more = columns.shape
    kinds, own = len(profile.precision), profile.smooth.shape[1]
    heights = np.where(np.arange(more) < free, FLAT, 1 / STRIP_SD**2) / profile.sd**2
    prior = np.concatenate([profile.precision, np.broadcast_to(heights, (kinds, more))], axis=1)
    design = np.concatenate([np.broadcast_to(profile.smooth, (count, lines, own)), columns], axis=2)
    fits = heavy_tailed_fits(profile.level, np.repeat(design, kinds, axis=0), np.tile(prior, (count, 1)), profile.sd)
    height = np.maximum(np.abs(fits.factors[:, own : own + free]), profile.sd)
    each = fits.evidence - np.sum(np.log(height / profile.sd) + 0.5 * np.log(FLAT) + 0.5, axis=1)
    each = each.reshape(count, kinds)
    best = np.argmax(each, axis=1) + kinds * np.arange(count)
    top = each.max(axis=1)
    size = np.zeros((2, count))
    if free:
        error = np.sqrt(inverse_symmetric(fits.information[best])[:, own, own])
        size = np.stack([fits.factors[best, own], error])
    return top + np.log(np.exp(each - top[:, None]).mean(axis=1)), size, fits.residual[best]


def _of_columns(profile: LevelProfile, columns: np.ndarray, free: int) -> _Explained:
    evidence, (size, error), _ = _evidence(profile, columns[None], free)
    cost = STRIP_COST * (columns.shape[1] - free)
    return _Explained(float(evidence[0]) - cost, columns, float(size[0]), float(error[0]))


def _with_strips(profile: LevelProfile, columns: np.ndarray, free: int) -> _Explained:
    """Return columns (L, free) and the strips that the profile shows beside them, the most evident first."""
    middles = np.arange(profile.u[0], profile.u[-1] + 0.01, profile.spacing_m / 2)
    middle, width = (one.ravel() for one in np.meshgrid(middles, STRIP_WIDTHS_M, indexing="ij"))
    strips = profile.strips(middle, width)
    shape = strips / np.sqrt(np.sum(strips**2, axis=0) + 0.5)
    found = _of_columns(profile, columns, free)
    residual = _evidence(profile, columns[None], free)[2][0]
    for number in range(1, MOST_STRIPS + 1):
        tried = np.argsort(-np.abs(residual @ shape), kind="stable")[:TRIED]
        before = np.broadcast_to(found.columns, (len(tried), *found.columns.shape))
        both = np.concatenate([before, strips.T[tried][:, :, None]], axis=2)
        evidence, (size, error), residuals = _evidence(profile, both, free)
        k = int(np.argmax(evidence))
        if evidence[k] - STRIP_COST * number <= found.evidence:
            break
        found = _Explained(float(evidence[k]) - STRIP_COST * number, both[k], float(size[k]), float(error[k]))
        residual = residuals[k]
    return found


def _best_edge(profile: LevelProfile, at: float, strips: Sequence[np.ndarray]) -> float:
    """Return the evidence of the best edge about ``at``, beside sets of strips (L, c) or with strips of its own."""
    offset, width = (one.ravel() for one in np.meshgrid(EDGE_OFFSETS, EDGE_WIDTHS_M, indexing="ij"))
    edges = profile.edges(at + offset * profile.spacing_m, width) - 0.5
    found = []
    for beside in strips:
        both = np.broadcast_to(beside, (edges.shape[1], *beside.shape))
        evidence = _evidence(profile, np.concatenate([edges.T[:, :, None], both], axis=2), 1)[0]
        best = int(np.argmax(evidence))
        found.append(float(evidence[best]) - STRIP_COST * beside.shape[1])
        found.append(_with_strips(profile, edges[:, [best]], 1).evidence)
    return max(found)
