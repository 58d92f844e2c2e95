"""A trace to draw."""

import numpy as np
from turnrow.plugin.profile.traces import Trace


def trace(values, x=None, flag=None):
    n = len(values)
    x = np.arange(n, dtype=float) if x is None else x
    return Trace(("A", 1, 1), x, values, values + 1.0, np.zeros(n, np.uint16) if flag is None else flag,
                 np.arange(n), np.arange(n, dtype=float), np.stack([x, x], axis=1))  # fmt: skip
