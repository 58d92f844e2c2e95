"""A line left out on the way, so that all later ones lie a spacing farther on than recorded."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from ..core import Readings, Scheme, kind_code
from .posterior import ProbableLines, probable_lines
from .spacing_by_shape import ShapeEvidence

ODDS = 1.5
"""Odds of a line left out on the way against the last one not walked that make probabilities come true where both are
as frequent: readings that prove nothing speak against most lines. Found by tests/calibration/mistakes.py, 1 +- 0.4 on
12 sites (``powers``)."""
SHAPES = 0.4
"""Power of the likelihood ratios by the shapes of features that makes probabilities come true: ground is more manifold
than any model. Found by tests/calibration/mistakes.py, 0.4 +- 0.1 on 12 sites (``powers``)."""


def last_line_missing(readings: Readings, scheme: Scheme) -> bool:
    """Return whether a log, begun at the first line, has all lines of the grid but the last one, and no other."""
    logged = np.unique(readings.line[readings.kind == kind_code("survey")])
    if scheme.line_count < 2 or not np.array_equal(logged, np.sort(scheme.lines[:-1])):
        return False
    first, last = (np.argmax(readings.line == n) for n in scheme.lines[[0, -2]])
    return bool(first <= last)


def skip_of(shapes: Sequence[ShapeEvidence], farther: np.ndarray) -> Optional[ProbableLines]:
    """Return before which line one was most probably left out on the way, None where the readings do not decide.

    Parameters
    ----------
    shapes : sequence of ShapeEvidence
        The lines as logged and as walked.
    farther : (L,) float
        Log likelihood ratio of all lines from this one on lying a spacing farther, as of ``later_lines``.

    Notes
    -----
    Of L lines in the log the last one of the grid was not walked, or one was left out before line k = 2 .. L, each of
    these with the same prior. With the gains g_k of shapes (their mean) and the ratios t_k the probabilities are in the
    proportion 1 to (ODDS / (L - 1)) exp(SHAPES g_k + t_k). Near the edges of the grid g_k is 0.
    """
    mean = np.mean([s.gains("skipped") for s in shapes], axis=0)
    gains = SHAPES * np.where(np.isfinite(mean), mean, 0.0) + farther
    gains[0] = -np.inf
    return probable_lines(gains, ODDS) if gains[1:].any() else None
