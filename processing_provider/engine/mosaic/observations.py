"""The steps across all seams side by side, and what each unknown adds to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from .borders import borders_of
from .cosine_modes import MODES, cosines
from .edge_steps import Seam
from .line_segments import Segments

ALONG_BORDER = 0.6
"""Fraction of the signal along a seam that runs on along the whole border. Found by ``tests/calibration/mosaic.py``."""


@dataclass(frozen=True)
class Terms:
    """Terms that are taken off besides the level.

    Attributes
    ----------
    at : (P, T - 1) float64
        Their value at the segments.
    site : (G, T - 1) float64
        What a term that all grids have alike adds to their levels, without a step at any seam.
    free : (G,) bool
        Grids that have these terms; in the others they are held at 0.
    gain : bool
        Whether the one term is a gain: its value then goes by the mean of both sides of a seam.
    """

    at: np.ndarray
    site: np.ndarray
    free: np.ndarray
    gain: bool = False

    @property
    def tilted(self) -> bool:
        """Whether the terms are slopes of the grids."""
        return self.at.shape[1] > 0 and not self.gain


@dataclass(frozen=True)
class SeamSteps:
    """The seams side by side: S of them, padded to M pieces.

    Attributes
    ----------
    grids : (S, 2) int
    known : (S, M) bool
        Whether there is such a piece.
    step, variance, count : (S, M) float64
        Of the pieces, as in ``Seam``; the variance is that of the signal and the noise.
    common : (S,) float64
        Variance of the signal along the whole seam, without the border's part of it.
    lines : (S, M, M) float64
        What errors of whole lines add to the covariance of the steps.
    border : (S,) int
        Straight border that the seam lies on.
    read_twice : (S,) bool
        Whether both grids read the same ground there.
    design : (S, M, 2 T + 2 MODES + 2) float64
        Columns of the first grid (T terms, MODES cosines), of the second one, of the waves and of the border.
    unknown : (S, 2 T + 2 MODES + 2) int
        Their unknowns.
    """

    grids: np.ndarray
    known: np.ndarray
    step: np.ndarray
    variance: np.ndarray
    count: np.ndarray
    common: np.ndarray
    lines: np.ndarray
    border: np.ndarray
    read_twice: np.ndarray
    design: np.ndarray
    unknown: np.ndarray

    @property
    def modes(self) -> np.ndarray:
        """(S, M, 2 MODES) the columns of drift of both grids."""
        wide = self.design.shape[2] // 2 - 1
        first, second = (self.design[:, :, end - MODES : end] for end in (wide, 2 * wide))
        return np.concatenate([first, second], axis=2)


def steps_of(segments: Segments, seams: Sequence[Seam], terms: Terms, wave: np.ndarray, still: int) -> SeamSteps:
    """Return the steps across the seams.

    Parameters
    ----------
    segments : Segments
    seams : sequence of Seam
    terms : Terms
    wave : (G, MODES) float64
        Factors of the cosines of which the column of the waves is made.
    still : int
        Index of a grid that has no drift, -1 = none.
    """
    number, length, count = len(seams), max(len(s.variance) for s in seams), len(wave)
    wide = 1 + terms.at.shape[1] + MODES
    grids = np.array([s.grids for s in seams])
    own = (grids[:, :, None] * wide + np.arange(wide)).reshape(number, -1)
    waves, border = np.full((number, 1), count * wide + MODES), borders_of(segments, seams)
    batch = SeamSteps(
        grids=grids,
        known=np.zeros((number, length), bool),
        step=np.zeros((number, length)),
        variance=np.ones((number, length)),
        count=np.ones((number, length)),
        common=(1 - ALONG_BORDER) * np.array([s.common for s in seams]),
        lines=np.zeros((number, length, length)),
        border=border,
        read_twice=np.array([s.read_twice for s in seams]),
        design=np.zeros((number, length, 2 * wide + 2)),
        unknown=np.concatenate([own, waves, waves + 1 + border[:, None]], axis=1),
    )
    for k, seam in enumerate(seams):
        m = len(seam.variance)
        first = segments.grid[seam.segment] == seam.grids[0]
        batch.known[k, :m] = True
        batch.step[k, :m] = np.sum(seam.weight * segments.value[seam.segment], axis=1)
        batch.variance[k, :m], batch.count[k, :m] = seam.variance, seam.count
        batch.lines[k, :m, :m] = _line_covariance(segments, seam)
        ones = np.ones((*seam.segment.shape, 1))
        shapes = cosines(segments.across[seam.segment]) * (segments.grid[seam.segment] != still)[:, :, None]
        basis = np.concatenate([ones, terms.at[seam.segment], shapes], axis=2)
        for side, of_side in enumerate((first, ~first)):
            columns = np.einsum("mk,mkt->mt", seam.weight * of_side, basis)
            batch.design[k, :m, side * wide : (side + 1) * wide] = columns
        if terms.gain:
            one, other = batch.design[k, :m, 1], batch.design[k, :m, wide + 1]
            middle, half = (one - other) / 2, np.median(one + other) / 2
            batch.design[k, :m, 1], batch.design[k, :m, wide + 1] = middle + half, half - middle
        batch.design[k, :m, -1] = np.sqrt(ALONG_BORDER * seam.common)
    batch.design[:, :, -2] = np.einsum("smn,sn->sm", batch.modes, wave[grids].reshape(number, -1))
    return batch


def _line_covariance(segments: Segments, seam: Seam) -> np.ndarray:
    """Return (M, M) what errors of whole lines add to the steps."""
    lines, code = np.unique(segments.line[seam.segment], return_inverse=True)
    m = len(seam.segment)
    index = np.arange(m)[:, None] * len(lines) + code.reshape(seam.segment.shape)
    error = segments.error[seam.segment]
    part = np.bincount(index.ravel(), (seam.weight * error).ravel(), m * len(lines)).reshape(m, -1)
    return part @ part.T
