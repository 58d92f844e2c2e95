"""What every benchmark needs: the checkout as the package ``turnrow``, no screen, and wall time beside CPU time.

CPU time is that of this process with all its threads and of the programs that it waited for. Other work on the machine
disturbs it least; where it is well above wall time, threads worked side by side, and well below, something was waited
for.
"""

from __future__ import annotations

import importlib.util
import os
import resource
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Callable, Generic, Iterator, Mapping, TypeVar

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

ROOT = Path(__file__).resolve().parents[2]
Result = TypeVar("Result")

if "turnrow" not in sys.modules:
    _spec = importlib.util.spec_from_file_location(
        "turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    assert _spec is not None
    assert _spec.loader is not None
    sys.modules["turnrow"] = importlib.util.module_from_spec(_spec)
    _spec.loader.exec_module(sys.modules["turnrow"])


@dataclass(frozen=True)
class Measured(Generic[Result]):
    """Seconds that a call took on the wall and of the processor, and what it returned."""

    wall_s: float
    cpu_s: float
    result: Result

    def __str__(self) -> str:
        return f"{self.wall_s:.2f} s wall, {self.cpu_s:.2f} s CPU"


def cpu_s() -> float:
    """Return what this process and the programs that it waited for have used of the processor, seconds."""
    programs = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + programs.ru_utime + programs.ru_stime


def measured(function: Callable[[], Result]) -> Measured[Result]:
    """Call a function once."""
    wall, cpu = time.perf_counter(), cpu_s()
    result = function()
    return Measured(time.perf_counter() - wall, cpu_s() - cpu, result)


def best_of(
    count: int, function: Callable[[], Result], *, patience_s: float = float("inf"), warm_up: bool = False
) -> Measured[Result]:
    """Call a function up to ``count`` times and return its least wall time and its least CPU time.

    Parameters
    ----------
    count : int
    function : callable
    patience_s : float
        No further call once the calls together took this long.
    warm_up : bool
        Call it once before, unmeasured: first calls import modules.

    Returns
    -------
    Measured
        With the result of the last call.
    """
    if warm_up:
        function()
    calls = [measured(function)]
    while len(calls) < count and sum(call.wall_s for call in calls) < patience_s:
        calls.append(measured(function))
    return Measured(min(call.wall_s for call in calls), min(call.cpu_s for call in calls), calls[-1].result)


def print_times(times: Mapping[str, Measured], what: str = "") -> None:
    """Print wall and CPU seconds, a row each."""
    width = max(map(len, [what, *times]))
    print(f"{what:{width}s} {'wall s':>9s} {'CPU s':>9s}")
    for name, taken in times.items():
        print(f"{name:{width}s} {taken.wall_s:9.3f} {taken.cpu_s:9.3f}")


@contextmanager
def whole_benchmark() -> Iterator[None]:
    """Print at the end what the benchmark took as a whole."""
    wall, cpu = time.perf_counter(), cpu_s()
    yield
    print(f"\nThe whole benchmark: {Measured(time.perf_counter() - wall, cpu_s() - cpu, None)}")
