"""A line left out on the way, so that all later ones lie a spacing farther on than recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np

from ._doubt_gaps import Gaps
from .readings import Readings, kind_code
from .scheme import Scheme

ODDS = 2.0
"""Prior odds of a line left out on the way against the last one not walked: who stops a line short of the far edge
sees it, who steps two spacings aside does not (common practice, no source)."""
TEMPER = 0.35
"""Power of the likelihood ratios that makes the probabilities come true (found on simulated sites): tiles share
features, and ground is more manifold than any mixture of shapes."""
RANGE = 5
"""Lines among which the first one after the bare ground is told to be."""
LEAST_SURE = 0.3
"""Such a range is named from this probability on."""
HARDLY = 0.02
"""The range is as short as it can be without lines that have less than this share of its probability."""


@dataclass(frozen=True)
class Skip:
    """Where a line was most probably left out.

    Attributes
    ----------
    first, last : int
        Places, among the lines looked at, of a range that holds the first line after the bare ground.
    line : int
        The most probable one.
    certainty, certainty_line : float
        Probability that a line was left out and the range holds the place, and that it is this line.
    """

    first: int
    last: int
    line: int
    certainty: float
    certainty_line: float


def last_line_missing(readings: Readings, scheme: Scheme) -> bool:
    """Return whether a log, begun at the first line, has all lines of the grid but the last one, and no other."""
    logged = np.unique(readings.line[readings.kind == kind_code("survey")])
    if scheme.line_count < 2 or not np.array_equal(logged, np.sort(scheme.lines[:-1])):
        return False
    first, last = (np.argmax(readings.line == n) for n in scheme.lines[[0, -2]])
    return bool(first <= last)


def skip_of(logged: Gaps, walked: Gaps) -> Optional[Skip]:
    """Return where a line was most probably left out on the way, None where the readings do not tell.

    Notes
    -----
    Of L lines in the log the last one of the grid was not walked, or one was left out before line k = 2 .. L, each of
    these with the same prior. With gains g_k, the mean of the lines as logged and as walked, the probabilities are in
    the proportion 1 to (ODDS / (L - 1)) exp(T g_k), T being ``TEMPER``. Near the edges of the grid g_k is 0.
    """
    gains = (logged.gains("skipped") + walked.gains("skipped")) / 2
    if not np.isfinite(gains).any():
        return None
    gains = np.where(np.isfinite(gains), gains, 0.0)[1:]
    share = ODDS / len(gains) * np.exp(np.minimum(TEMPER * gains, 300.0))
    sure = np.concatenate([[0.0], share / (1 + share.sum())])
    inside = np.convolve(sure, np.ones(min(RANGE, len(sure))), "valid")
    first = int(inside.argmax())
    last = first + min(RANGE, len(sure)) - 1
    if inside[first] < LEAST_SURE:
        return None
    least = HARDLY * inside[first]
    while sure[first] < least:
        first += 1
    while sure[last] < least:
        last -= 1
    line = first + int(sure[first : last + 1].argmax())
    return Skip(first, last, line, float(sure[first : last + 1].sum()), float(sure[line]))
