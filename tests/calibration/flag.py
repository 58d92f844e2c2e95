"""Constants of flagging that were set by trial: ``python tests/calibration/flag.py [COUNT] [SEED]``.

COUNT grids of 20 m are simulated with single spikes; in each, 60 further outliers of 10 to 40 times the noise are
planted, one, two or three readings in a row. Flagging is judged by outliers that were missed and readings that were
flagged without cause, both in percent of all outliers. Printed are, for each constant, that sum for each value less
that of the value in the code with its standard error over the grids, and the values that are no worse than the best one
by two standard errors: the constant with its spread.

A smaller weight of the gradient misses fewer outliers here; the one in the code spares the tops of sharp anomalies,
which these sites hardly have (see its docstring).
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
spec = importlib.util.spec_from_file_location("turnrow_tests_conftest", TESTS / "conftest.py")
sys.modules["turnrow_tests_conftest"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["turnrow_tests_conftest"])

from turnrow.processing_provider.engine.flag import flag_outliers, outliers  # noqa: E402
from turnrow.sample_project.simulator import walks as walk  # noqa: E402

PLANTED = 60
VALUES = (
    ("GRADIENT_WEIGHT", (0.25, 0.5, 1.0)),
    ("NEIGHBOUR_REACH_M", (0.15, 0.3, 0.6)),
    ("NEIGHBOUR_FRACTION", (0.15, 0.3, 0.6)),
    ("SAFETY", (1.0, 2.0, 4.0)),
    ("ALOOF", (0.1, 1 / 3, 0.6)),
)


def grid(seed: int):
    """Return the readings of a grid with outliers, and which readings are outliers."""
    rng = np.random.default_rng(seed)
    walked = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3))
    readings, planted = walked.readings, walked.spike != 0
    values = readings.channels["eca"].copy()
    rows = np.flatnonzero(readings.in_use)
    noise = outliers.noise_of_runs(values[rows], readings.line[rows])
    for start in rng.choice(rows[5:-5], PLANTED, replace=False):
        run = np.arange(start, start + rng.integers(1, 4))
        if planted[start - 6 : start + 9].any() or len(set(readings.line[run])) > 1:
            continue
        values[run] += rng.choice([-1, 1]) * rng.uniform(10, 40) * noise
        planted[run] = True
    return readings.replace(channels={"eca": values}), planted & readings.in_use


def score(readings, planted: np.ndarray) -> float:
    """Return outliers missed and readings flagged without cause, in percent of the outliers."""
    found = flag_outliers(readings)[0].has_flag("outlier")
    return 100 * float(np.count_nonzero(planted & ~found) + np.count_nonzero(found & ~planted)) / planted.sum()


def main(count: int = 12, seed: int = 100) -> None:
    """Print the constants with their spreads."""
    grids = [grid(seed + number) for number in range(count)]
    base = np.array([score(*one) for one in grids])
    print(
        f"{count} grids; {base.mean():.1f} % missed or flagged without cause; differences in percent, lower is better"
    )
    for name, values in VALUES:
        own, found = getattr(outliers, name), {}
        for value in values:
            setattr(outliers, name, value)
            found[value] = np.array([score(*one) for one in grids]) - base
            setattr(outliers, name, own)
        best = min(found, key=lambda value: found[value].mean())
        spread = [v for v, d in found.items() if (d - found[best]).mean() <= 2 * (d - found[best]).std() / count**0.5]
        text = "  ".join(f"{v:.3g}: {d.mean():+.2f} +- {d.std() / count**0.5:.2f}" for v, d in found.items())
        kept = "kept" if own in spread else f"BETTER: {best:.3g}"
        print(f"{name} = {own:.3g}, {min(spread):.3g} to {max(spread):.3g} ({kept})   {text}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
