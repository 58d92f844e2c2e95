"""Logs that hold several grids: which part is a grid's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core import EngineError, Readings
from turnrow.processing_provider.engine.workflow.log_parts import part_of_grid

LOG = Path("day.csv")


def log_of(*names):
    """Three readings of each grid."""
    grid = np.repeat(np.arange(len(names)), 3).astype(np.int32)
    return Readings.build(np.ones(len(grid), int), {"eca": np.arange(len(grid), dtype=float)}, grids=names, grid=grid)


def test_a_grid_is_known_in_other_capitals():
    part = part_of_grid(log_of("a", "b"), "B", LOG, {"A", "B"})
    assert (part.grids, part.channels["eca"].tolist()) == (("B",), [3, 4, 5])


def test_a_name_of_another_grid_of_the_register_is_none_of_this():
    with pytest.raises(EngineError, match="day.csv holds the grids a, but not A."):
        part_of_grid(log_of("a"), "A", LOG, {"A", "a"})
