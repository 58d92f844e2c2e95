"""Order of the rows of a table by keys, such as grid, line and recording."""

from __future__ import annotations

import numpy as np


def same_as_before(*keys: np.ndarray) -> np.ndarray:
    """Return (n - 1,) whether rows, from the second one on, have the keys of the one before."""
    same = keys[0][1:] == keys[0][:-1]
    for key in keys[1:]:
        same &= key[1:] == key[:-1]
    return same


def is_ascending(*keys: np.ndarray) -> bool:
    """Return whether rows are sorted by the keys, the first one first."""
    falls = [key[1:] < key[:-1] for key in keys]
    return not any(np.any(fall & same_as_before(*keys[:i]) if i else fall) for i, fall in enumerate(falls))


def count_within(*keys: np.ndarray) -> np.ndarray:
    """Return (n,) int32, how many earlier rows have the same keys."""
    n = len(keys[0])
    order = np.lexsort((np.arange(n), *keys[::-1]))
    change = np.ones(n, bool)
    for key in keys:
        sorted_key = key[order]
        change[1:] &= sorted_key[1:] == sorted_key[:-1]
    new = ~change
    new[:1] = True
    start = np.maximum.accumulate(np.where(new, np.arange(n), 0))
    seq = np.empty(n, np.int32)
    seq[order] = np.arange(n) - start
    return seq
