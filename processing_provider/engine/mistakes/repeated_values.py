"""Lines in which the instrument stood still for a while: it repeats a value more often than chance does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

BY_CHANCE = 1e-3
"""Expected number of stretches that chance makes, below which one is reported. Common practice, no source: one in a
thousand grids."""


@dataclass(frozen=True)
class Repeated:
    """A stretch of a line that repeats one value.

    Attributes
    ----------
    line : int
        Index in the list of lines.
    begin, end : int
        First reading, and the one behind the last.
    value : float
    """

    line: int
    begin: int
    end: int
    value: float


def repeated_values(lines: Sequence[np.ndarray], shortest: int) -> list[Repeated]:
    """Return the longest stretch of each line in which a value is repeated more often than chance does.

    Parameters
    ----------
    lines : sequence of (n,) float64
        Values as logged, in walking order; NaN where there is none.
    shortest : int
        Stretches of fewer readings are of no account.

    Notes
    -----
    Readings repeat the one before with a probability p, which coarse rounding makes large. It is taken from the line
    that repeats most among the others. N readings then hold N p^(n - 1) stretches of n readings. The largest and the
    smallest of all values are left aside: they may be the ends of a scale.
    """
    least = max(shortest, 2)
    same = [v[1:] == v[:-1] for v in lines]
    counts = [int(np.count_nonzero(own)) for own in same]
    repeats = np.array([n / len(own) if len(own) else 0.0 for n, own in zip(counts, same)])
    # A stretch of n readings takes n - 1 that repeat the one before; few lines have them.
    stretches = [_longest(values) if n >= least - 1 else (0, 0) for n, values in zip(counts, lines)]
    known = np.concatenate([v[np.isfinite(v)] for v in lines]) if len(lines) else np.array([])
    found = []
    for i, (begin, end) in enumerate(stretches):
        count, others = end - begin, np.delete(repeats, i)
        if count < least or not len(others) or lines[i][begin] in (known.min(), known.max()):
            continue
        p = max(float(others.max()), 1 / len(known))
        if len(known) * p ** (count - 1) < BY_CHANCE:
            found.append(Repeated(i, begin, end, float(lines[i][begin])))
    return found


def _longest(values: np.ndarray) -> tuple[int, int]:
    """Return the begin and end of the longest stretch of equal values; (0, 0) without values."""
    cuts = np.flatnonzero(np.diff(values) != 0) + 1
    edges = np.concatenate([[0], cuts, [len(values)]])
    k = int(np.argmax(np.diff(edges)))
    begin, end = int(edges[k]), int(edges[k + 1])
    return (begin, end) if end > begin and np.isfinite(values[begin]) else (0, 0)
