"""One robust least-squares adjustment over all seams: the level of each grid."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional, Sequence

import numpy as np

from ..core import Progress, inverse_symmetric
from .base_stations import BaseStations
from .cosine_modes import MODES, waves_of
from .edge_steps import Seam
from .line_segments import Segments
from .normal_equations import LEAST, AdjustedLevels, NormalEquations
from .observations import SeamSteps, Terms, steps_of
from .one_level import Solution, border_factors, levels_with_proof

TAIL, SEAM_TAIL = 4.0, 3.0
"""Degrees of freedom of Student's t, of pieces and of whole seams. Found by ``tests/calibration/mosaic.py``."""
PRIOR_WEIGHT = 20.0
"""Weight of the size of drift that the lines' standard errors suggest, in degrees of freedom. Derived: as many as a
small grid has lines, for each line's error says as much about it as one line's drift."""
MOST_DRIFT = 0.6
"""Largest fraction of the waves across a grid that is expected to be drift before the seams are looked at. Common
practice, no source: a guard that the blocks of ``tests/calibration/mosaic.py`` do not reach."""
ROUNDS = 10
"""Derived: with twice as many rounds of reweighting the levels change by less than a tenth of their standard errors, as
``tests/calibration/mosaic.py`` prints."""


def adjust_levels(
    segments: Segments,
    seams: Sequence[Seam],
    terms: Terms,
    weight: np.ndarray,
    fixed: int,
    stations: Optional[BaseStations] = None,
    progress: Progress = None,
) -> AdjustedLevels:
    """Return the levels of all grids.

    Parameters
    ----------
    segments : Segments
        Their values without the plane that all grids fraction, their errors without what the lines of a grid fraction.
    seams : sequence of Seam
    terms : Terms
    weight : (G,) float64
        The mean of a group that stays is taken with these weights.
    fixed : int
        Index of the grid that stays, -1 = none.
    stations : BaseStations, optional
        Base readings that were taken on one spot.
    progress : callable, optional

    Notes
    -----
    By ``solve_steps``, with the waves of the readings across the lines; without them where tilts are looked for, which
    take the waves up. Levels are alike where they are not proven to differ (``levels_with_proof``); not with tilts.
    """
    grids = len(terms.free)
    if terms.tilted:
        still = np.zeros((grids, MODES))
        return solve_steps(segments, seams, terms, still, stations=stations, progress=progress).levels(weight, fixed)
    solved, levels = _with_factors(segments, seams, terms, stations, progress)
    adjusted = solved.levels(weight, fixed)
    value, covariance, between = adjusted.value.copy(), adjusted.covariance.copy(), adjusted.between.copy()
    alike_sd = _alike_sd(segments)
    for group in np.unique(adjusted.group):
        mine = np.flatnonzero(adjusted.group == group)
        stays = np.eye(grids)[fixed, mine] if fixed in mine else weight[mine] / weight[mine].sum()
        found = levels_with_proof([one.of(mine) for one in levels], np.eye(len(mine)) - stays, alike_sd)
        value[mine, 0], covariance[mine, 0, 0] = found.value, np.diag(found.covariance)
        between[np.ix_(mine, mine)] = found.covariance
    return replace(adjusted, value=value, covariance=covariance, between=between)


def _with_factors(
    segments: Segments, seams: Sequence[Seam], terms: Terms, stations: Optional[BaseStations], progress: Progress
) -> tuple[NormalEquations, list[Solution]]:
    """Return the solution, and the levels for each of ``border_factors`` about its borders."""
    wave = waves_of(segments, len(terms.free))
    adjusted = _iterated(steps_of(segments, seams, terms, wave, -1), segments, terms, stations, wave, progress)
    steps, normal = adjusted.steps, adjusted.normal
    edge = np.bincount(steps.border, ~steps.read_twice) > 0
    found = []
    for factor, probable in border_factors(np.where(edge, normal.border, np.nan)):
        if progress is not None:
            progress(1.0)
        found.append(replace(adjusted.with_factors(factor).relative_levels(), probable=probable))
    return normal, found


def _alike_sd(segments: Segments) -> float:
    """Return how much the levels of grids may differ that are alike: what their lines are off."""
    return float(np.sqrt(np.mean(segments.error**2)))


def proven_stations(
    segments: Segments, seams: Sequence[Seam], terms: Terms, stations: BaseStations, progress: Progress = None
) -> Optional[BaseStations]:
    """Return the base stations that were on one spot, as the levels by the seams alone imply, group by group.

    None where none were.
    """
    solved, levels = _with_factors(segments, seams, terms, None, progress)
    proven = np.zeros(len(terms.free), bool)
    for group in np.unique(solved.group):
        mine = solved.group == group
        own = np.flatnonzero(mine)
        if stations.of_rows(own).on_one_spot([one.of(own) for one in levels], _alike_sd(segments)):
            proven |= mine
    return stations.of(proven) if proven.any() else None


def solve_steps(
    segments: Segments,
    seams: Sequence[Seam],
    terms: Terms,
    wave: np.ndarray,
    still: int = -1,
    stations: Optional[BaseStations] = None,
    progress: Progress = None,
) -> NormalEquations:
    """Solve the steps across all seams for levels and drift; return the solved normal equations.

    Parameters
    ----------
    segments : Segments
        As for ``adjust_levels``.
    seams : sequence of Seam
    terms : Terms
    wave : (G, MODES) float64
        Factors of the cosines over each grid of which a fraction may be drift.
    still : int
        Index of a grid that has no drift, -1 = none.
    stations : BaseStations, optional
        Base readings that were taken on one spot.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Notes
    -----
    The step of piece i of the seam between g and h is

        d_i = b_g - b_h + sum_n (c_gn cos(pi n t_gi) - c_hn cos(pi n t_hi)) + w_i + k + m + e_i,  c_gn = a y_gn + r_gn

    b: level of a grid, without a prior; c: drift inside a grid over the position t across its lines, a fraction a of
    the waves y and a random walk r_gn ~ N(0, s^2 / n^2), a part of which all grids share; w: errors of lines, common to
    all pieces on one line; k, m: signal along the whole seam, and along the straight border that it lies on; e: signal
    and noise of one piece. k, m and e have Student's t distributions (iterated reweighting). s and the sizes of w and e
    follow by restricted maximum likelihood. A base reading is b_g and what its spot reads: one unknown a group of grids
    that seams connect. See docs/methods/balance-grids.md.
    """
    steps = steps_of(segments, seams, terms, wave, still)
    return _iterated(steps, segments, terms, stations, wave, progress).normal


@dataclass(frozen=True)
class _Adjusted:
    """Steps as adjusted, with the variances (S, M) of the pieces and the other sizes that were found."""

    normal: NormalEquations
    steps: SeamSteps
    terms: Terms
    piece: np.ndarray
    scatter: float
    drift: float
    fraction: float
    stations: Optional[BaseStations]

    def with_factors(self, factor: np.ndarray) -> NormalEquations:
        """Return the solution with the variances of the signal along the borders multiplied (B,), normal otherwise."""
        inverse = _inverse(self.steps, self.piece, self.steps.common * factor[self.steps.border], self.scatter)
        sizes = self.drift, self.fraction, 1 / factor
        return NormalEquations(self.steps, inverse, self.terms, self.normal.group, *sizes, self.stations)


def _iterated(
    steps: SeamSteps,
    segments: Segments,
    terms: Terms,
    stations: Optional[BaseStations],
    wave: np.ndarray,
    progress: Progress,
) -> _Adjusted:
    """Return the steps adjusted, after rounds of reweighting."""
    likely = float(np.mean(segments.error**2)) + LEAST
    fraction = _expected_fraction(wave, likely)
    drift, estimate, noise, scatter = likely, fraction, 1.0, 1.0
    of_piece, of_seam, of_border = np.ones_like(steps.step), np.ones(len(steps.step)), np.ones(steps.border.max() + 1)
    group = _groups(steps, len(terms.free))
    for done in range(ROUNDS):
        if progress is not None:
            progress(done / ROUNDS)
        piece = np.where(steps.known, noise * steps.variance / (of_piece * steps.count), 1.0)
        common = steps.common / of_seam
        inverse = _inverse(steps, piece, common, scatter)
        drift = _drift_variance(steps, inverse, drift, likely, estimate)
        normal = NormalEquations(steps, inverse, terms, group, drift, fraction, of_border, stations)
        estimate = normal.fraction
        residual = steps.step - normal.predicted(steps)
        pull = (inverse @ residual[:, :, None])[:, :, 0]
        size = (piece * pull) ** 2 / steps.variance * steps.known
        freedom = np.sum(steps.count * piece * np.einsum("sii->si", inverse) * steps.known)
        adjusted = _Adjusted(normal, steps, terms, piece, scatter, drift, fraction, stations)
        scatter = _line_scatter(steps, inverse, residual, scatter)
        noise = max(np.sum(of_piece * steps.count * size) / freedom, LEAST)
        if done < ROUNDS // 3:
            # What drift explains must not pass for rare pieces before its size is known.
            continue
        of_piece = (TAIL + 1) / (TAIL + size / noise)
        of_border = (SEAM_TAIL + 1) / (SEAM_TAIL + normal.border**2)
        of_seam = (SEAM_TAIL + 1) / (SEAM_TAIL + (common * pull.sum(axis=1)) ** 2 / steps.common)
    return adjusted


def _expected_fraction(wave: np.ndarray, prior: float) -> float:
    """Return the fraction of the waves (G, MODES) that drift of the expected size would have."""
    power = np.mean((wave * np.arange(1, MODES + 1)) ** 2) + LEAST
    return float(min(prior / power, MOST_DRIFT))


def _inverse(steps: SeamSteps, piece: np.ndarray, common: np.ndarray, scatter: float) -> np.ndarray:
    """Return (S, M, M) the inverse covariances of the steps, of variances of pieces (S, M) and of seams (S,)."""
    both = steps.known[:, :, None] & steps.known[:, None]
    own = piece[:, :, None] * np.eye(piece.shape[1])
    return inverse_symmetric(own + scatter * steps.lines + common[:, None, None] * both)


def _without_level(steps: SeamSteps, inverse: np.ndarray) -> np.ndarray:
    """Return the inverse covariance (S, M, M) of the steps with the level of each seam left free."""
    ones = np.einsum("sij,sj->si", inverse, steps.known.astype(float))
    return inverse - ones[:, :, None] * ones[:, None] / ones.sum(axis=1)[:, None, None]


def _line_scatter(steps: SeamSteps, inverse: np.ndarray, residual: np.ndarray, scatter: float) -> float:
    """Return, after a step of restricted maximum likelihood, the factor of the lines' variances.

    Standard errors of lines hold what neighbouring lines have in common too; here only their own part counts.
    """
    loose = _without_level(steps, inverse)
    pull = np.einsum("sij,sj->si", loose, residual)
    squares = scatter**2 * np.sum(pull * (steps.lines @ pull[:, :, None])[:, :, 0])
    expected = scatter * np.sum(loose * steps.lines)
    return float((squares + PRIOR_WEIGHT) / (expected + PRIOR_WEIGHT))


def _drift_variance(steps: SeamSteps, inverse: np.ndarray, drift: float, prior: float, fraction: float) -> float:
    """Return s^2 after a step of restricted maximum likelihood, the level of each seam left free."""
    modes = steps.modes
    weighted = _without_level(steps, inverse) @ modes
    square = np.tile(np.arange(1, MODES + 1) ** 2, 2)
    covariance = inverse_symmetric(np.swapaxes(modes, 1, 2) @ weighted + np.diag(square / drift))
    found = np.einsum("sab,sma,sm->sb", covariance, weighted, steps.step - fraction * steps.design[:, :, -2])
    expected = np.sum(1 - np.einsum("saa->sa", covariance) * square / drift)
    return float((np.sum(square * found**2) + PRIOR_WEIGHT * prior) / (expected + PRIOR_WEIGHT))


def _groups(steps: SeamSteps, grids: int) -> np.ndarray:
    """Return one number (G,) for all grids that seams connect."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    first, second = steps.grids.T
    touching = coo_matrix((np.ones(len(first)), (first, second)), shape=(grids, grids))
    return connected_components(touching, directed=False)[1]
