"""What each line gains when it is turned round or moved along the traverse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import CARRIED
from .neighbour_fit import FALSE_ALARMS, FEATURE_M, TURN_M, Fit, fits_as_those_around, moves_of
from .order_likelihood import INDEPENDENT_M, OrderLikelihood

PLACE_M = float(np.hypot(CARRIED.ends_m / np.sqrt(2.0), CARRIED.jitter_m) * (np.sqrt(2.0) + np.sqrt(1.5)) / 2)
"""Standard deviation of the position of a whole line against its neighbours. Derived: the mean of independent errors of
both ends, and its own lag, sqrt(0.12^2 / 2 + 0.06^2) = 0.10 m, times what the neighbours err besides
(``between_lines_m``): 0.14 m."""
CLOSELY = 16
"""Positions of each way that are looked at closely, those that fit the neighbours best. Derived: two metres of them at
8 readings a metre, more than the peak of one feature is wide."""


@dataclass(frozen=True)
class Misplacement:
    """What lines gain when they are turned round or moved.

    Attributes
    ----------
    gain, above : (2, L) float64
        Log likelihood ratio of the best other position, and of the best one of the line turned round, against the
        position as recorded; by how much it is above what chance reaches. -inf where there is none.
    foreign : (2, L) float64
        Likewise against other ground.
    best : (2, L) int
        Which moves of the ``Fit`` these are.
    fit : Fit
        Of the lines to those that were trusted.
    """

    gain: np.ndarray
    above: np.ndarray
    foreign: np.ndarray
    best: np.ndarray
    fit: Fit


def misplacements(fit: Fit, likelihood: OrderLikelihood, index: np.ndarray) -> Misplacement:
    """Return what each line gains turned round or moved, held against the lines that are trusted.

    Parameters
    ----------
    fit : Fit
        Of all lines to those that are trusted.
    likelihood : OrderLikelihood
        Of the lines that are trusted.
    index : (n,) int
        Which lines those are; the others gain -inf.

    Notes
    -----
    Positions that fit the neighbours better than the recorded one does are predicted from all lines around. Chance
    reaches ``above`` zero in one of 1 / ``FALSE_ALARMS`` grids, half of them by a move. It is -inf, too, where a line
    then fits much worse than those around it do as recorded: a line of other ground may resemble its neighbours
    somewhere. A line that fits as well within ``NEAR_M`` is not turned round: so far off lines seldom lie, but no more
    seldom than turned round. See ``docs/methods/mistakes.md``.
    """
    trusted = np.zeros(len(fit.count), bool)
    trusted[index] = True
    gain, foreign = np.full((2, 2, len(trusted)), -np.inf)
    best = np.zeros((2, len(trusted)), int)
    better = _better(fit)
    for k, i in enumerate(index.tolist()):
        if better[:, i].any():
            places = [_worth_a_look(fit.likelihood[way, i], better[way, i]) for way in (0, 1)]
            gain[:, i], foreign[:, i], best[:, i] = _gains(fit, likelihood, k, places)
    above = gain - _chance(fit)[:, None]
    for way, i in zip(*np.nonzero(above > 0)):
        if not fits_as_those_around(fit, trusted, i, fit.correlation[way, i, best[way, i]]):
            above[way, i] = -np.inf
    return Misplacement(gain, above, foreign, best, fit)


def _away(fit: Fit) -> np.ndarray:
    """Return (H,) what moves cost where nothing is wrong, as a log likelihood."""
    return fit.move_m**2 / (2 * PLACE_M**2)


def _better(fit: Fit) -> np.ndarray:
    """Return (2, L, H) where lines, moved or turned round, fit their neighbours better than as recorded."""
    recorded = np.max(fit.likelihood[0] - _away(fit), axis=1)
    return np.stack([~fit.near, fit.turn])[:, None] & (fit.likelihood > recorded[:, None])


def _worth_a_look(own: np.ndarray, better: np.ndarray) -> np.ndarray:
    """Return the moves at which a line fits its neighbours best, of those at which it fits better than as recorded."""
    moves = np.flatnonzero(better)
    return moves[np.argsort(-own[moves], kind="stable")[:CLOSELY]]


def _gains(
    fit: Fit, likelihood: OrderLikelihood, k: int, places: list[np.ndarray]
) -> tuple[list[float], list[float], list[np.intp]]:
    """Return log likelihood ratios of the best moves, by way, also against other ground, and which those are.

    ``k`` is the index of the line in the likelihood, ``places`` the moves by way.
    """
    away, move = _away(fit), np.rint(fit.move_m / likelihood.step_m).astype(int)
    near = np.flatnonzero(fit.near)
    at = [near, *places]
    ways = np.repeat([0, 0, 1], [len(part) for part in at])
    own, known = _moved(likelihood.band[k], likelihood.known[k], ways, move[np.concatenate(at)])
    # Where two readings are independent depends on what they are held against.
    ratio = likelihood.along(k, own, known) * INDEPENDENT_M / FEATURE_M
    recorded, *others = np.split(ratio, np.cumsum([len(part) for part in at])[:-1])
    here = float(np.max(recorded - away[near]))
    # Markov's inequality: other ground resembles the neighbours so well in one of 1 / FALSE_ALARMS lines at most.
    foreign = -np.log(FALSE_ALARMS)
    least = foreign, max(foreign, float(np.max(recorded)))
    most = [float(np.max(f, initial=-np.inf)) for f in others]
    gains = [found - here if found > low else -np.inf for found, low in zip(most, least)]
    return gains, most, [part[np.argmax(f)] if len(f) else np.intp(0) for part, f in zip(places, others)]


def _chance(fit: Fit) -> np.ndarray:
    """Return (2,) log likelihood ratios, moved and turned round, that chance reaches in ``FALSE_ALARMS`` of grids."""
    from scipy.special import ndtri

    turns = 2 * TURN_M / FEATURE_M
    tried = np.array([max(moves_of(fit) - turns, 1.0), turns])
    # Half a chi-squared variable of one degree of freedom.
    return ndtri(FALSE_ALARMS / 2 / (len(fit.count) * tried) / 2) ** 2 / 2


def _moved(band: np.ndarray, known: np.ndarray, ways: np.ndarray, move: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (M, V) readings of a line turned round or not and moved by so many readings, and where there are any."""
    own, here = np.stack([band, band[::-1]]), np.stack([known, known[::-1]])
    at = np.arange(len(band)) - move[:, None]
    inside = (at >= 0) & (at < len(band))
    at = np.clip(at, 0, len(band) - 1)
    return own[ways[:, None], at], here[ways[:, None], at] & inside
