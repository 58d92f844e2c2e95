"""Damaged logs, as many as wanted: python tests/benchmarks/fuzz.py [COUNT [SEED]].

Each is a valid log with damage of ``tests/engine/logs/log_mutations.py``. Prints what is wrong with a seed that tries
it again, how many were refused, and the time of the slowest; a log that takes longer than 10 s is ended and named.
"""

from __future__ import annotations

import sys

from _damaged import try_all
from _measure import whole_benchmark
from turnrow.tests.engine.logs.log_mutations import fault_of


def main(count: str = "10000", seed: str = "1000") -> None:
    """Try damaged logs with seeds from ``seed`` on."""
    try_all(fault_of, "logs", int(count), int(seed))


if __name__ == "__main__":
    with whole_benchmark():
        main(*sys.argv[1:])
