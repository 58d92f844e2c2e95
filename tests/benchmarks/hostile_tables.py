"""Damaged registers, corners, notes and layouts: python tests/benchmarks/hostile_tables.py [COUNT [SEED]].

Each is a small survey with damage of ``tests/engine/workflow/table_mutations.py``, read, placed, corrected and mapped.
Prints what is wrong with a seed that tries it again, how many were refused, and the time of the slowest; one that takes
longer than 10 s is ended and named.
"""

from __future__ import annotations

import sys

from _damaged import try_all
from _measure import whole_benchmark
from turnrow.tests.engine.workflow.table_mutations import fault_of


def main(count: str = "300", seed: str = "1000") -> None:
    """Try damaged tables with seeds from ``seed`` on."""
    try_all(fault_of, "surveys", int(count), int(seed))


if __name__ == "__main__":
    with whole_benchmark():
        main(*sys.argv[1:])
