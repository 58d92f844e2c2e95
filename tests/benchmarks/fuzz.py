"""Damaged logs, as many as wanted: python tests/benchmarks/fuzz.py [COUNT [SEED]].

Each is a valid log with damage of ``tests/engine/logs/log_mutations.py``. Prints what is wrong with a seed that tries
it again, how many were refused, and the time of the slowest; a log that takes longer than 10 s is ended and named.
"""

from __future__ import annotations

import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Optional

from _measure import whole_benchmark
from turnrow.tests.engine.logs.log_mutations import fault_of

LONGEST_S = 10.0


class TooLong(Exception):
    """A log takes longer than it may."""


def end_case(signal_number: int, frame: Optional[FrameType]) -> None:
    """End a log that takes too long."""
    raise TooLong


def try_log(seed: int, folder: Path) -> str:
    """Return what is wrong with one damaged log; a crash and a log without end are named by their seed."""
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    try:
        return fault_of(seed, folder)
    except TooLong:
        return f"seed {seed}: ended after {LONGEST_S:g} s"
    except Exception:
        return f"seed {seed}: {traceback.format_exc()}"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)


def main(count: str = "10000", seed: str = "1000") -> None:
    """Try damaged logs with seeds from ``seed`` on."""
    signal.signal(signal.SIGALRM, end_case)
    verdicts: Counter = Counter()
    slowest = (0.0, 0)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(int(seed), int(seed) + int(count)):
            start = time.perf_counter()
            fault = try_log(number, Path(folder))
            slowest = max(slowest, (time.perf_counter() - start, number))
            verdicts[fault if fault in ("", "refused") else "wrong"] += 1
            if fault not in ("", "refused"):
                print(fault)
    print(f"{count} logs: {verdicts['']} read, {verdicts['refused']} refused, {verdicts['wrong']} wrong; ", end="")
    print(f"the slowest took {slowest[0]:.2f} s (seed {slowest[1]})")


if __name__ == "__main__":
    with whole_benchmark():
        main(*sys.argv[1:])
