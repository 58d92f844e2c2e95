"""Order of readings along their lines: as a rule the order of the log, or its reverse."""

from __future__ import annotations

from typing import Sequence

import numpy as np


def line_order(keys: Sequence[np.ndarray], v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the order of readings by recording and position along it, and the recording of each in that order.

    Parameters
    ----------
    keys : sequence of (n,) int
        Columns that distinguish recordings, the first key first.
    v : (n,) float64
        Position along the line in metres.

    Returns
    -------
    order, recording : (n,) int
        Recordings are counted from 0 in the order of their keys.
    """
    if not len(v):
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    new = np.ones(len(v), bool)
    new[1:] = np.logical_or.reduce([key[1:] != key[:-1] for key in keys])
    heads = np.flatnonzero(new)
    ends = np.append(heads[1:], len(v)) - 1
    recording, recordings = _ranks([key[heads] for key in keys])
    piece = np.cumsum(new) - 1
    way = np.where(v[heads] <= v[ends], 1, -1)
    ways = way[piece]
    steps = np.diff(v)
    steps *= ways[1:]
    steps[ends[:-1]] = 0.0
    if recordings < len(heads) or np.any(np.diff(recording) < 0) or steps.min(initial=0.0) < 0.0:
        run = recording[piece]
        order = np.lexsort((v, run))
        return order, run[order]
    # Walked line after line without a break: a recording's readings are in order, or in reverse.
    order = np.arange(len(v))
    order *= ways
    order += np.where(way > 0, 0, heads + ends)[piece]
    return order, piece


def _ranks(keys: Sequence[np.ndarray]) -> tuple[np.ndarray, int]:
    """Return the rank of each (n,) combination of keys among all different ones, and how many there are."""
    order = np.lexsort(keys[::-1])
    rank = np.zeros(len(order), np.intp)
    rank[order[1:]] = np.cumsum(np.logical_or.reduce([np.diff(key[order]) != 0 for key in keys]))
    return rank, int(rank[order[-1]]) + 1
