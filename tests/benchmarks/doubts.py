"""How often a line at the wrong place is found by its readings alone: python tests/benchmarks/doubts.py [sites].

On random sites walked with all the usual faults: clean grids that raise a doubt, lines turned round, and lines counted
from a station 1.5 to 6 m off.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]


def load(name: str, path: Path):
    """Import a file as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


load("turnrow_tests", TESTS / "conftest.py")
walk = load("turnrow_test_walk", TESTS / "engine" / "walk.py")
from turnrow.processing_provider.engine.doubts import doubts_of  # noqa: E402
from turnrow.processing_provider.engine.readings import flag_bit  # noqa: E402


def turned_round(rows, _):
    """Return where the values of a line go, which ones, and what is lost: the opposite order."""
    return rows, rows[::-1], rows[:0]


def moved(rows, rng):
    """Return the same for a line counted from another station, to either side."""
    count = int(rng.integers(12, 49))
    first, last = rows[:-count], rows[count:]
    return (last, first, rows[:count]) if rng.random() < 0.5 else (first, last, rows[-count:])


def spoilt(readings, places):
    """Return the readings with one line's values at other places."""
    there, here, lost = places
    values, flag = readings.channels["eca"].copy(), readings.flag.copy()
    values[there], flag[there] = readings.channels["eca"][here], readings.flag[here]
    flag[lost] |= flag_bit("missing")
    return readings.replace(channels={"eca": values}, flag=flag)


def main() -> None:
    """Print shares over the sites."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    alarms, others = 0, 0
    found = {"line-reversed": 0, "line-shifted": 0}
    for number in range(sites):
        rng = np.random.default_rng(9000 + number)
        size, lag = rng.choice([20.0, 30.0]), rng.uniform(0.15, 0.6)
        readings = walk.walk(walk.site(size, rng), rng, walk.usual(lag)).readings
        alarms += bool(doubts_of(readings))
        for code, change in (("line-reversed", turned_round), ("line-shifted", moved)):
            line = int(rng.integers(2, readings.line.max()))
            rows = np.flatnonzero(readings.line == line)
            told = [(f.code, f.line) for f in doubts_of(spoilt(readings, change(rows, rng)))]
            found[code] += (code, line) in told
            others += any(other != line for _, other in told)
    print(f"{sites} sites: {alarms} clean grids with a doubt, {others} doubts about another line than the spoilt one")
    for code, count in found.items():
        print(f"{code}: {count} of {sites} found ({count / sites:.0%})")


if __name__ == "__main__":
    main()
