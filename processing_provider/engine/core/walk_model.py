"""What is known of a walked line before it is compared with others: how far readings may lie from where they are
written down, and how far the coils see."""

from __future__ import annotations

import numpy as np

ENDS_M, PACE_M, JITTER_M = 0.12, 0.15, 0.06
"""Usual errors of start and stop, of the pace between them and of the lag of a line (common practice, no source)."""


PACE_LENGTH_M = 7.0
"""A person who is ahead is still ahead after this many metres. Rougher wander is little, and badly seen."""


KEPT = 0.998
"""Share of the variance of the wander that its shapes carry."""


def walk_shapes(v: np.ndarray) -> np.ndarray:
    """Return (V, m) shapes of a walk; with independent standard normal weights they make up the prior.

    The first two are a shift and a stretch, the others a wander that is nothing at both ends, the slowest first.
    """
    share = (v - v[0]) / max(v[-1] - v[0], 1e-9) - 0.5
    wander = np.exp(-((v[:, None] - v) ** 2) / (2 * PACE_LENGTH_M**2))
    ends = np.array([0, len(v) - 1])
    at_ends = wander[np.ix_(ends, ends)] + 1e-9 * np.eye(2)
    wander = wander - wander[:, ends] @ np.linalg.solve(at_ends, wander[ends])
    size, shape = np.linalg.eigh(PACE_M**2 * wander / max(np.mean(np.diag(wander)), 1e-9))
    size, shape = np.maximum(size[::-1], 0.0), shape[:, ::-1]
    m = int(np.searchsorted(np.cumsum(size) / max(size.sum(), 1e-30), KEPT)) + 1
    # Independent errors of both ends are a shift and a stretch, independent likewise.
    even = np.full(len(v), np.hypot(ENDS_M / np.sqrt(2), JITTER_M))
    return np.column_stack([even, np.sqrt(2) * ENDS_M * share, shape[:, :m] * np.sqrt(size[:m])])


BLUR_M = 0.35
"""Coils blur an edge by a Gaussian of this standard deviation. Common practice, no source."""
