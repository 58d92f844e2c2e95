"""Posterior probability over the lines of a grid that one of them has a mistake; the few lines worth naming."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

MOST_LINES = 5
"""Lines that are named, at most. Common practice, no source: so many a person measures. They need not lie side by side:
where two features speak for it, what is between them may speak against."""
LEAST_SURE = 0.2
"""They are named from this probability on. Derived: beforehand any five lines of 40 have some 6 %, with even odds that
there is such a mistake; three times that is news."""
LEAST_RATIO = 4.0
"""At its best line the mistake must explain the readings so much better than none does. Near the edges of a grid
nothing can be seen, and what is ruled out elsewhere does not show that it is there. Source: H. Jeffreys, Theory of
probability, 1961: ratios below 10^(1/2) = 3.2 are not worth more than a bare mention (from memory)."""
TIES = 0.3
"""Power of the likelihood ratios by tie lines that makes probabilities come true: what alignment leaves is not as
independent from line to line as the model has it. Found by tests/calibration/mistakes.py, 0.3 +- 0.1 and 0.4 +- 0.1 on
12 sites with lines walked twice and left out (``powers``)."""
HARDLY = 0.03
"""Lines that have less than this fraction of their probability are not named. Common practice, no source."""


@dataclass(frozen=True)
class ProbableLines:
    """The lines one of which most probably has a mistake.

    Attributes
    ----------
    lines : tuple of int
        Indices of the most probable lines, ``MOST_LINES`` at most, ascending.
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


def later_lines(ties: np.ndarray) -> np.ndarray:
    """Return (L,) the log likelihood ratio of all lines from each one on lying elsewhere, by what ties (L,) gain."""
    return TIES * ties


def probable_lines(gains: np.ndarray, odds: float) -> Optional[ProbableLines]:
    """Return the lines one of which most probably has a mistake, None where the readings do not decide.

    Parameters
    ----------
    gains : (n,) float64
        Log likelihood ratio of the mistake at each line; -inf where it cannot be.
    odds : float
        Prior odds that there is such a mistake at all; all lines are equally probable beforehand.
    """
    possible = np.isfinite(gains)
    if not possible.any():
        return None
    weight = odds / np.count_nonzero(possible) * np.where(possible, np.exp(np.minimum(gains, 300.0)), 0.0)
    sure = weight / (1.0 + weight.sum())
    likeliest = np.argsort(-sure, kind="stable")[:MOST_LINES]
    likeliest = likeliest[sure[likeliest] >= HARDLY * sure[likeliest].sum()]
    line, certainty = int(likeliest[0]), float(sure[likeliest].sum())
    if certainty < LEAST_SURE or gains[line] < np.log(LEAST_RATIO):
        return None
    named = tuple(sorted(likeliest.tolist()))
    return ProbableLines(named, line, certainty, float(sure[line]), float(sure.sum()) - certainty)
