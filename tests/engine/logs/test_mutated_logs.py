"""Readings in are readings out: damage to a row never takes another row away, and nothing goes without being counted.

The truth is the log before the damage. ``tests/benchmarks/fuzz.py`` tries more.
"""

from __future__ import annotations

import pytest
from turnrow.tests.engine.logs.log_mutations import fault_of

LOGS, PARTS = 1000, 10
MOST_REFUSED = 0.05
"""A log with a few damaged rows is to be read."""


@pytest.mark.parametrize("part", range(PARTS))
def test_no_reading_of_a_damaged_log_goes_unsaid(tmp_path, part):
    faults = [fault_of(seed, tmp_path) for seed in range(part, LOGS, PARTS)]
    assert [fault for fault in faults if fault not in ("", "refused")] == []
    assert faults.count("refused") <= MOST_REFUSED * len(faults)
