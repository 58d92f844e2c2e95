"""Straight borders: seams in one line, along which a ditch or a bank may run on."""

from __future__ import annotations

from typing import Sequence

import numpy as np

from .edge_steps import REACH_M, Seam
from .line_segments import Segments

ASIDE_M = 2.0
"""Seams whose middles lie farther beside the other one's line are on another border. Common practice, no source: the
widest path between grids that still meet."""
PARALLEL = 0.98
"""Cosine of the largest angle between seams on one border, 11 degrees. Common practice, no source."""


def borders_of(segments: Segments, seams: Sequence[Seam]) -> np.ndarray:
    """Return (S,) one number for all seams that lie on one straight border, one after the other.

    Seams on ground that was read twice are on no border with the others.
    """
    from scipy.sparse.csgraph import connected_components

    middle, along, half = (np.array(column) for column in zip(*[_course(segments, seam) for seam in seams]))
    offset = middle[:, None] - middle
    aside = np.abs(offset[:, :, 0] * along[:, 1] - offset[:, :, 1] * along[:, 0])
    straight = (np.maximum(aside, aside.T) < ASIDE_M) & (np.abs(along @ along.T) > PARALLEL)
    # Grids need not touch at their corners: the last pieces of two seams are as far apart as a path and a segment.
    near = np.linalg.norm(offset, axis=2) < half[:, None] + half + 2 * REACH_M
    twice = np.array([seam.read_twice for seam in seams])
    return connected_components(straight & near & (twice[:, None] == twice), directed=False)[1]


def _course(segments: Segments, seam: Seam) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the middle of a seam and its direction, (2,) each, and half its length."""
    weight = np.abs(seam.weight)[:, :, None]
    pieces = np.sum(weight * segments.position[seam.segment], axis=1) / np.sum(weight, axis=1)
    middle = pieces.mean(axis=0)
    along = np.linalg.svd(pieces - middle, full_matrices=False)[2][0]
    return middle, along, float(np.ptp((pieces - middle) @ along)) / 2
