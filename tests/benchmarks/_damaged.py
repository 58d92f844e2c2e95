"""Tries damaged inputs, as many as wanted: what is wrong with which seed, how many were refused, and the slowest."""

from __future__ import annotations

import resource
import signal
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Callable, Optional

LONGEST_S = 10.0
MOST_BYTES = 3 << 30
Fault = Callable[[int, Path], str]
"""From a seed and a folder to what is wrong: empty, ``refused``, or a sentence."""


class TooLong(Exception):
    """A case takes longer than it may."""


def try_all(fault_of: Fault, what: str, count: int, seed: int) -> None:
    """Try cases with seeds from ``seed`` on; one that takes longer than ``LONGEST_S`` is ended and named.

    Parameters
    ----------
    fault_of : callable
    what : str
        What a case is, in the plural.
    count, seed : int
    """
    signal.signal(signal.SIGALRM, _end_case)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    verdicts: Counter = Counter()
    slowest = (0.0, 0)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(seed, seed + count):
            start = time.perf_counter()
            fault = _fault(fault_of, number, Path(folder))
            slowest = max(slowest, (time.perf_counter() - start, number))
            verdicts[fault if fault in ("", "refused") else "wrong"] += 1
            if fault not in ("", "refused"):
                print(fault)
    print(f"{count} {what}: {verdicts['']} read, {verdicts['refused']} refused, {verdicts['wrong']} wrong; ", end="")
    print(f"the slowest took {slowest[0]:.2f} s (seed {slowest[1]})")


def _end_case(signal_number: int, frame: Optional[FrameType]) -> None:
    raise TooLong


def _fault(fault_of: Fault, seed: int, folder: Path) -> str:
    """Return what is wrong with one case; a crash and a case without end are named by their seed."""
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    try:
        return fault_of(seed, folder)
    except TooLong:
        return f"seed {seed}: ended after {LONGEST_S:g} s"
    except Exception:
        return f"seed {seed}: {traceback.format_exc()}"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
