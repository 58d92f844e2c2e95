"""Rasters that do not fit in memory are refused before any work, with cells that fit."""

import re
from pathlib import Path

import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.geometry import check_memory, memory


def test_memory_is_that_of_the_computer():
    """Source: /proc/meminfo of Linux, proc(5)."""
    resource = pytest.importorskip("resource")
    table = Path("/proc/meminfo")
    if not table.exists():
        pytest.skip("no Linux")
    total = 1024 * int(re.search(r"MemTotal:\s+(\d+) kB", table.read_text()).group(1))
    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    assert memory.memory_bytes() == pytest.approx(total if limit == resource.RLIM_INFINITY else min(total, limit))


def test_what_needs_more_than_half_is_refused_with_cells_that_fit(monkeypatch):
    monkeypatch.setattr(memory, "memory_bytes", lambda: 8e9)
    check_memory(100e6, 40, 0.01)
    with pytest.raises(EngineError) as refused:
        check_memory(400e6, 40, 0.001)
    said = str(refused.value)
    assert said.startswith("Invalid cell size: 0.001 m makes 400,000,000 cells, which need about 16.0 GB of memory.")
    assert "Here 4.0 GB can be taken. Take cells of 0.002 m or more" in said
    check_memory(400e6 / 2**2, 40, 0.002)
