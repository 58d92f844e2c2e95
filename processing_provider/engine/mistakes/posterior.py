"""Where among the lines of a grid a fault most probably is: one line, or a few of which one it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

MOST_LINES = 5
"""Lines that are named, at most: so many a person measures. They need not lie side by side: where two features tell
of it, what is between them is told against."""
LEAST_SURE = 0.2
"""They are named from this probability on. Beforehand any five lines of 40 have some 6 %."""
LEAST_RATIO = 4.0
"""At its best line the fault must explain the readings so much better than none does. Near the edges of a grid nothing
can be seen, and what is ruled out elsewhere does not show that it is there."""
TRACKS, TIES = 0.25, 0.3
"""Powers of the likelihood ratios by features that are followed and by tie lines that make probabilities come true
(found on simulated sites): what is left of the walk is not as independent from line to line as the models have it."""
HARDLY = 0.03
"""Lines that have less than this share of their probability are not named."""


@dataclass(frozen=True)
class Spot:
    """Where a fault most probably is.

    Attributes
    ----------
    lines : tuple of int
        Places of the most probable lines, ``MOST_LINES`` at most, ascending.
    line : int
        The most probable one.
    certainty, certainty_line, elsewhere : float
        Probability that it is one of them, that it is this one, and that it is any other.
    """

    lines: tuple[int, ...]
    line: int
    certainty: float
    certainty_line: float
    elsewhere: float


def of_later_lines(tracks: np.ndarray, ties: np.ndarray) -> np.ndarray:
    """Return (L,) the log likelihood ratio of all lines from each one on lying elsewhere, by what features that are
    followed (L,) and ties (L,) gain."""
    return TRACKS * tracks + TIES * ties


def spot_of(gains: np.ndarray, odds: float) -> Optional[Spot]:
    """Return the lines one of which most probably has a fault, None where the readings do not tell.

    Parameters
    ----------
    gains : (n,) float
        Log likelihood ratio of the fault at each line; -inf where it cannot be.
    odds : float
        Prior odds that there is such a fault at all; all lines are equally probable beforehand.
    """
    possible = np.isfinite(gains)
    if not possible.any():
        return None
    share = odds / np.count_nonzero(possible) * np.where(possible, np.exp(np.minimum(gains, 300.0)), 0.0)
    sure = share / (1.0 + share.sum())
    likeliest = np.argsort(-sure, kind="stable")[:MOST_LINES]
    likeliest = likeliest[sure[likeliest] >= HARDLY * sure[likeliest].sum()]
    line, certainty = int(likeliest[0]), float(sure[likeliest].sum())
    if certainty < LEAST_SURE or gains[line] < np.log(LEAST_RATIO):
        return None
    named = tuple(sorted(likeliest.tolist()))
    return Spot(named, line, certainty, float(sure[line]), float(sure.sum()) - certainty)
