"""One robust least squares over all seams: what each grid is too high by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from .base_stations import Bases
from .cosine_modes import MODES, waves_of
from .edge_steps import Seam
from .line_segments import Patches
from .observations import Batch, Terms, batch_of

SHARED = 0.5
"""Variance of drift that all grids have alike (warming up), as a share of each one's own."""
TAIL, SEAM_TAIL = 4.0, 3.0
"""Degrees of freedom of Student's t, of pieces and of whole seams."""
PRIOR_WEIGHT = 20.0
"""Weight of the size of drift that the lines' standard errors suggest, in degrees of freedom: as many as lines."""
WAVES_SD = 0.5
"""How well that share is known before, in units of the standard deviation of yes and no."""
MOST_DRIFT = 0.6
"""Largest share of the waves across a grid that is expected to be drift before the seams are heard."""
GAIN_SD = 0.1
"""Gains are 1 within this, before the data are heard."""
ROUNDS = 10
LEAST = 1e-6


@dataclass(frozen=True)
class Levels:
    """What the grids are too high by.

    Attributes
    ----------
    value : (G, T) float64
        Level, and by model the tilts or the gain.
    covariance : (G, T, T) float64
    group : (G,) int
        Grids that hang together by seams have one number.
    drift_sd : float
        Standard deviation of what is left of the drift besides its share of the waves, at the ends of a grid about.
    """

    value: np.ndarray
    covariance: np.ndarray
    group: np.ndarray
    drift_sd: float


def fit_levels(
    patches: Patches,
    seams: Sequence[Seam],
    terms: Terms,
    weight: np.ndarray,
    fixed: int,
    bases: Optional[Bases] = None,
) -> Levels:
    """Return the levels of all grids.

    Parameters
    ----------
    patches : Patches
        Their values without the plane that all grids share, their errors without what the lines of a grid share.
    seams : sequence of Seam
    terms : Terms
    weight : (G,) float64
        The mean of a group that stays is taken with these weights.
    fixed : int
        Place of the grid that stays, -1 = none.
    bases : Bases, optional
        Base readings that were taken on one spot.

    Notes
    -----
    What ``fit_steps`` tells, with the waves of the readings across the lines; where tilts are looked for, without, for
    tilts take the waves up.
    """
    grids = len(terms.free)
    wave = np.zeros((grids, MODES)) if terms.tilted else waves_of(patches, grids)
    return fit_steps(patches, seams, terms, wave, bases=bases).levels(weight, fixed)


def proven_bases(patches: Patches, seams: Sequence[Seam], terms: Terms, bases: Bases) -> Optional[Bases]:
    """Return those base readings that were taken on one spot, as the levels told by the seams say, group by group; None
    where none were."""
    told = fit_steps(patches, seams, terms, waves_of(patches, len(terms.free)))
    level, covariance = told.levels_apart()
    proven = np.zeros(len(level), bool)
    for group in np.unique(told.group):
        mine = told.group == group
        proven |= mine & bases.of(mine).on_one_spot(level, covariance)
    return bases.of(proven) if proven.any() else None


def fit_steps(
    patches: Patches,
    seams: Sequence[Seam],
    terms: Terms,
    wave: np.ndarray,
    still: int = -1,
    bases: Optional[Bases] = None,
) -> Normal:
    """Return the equations of all steps across the seams, solved.

    Parameters
    ----------
    patches : Patches
        As for ``fit_levels``.
    seams : sequence of Seam
    terms : Terms
    wave : (G, MODES) float64
        Factors of the cosines over each grid of which a share may be drift.
    still : int
        Place of a grid that has no drift, -1 = none.
    bases : Bases, optional
        Base readings that were taken on one spot.

    Notes
    -----
    The step of piece i of the seam between g and h is

        d_i = b_g - b_h + sum_n (c_gn cos(pi n t_gi) - c_hn cos(pi n t_hi)) + w_i + k + m + e_i,  c_gn = a y_gn + r_gn

    b = level; c = what is left of the drift inside a grid over the place t across its lines. It is a share a of the
    waves y, for the rest of them is ground, and r_gn ~ N(0, s^2 / n^2) as of a random walk, of which a part is alike in
    all grids. w = standard errors of the lines, scaled, common to all pieces that lie on one line; k, m = ground along
    the whole seam and along the straight border it lies on, where a ditch runs on; e = ground and noise of one piece. k
    and e have heavy tails (Student's t, by iterated reweighting). s and the sizes of w and e follow from the data by
    restricted maximum likelihood, seam by seam. b has no prior: only differences of levels between grids are told. A
    plane that goes through all grids is ground: d and y are without it. Base readings taken on one spot are b_g and
    what the spot reads, one unknown for all grids that hang together.
    """
    batch = batch_of(patches, seams, terms, wave, still)
    likely = float(np.mean(patches.error**2)) + LEAST
    share = _usual_share(wave, likely)
    drift, told, noise, scatter = likely, share, 1.0, 1.0
    usual, rare = np.ones_like(batch.step), np.ones(len(batch.step))
    group = _groups(batch, len(terms.free))
    for done in range(ROUNDS):
        piece = np.where(batch.known, noise * batch.variance / (usual * batch.count), 1.0)
        common = batch.common / rare
        inverse = _inverse(batch, piece, common, scatter)
        drift = _drift_variance(batch, inverse, drift, likely, told)
        normal = Normal(batch, inverse, terms, group, drift, share, bases)
        told = normal.share
        rest = batch.step - normal.predicted(batch)
        pull = (inverse @ rest[:, :, None])[:, :, 0]
        size = (piece * pull) ** 2 / batch.variance * batch.known
        freedom = np.sum(batch.count * piece * np.einsum("sii->si", inverse) * batch.known)
        scatter = _line_scatter(batch, inverse, rest, scatter)
        noise = max(np.sum(usual * batch.count * size) / freedom, LEAST)
        if done < ROUNDS // 3:
            # What drift explains must not pass for rare pieces before its size is known.
            continue
        usual = (TAIL + 1) / (TAIL + size / noise)
        rare = (SEAM_TAIL + 1) / (SEAM_TAIL + (common * pull.sum(axis=1)) ** 2 / batch.common)
    return normal


def _usual_share(wave: np.ndarray, prior: float) -> float:
    """Return the share of the waves (G, MODES) that drift of the expected size would have."""
    power = np.mean((wave * np.arange(1, MODES + 1)) ** 2) + LEAST
    return float(min(prior / power, MOST_DRIFT))


def _inverse(batch: Batch, piece: np.ndarray, common: np.ndarray, scatter: float) -> np.ndarray:
    """Return (S, M, M) the inverse covariances of the steps, of variances of pieces (S, M) and of seams (S,)."""
    both = batch.known[:, :, None] & batch.known[:, None]
    own = piece[:, :, None] * np.eye(piece.shape[1])
    return np.linalg.inv(own + scatter * batch.lines + common[:, None, None] * both)


def _without_level(batch: Batch, inverse: np.ndarray) -> np.ndarray:
    """Return the inverse covariance (S, M, M) of the steps with the level of each seam left free."""
    ones = np.einsum("sij,sj->si", inverse, batch.known.astype(float))
    return inverse - ones[:, :, None] * ones[:, None] / ones.sum(axis=1)[:, None, None]


def _line_scatter(batch: Batch, inverse: np.ndarray, rest: np.ndarray, scatter: float) -> float:
    """Return, after a step of restricted maximum likelihood, what the lines' variances are to be multiplied by.

    Standard errors of lines hold what neighbouring lines have in common too; here only their own part counts.
    """
    loose = _without_level(batch, inverse)
    pull = np.einsum("sij,sj->si", loose, rest)
    squares = scatter**2 * np.sum(pull * (batch.lines @ pull[:, :, None])[:, :, 0])
    told = scatter * np.sum(loose * batch.lines)
    return float((squares + PRIOR_WEIGHT) / (told + PRIOR_WEIGHT))


def _drift_variance(batch: Batch, inverse: np.ndarray, drift: float, prior: float, share: float) -> float:
    """Return s^2 after a step of restricted maximum likelihood, the level of each seam left free."""
    modes = batch.modes
    weighted = _without_level(batch, inverse) @ modes
    square = np.tile(np.arange(1, MODES + 1) ** 2, 2)
    covariance = np.linalg.inv(np.swapaxes(modes, 1, 2) @ weighted + np.diag(square / drift))
    found = np.einsum("sab,sma,sm->sb", covariance, weighted, batch.step - share * batch.design[:, :, -2])
    told = np.sum(1 - np.einsum("saa->sa", covariance) * square / drift)
    return float((np.sum(square * found**2) + PRIOR_WEIGHT * prior) / (told + PRIOR_WEIGHT))


def _groups(batch: Batch, grids: int) -> np.ndarray:
    """Return one number (G,) for all grids that hang together by seams."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    first, second = batch.grids.T
    touching = coo_matrix((np.ones(len(first)), (first, second)), shape=(grids, grids))
    return connected_components(touching, directed=False)[1]


class Normal:
    """The normal equations of all seams, solved; a group's first grid is held at 0.

    Attributes
    ----------
    drift : float
        Variance of what is left of the drift besides its share of the waves, s^2 in the notes of ``fit_steps``.
    share : float
        Share of the waves that is drift.
    """

    def __init__(
        self,
        batch: Batch,
        inverse: np.ndarray,
        terms: Terms,
        group: np.ndarray,
        drift: float,
        share: float,
        bases: Optional[Bases] = None,
    ):
        from scipy.sparse import csc_matrix
        from scipy.sparse.linalg import splu

        grids, wide = len(terms.free), batch.design.shape[2] // 2 - 1
        self.grids, self.wide, self.terms, self.group = grids, wide, terms, group
        self.place, self.drift = batch.place, drift
        weighted = inverse @ batch.design
        blocks = np.swapaxes(batch.design, 1, 2) @ weighted
        size = int(batch.place.max()) + 1
        right = np.bincount(self.place.ravel(), (batch.step[:, None] @ weighted).ravel(), size)
        rows = np.broadcast_to(self.place[:, :, None], blocks.shape)
        columns = np.broadcast_to(self.place[:, None], blocks.shape)
        told = (blocks.ravel(), rows.ravel(), columns.ravel())
        waves = grids * wide + MODES
        sure = 1 / (WAVES_SD**2 * share * (1 - share) + LEAST)
        right[waves] += sure * share
        single = np.append(sure, np.ones(size - waves - 1)), *[np.arange(waves, size)] * 2
        parts = [told, self._prior(), single]
        if bases is not None:
            right, spots = self._spots(bases, right)
            parts.append(spots)
        size = len(right)
        value, row, column = (np.concatenate(part) for part in zip(*parts))
        matrix = csc_matrix((value, (row, column)), shape=(size, size))
        self.solver = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        self.solution = self.solver.solve(right)
        self.share = float(self.solution[waves])

    def _prior(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return values, rows and columns of what is known before the seams are heard."""
        grids, wide, first_mode, drift = self.grids, self.wide, self.wide - MODES, self.drift
        at = self.terms.at
        start = np.arange(grids) * wide
        precision = np.zeros((grids, wide))
        precision[np.unique(self.group, return_index=True)[1], 0] = 1.0
        # A tilt that reaches the size of the drift at the edges is usual.
        likely = 1 / GAIN_SD**2 if self.terms.gain else 3 * np.mean(at**2, axis=0) / drift
        precision[:, 1:first_mode] = np.where(self.terms.free[:, None], likely, 1 / LEAST**2)
        modes = np.arange(1, MODES + 1) ** 2 / drift
        precision[:, first_mode:] = modes
        shared = grids * wide + np.arange(MODES)
        own = (start[:, None] + first_mode + np.arange(MODES)).ravel()
        couple, pull = np.tile(shared, grids), -np.tile(modes, grids)
        diagonal = np.concatenate([precision.ravel(), (grids + 1 / SHARED) * modes])
        rows = np.concatenate([np.arange(len(diagonal)), own, couple])
        columns = np.concatenate([np.arange(len(diagonal)), couple, own])
        return np.concatenate([diagonal, pull, pull]), rows, columns

    def _spots(self, bases: Bases, right: np.ndarray):
        """Return the right side with what base readings add, and their values, rows and columns; what the spot of each
        group reads comes last among the unknowns."""
        grids = np.flatnonzero(bases.known)
        level, spot, sure = grids * self.wide, len(right) + self.group[grids], 1 / bases.variance[grids]
        right = np.append(right, np.zeros(self.group.max() + 1))
        for place in (level, spot):
            np.add.at(right, place, sure * bases.level[grids])
        every = np.arange(len(right) - self.group.max() - 1, len(right))
        rows = np.concatenate([level, level, spot, spot, every])
        columns = np.concatenate([level, spot, level, spot, every])
        return right, (np.concatenate([np.tile(sure, 4), np.full(len(every), LEAST)]), rows, columns)

    def levels_apart(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the levels (G,), the first grid of each group at 0, and their covariance (G, G)."""
        level = np.arange(self.grids) * self.wide
        unit = np.zeros((len(self.solution), self.grids))
        unit[level, np.arange(self.grids)] = 1.0
        return self.solution[level], self.solver.solve(unit)[level]

    def predicted(self, batch: Batch) -> np.ndarray:
        """Return the steps (S, M) that the solution explains."""
        return (batch.design @ self.solution[self.place][:, :, None])[:, :, 0]

    def drift_factors(self) -> np.ndarray:
        """Return (G, MODES) what is left of the drift besides its share of the waves, as factors of the cosines."""
        return self.solution[: self.grids * self.wide].reshape(self.grids, self.wide)[:, -MODES:].copy()

    def levels(self, weight: np.ndarray, fixed: int) -> Levels:
        """Return the levels with a weighted mean of each group, or with one grid, held at 0; so its terms."""
        grids, number = self.grids, self.wide - MODES
        wanted = (np.arange(grids)[:, None] * self.wide + np.arange(number)).ravel()
        unit = np.zeros((len(self.solution), len(wanted)))
        unit[wanted, np.arange(len(wanted))] = 1.0
        covariance = self.solver.solve(unit)[wanted]
        move = self._held(weight, fixed).reshape(len(wanted), -1)
        covariance = (move @ covariance @ move.T).reshape(grids, number, grids, number)
        value = (move @ self.solution[wanted]).reshape(grids, number)
        own = np.arange(grids)
        return Levels(value, covariance[own, :, own], self.group, float(np.sqrt(self.drift)))

    def _held(self, weight: np.ndarray, fixed: int) -> np.ndarray:
        """Return (G, T, G, T) the map of solutions onto those in which what stays is 0.

        Where all grids of a group are free to have a term, only its differences are told.
        """
        grids, number = self.grids, self.wide - MODES
        same = self.group[:, None] == self.group
        mean = np.where(same, weight, 0.0)
        mean = mean / mean.sum(axis=1, keepdims=True)
        loose = mean * np.all(self.terms.free | ~same, axis=1)[:, None]
        if fixed >= 0:
            mean[self.group == self.group[fixed]] = np.eye(grids)[fixed]
        move = np.eye(grids * number).reshape(grids, number, grids, number)
        for term in range(1, number):
            move[:, term, :, term] -= loose
            move[:, 0, :, term] -= self.terms.site[:, term - 1, None] * loose
        move[:, 0] -= np.tensordot(mean, move[:, 0], 1)
        return move
