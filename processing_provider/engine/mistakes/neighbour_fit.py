"""How well each line fits its neighbours when it is turned round or moved along the traverse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from ..core import Lines, Readings, band_pass

NEAR_M = 1.0
"""A line may lie this far off along the traverse without doubt: uneven pace, late start."""
FEATURE_M = 0.8
"""Band-passed readings nearer than this tell the same; it turns readings into independent ones."""
TURN_M = 2.5
"""A line that is turned round lies this near to its place at most: the overrun of both ends differs by metres."""
GROUND_M = 4.0
"""Swells longer than this may be drift and tell nothing of a line's place."""
LEAST_OVERLAP = 0.5
"""Share of the line that must still lie on its neighbours when it is moved."""
FALSE_ALARMS = 1 / 20
"""Clean grids in which chance raises a doubt, at most."""
AROUND = 6
"""Lines on either side that tell how well lines fit here; those next to a line are held against it themselves."""
MISFIT = 3.5
"""Standard deviations of Fisher's z by which a line may fit worse than they do, at another place or turned round."""


@dataclass(frozen=True)
class Fit:
    """How well every line fits its neighbours.

    ``likelihood`` and ``correlation`` are (2, L, H): as recorded and turned round, over H moves in metres;
    ``near`` (H,) are moves that raise no doubt, ``turn`` (H,) those that a line turned round may have. ``count`` (L,)
    are the independent readings of the lines.
    """

    move_m: np.ndarray
    likelihood: np.ndarray
    correlation: np.ndarray
    count: np.ndarray

    @property
    def near(self) -> np.ndarray:
        return np.abs(self.move_m) <= NEAR_M

    @property
    def turn(self) -> np.ndarray:
        return np.abs(self.move_m) <= TURN_M

    @property
    def recorded(self) -> np.ndarray:
        """(L,) log likelihood of the place as recorded."""
        return self.likelihood[0][:, self.near].max(axis=1)

    @property
    def best(self) -> np.ndarray:
        """(2, L) which move is best: to another place, and of the line turned round."""
        allowed = np.stack([~self.near, self.turn])[:, None]
        return np.where(allowed, self.likelihood, -np.inf).argmax(axis=2)

    @property
    def proposed(self) -> np.ndarray:
        """(2, L) log likelihood of these."""
        return np.take_along_axis(self.likelihood, self.best[..., None], axis=2)[..., 0]


def excess(fit: Fit, trusted: np.ndarray) -> np.ndarray:
    """Return (2, L) log likelihood that each line gains, moved and turned round, beyond what chance reaches.

    -inf for lines that are not trusted, and where a line fits much worse than those around it do as recorded: a line of
    other ground may resemble its neighbours somewhere. Chance reaches it in one of 1 / ``FALSE_ALARMS`` grids, half of
    them by a move.
    """
    from scipy.stats import chi2

    lines = fit.recorded.size
    turns = 2 * TURN_M / FEATURE_M
    tried = np.array([max(moves_of(fit) - turns, 1.0), turns])
    chance = chi2.isf(FALSE_ALARMS / 2 / (lines * tried), 1) / 2
    above = np.where(trusted, fit.proposed - fit.recorded - chance[:, None], -np.inf)
    for way, i in zip(*np.nonzero(above > 0)):
        if not _fits_as_those_around(fit, trusted, way, i):
            above[way, i] = -np.inf
    return above


def _fits_as_those_around(fit: Fit, trusted: np.ndarray, way: int, i: int) -> bool:
    """Return whether a line fits at its best other place, or turned round, as those around it do as recorded."""
    away = np.abs(np.arange(len(trusted)) - i)
    around = trusted & (away > 1) & (away <= AROUND)
    if not around.any():
        return True
    usual = np.median(fit.correlation[0][around][:, fit.near].max(axis=1))
    own = fit.correlation[way, i, fit.best[way, i]]
    z_usual, z_own = np.arctanh(np.clip([usual, own], -0.999, 0.999))
    return bool(z_own > z_usual - MISFIT / np.sqrt(max(fit.count[i] - 3, 1.0)))


def moves_of(fit: Fit) -> float:
    """Return how many independent places of a line are looked at, both ways."""
    return (float(np.ptp(fit.move_m)) + 2 * TURN_M) / FEATURE_M


def fits(readings: Readings, lines: Lines, channels: Sequence[str], trusted: np.ndarray) -> Fit:
    """Return the fits as recorded and turned round about the middle of the grid.

    Notes
    -----
    Each line is held against the mean of its two neighbours at every move along the traverse, as recorded and turned
    round, after the common lag is taken off. With N independent readings and correlation c the log likelihood is
    -N/2 log(1 - c^2); the part of a line that a move puts off its neighbours counts as unexplained. A doubt is raised
    when a proposal beats every place within ``NEAR_M`` by the threshold of Wilks's test for all lines and moves
    together (Bonferroni, see ``excess``), so that chance raises one in at most ``FALSE_ALARMS`` of clean grids, and
    when the line then fits about as well as others do: artanh c has the standard deviation 1 / sqrt(N - 3). Channels of
    one instrument see the same ground, so their likelihoods are averaged, not added up.

    References
    ----------
    Fisher, R. A., 1921. On the probable error of a coefficient of correlation deduced from a small sample. Metron 1.

    Wilks, S. S., 1938. The large-sample distribution of the likelihood ratio. Annals of Mathematical Statistics 9.
    """
    reach = int(LEAST_OVERLAP * len(lines.v))
    move_m = np.arange(-reach, reach + 1) * lines.step_m
    likelihood, products, norms = np.zeros((3, 2, len(lines), len(move_m)))
    for matrix in lines.resample(readings, readings.stacked(channels)):
        known = np.isfinite(matrix)
        band = band_pass(matrix, lines.step_m, GROUND_M)
        reference = _neighbours(band * trusted[:, None], known & trusted[:, None])
        count = known.sum(axis=1) * lines.step_m / FEATURE_M
        for way, own in enumerate((band, band[:, ::-1])):
            product, norm = _moved(own, reference, reach)
            share = np.clip(product / np.maximum(norm, 1e-12), 0.0, 0.999)
            likelihood[way] -= count[:, None] / 2 * np.log1p(-(share**2)) / len(channels)
            products[way] += product
            norms[way] += norm
    return Fit(move_m, likelihood, products / np.maximum(norms, 1e-12), count)


def _neighbours(band: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Return the mean of the lines on both sides (of one at the edges of the grid), zero where neither is known."""
    total, count = np.zeros_like(band), np.zeros_like(band)
    total[1:], count[1:] = band[:-1], known[:-1]
    total[:-1] += band[1:]
    count[:-1] += known[1:]
    return total / np.maximum(count, 1.0)


def _moved(own: np.ndarray, reference: np.ndarray, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (L, 2 reach + 1) products of a line moved along the traverse with its reference, and their norms."""
    from scipy.fft import irfft, next_fast_len, rfft

    width = own.shape[1]
    size = next_fast_len(2 * width, real=True)
    cycle = irfft(np.conj(rfft(own, size)) * rfft(reference, size), size)
    moves = np.arange(-reach, reach + 1)
    running = np.concatenate([np.zeros((len(own), 1)), np.cumsum(reference**2, axis=1)], axis=1)
    power = running[:, width + np.minimum(moves, 0)] - running[:, np.maximum(moves, 0)]
    return cycle[:, moves], np.sqrt(np.sum(own**2, axis=1)[:, None] * power)
