"""Where among the lines of a grid a fault most probably is: one line, or a few of which one it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

RANGE = 5
"""Lines among which the place is told to be, at most: so many a person measures."""
LEAST_SURE = 0.15
"""Such a range is named from this probability on. Beforehand any five lines of 40 have some 6 %."""
LEAST_RATIO = 4.0
"""At its best line the fault must explain the readings so much better than none does. Near the edges of a grid nothing
can be seen, and what is ruled out elsewhere does not show that it is there."""
TRACKS, TIES = 0.25, 0.3
"""Powers of the likelihood ratios by features that are followed and by tie lines that make probabilities come true
(found on simulated sites): what is left of the walk is not as independent from line to line as the models have it."""
HARDLY = 0.03
"""The range is as short as it can be without lines that have less than this share of its probability."""


@dataclass(frozen=True)
class Spot:
    """Where a fault most probably is.

    Attributes
    ----------
    first, last : int
        Places of the lines of a range of at most ``RANGE`` that holds it.
    line : int
        The most probable one.
    certainty, certainty_line, elsewhere : float
        Probability that it is in the range, that it is this line, and that it is outside the range.
    """

    first: int
    last: int
    line: int
    certainty: float
    certainty_line: float
    elsewhere: float


def of_later_lines(tracks: np.ndarray, ties: np.ndarray) -> np.ndarray:
    """Return (L,) the log likelihood ratio of all lines from each one on lying elsewhere, by what features that are
    followed (L,) and ties (L,) gain."""
    return TRACKS * tracks + TIES * ties


def spot_of(gains: np.ndarray, odds: float) -> Optional[Spot]:
    """Return the range of lines that most probably holds a fault, None where the readings do not tell.

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
    inside = np.convolve(sure, np.ones(min(RANGE, len(sure))), "valid")
    first = int(inside.argmax())
    last = first + min(RANGE, len(sure)) - 1
    if inside[first] < LEAST_SURE or gains[first : last + 1].max() < np.log(LEAST_RATIO):
        return None
    least = HARDLY * inside[first]
    while sure[first] < least:
        first += 1
    while sure[last] < least:
        last -= 1
    line, certainty = first + int(sure[first : last + 1].argmax()), float(sure[first : last + 1].sum())
    return Spot(first, last, line, certainty, float(sure[line]), float(sure.sum()) - certainty)
