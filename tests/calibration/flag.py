"""Constants of flagging that were set by trial: ``python tests/calibration/flag.py [COUNT] [SEED]``.

COUNT grids of 20 m are simulated with single spikes; in each, 60 further outliers of 10 to 40 times the noise are
planted, one, two or three readings in a row. Flagging is judged by outliers that were missed and readings that were
flagged without cause, both in percent of all outliers. Printed are, for each constant, that sum for each value less
that of the value in the code with its standard error over the grids, and the values that are no worse than the best one
by two standard errors: the constant with its spread.

Of the others no value is better than that in the code by more than half a percent of the outliers. A smaller weight of
the gradient misses fewer outliers here; the one in the code spares the tops of sharp anomalies, which these sites
hardly have (see its docstring). Ten seconds by default.
"""

from __future__ import annotations

import numpy as np
from _values import Trial, count_and_seed, judge, register_plugin

register_plugin()

from turnrow.processing_provider.engine.flag import flag_outliers, outliers  # noqa: E402
from turnrow.sample_project.simulator import walks as walk  # noqa: E402

PLANTED = 60
TRIALS = (
    Trial("GRADIENT_WEIGHT", (outliers,), (0.25, 1.0)),
    Trial("NEIGHBOUR_REACH_M", (outliers,), (0.15, 0.6)),
    Trial("NEIGHBOUR_FRACTION", (outliers,), (0.15, 0.6)),
    Trial("SAFETY", (outliers,), (1.0, 4.0)),
    Trial("ALOOF", (outliers,), (0.1, 0.6)),
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


def score(case) -> float:
    """Return outliers missed and readings flagged without cause, in percent of the outliers."""
    readings, planted = case
    found = flag_outliers(readings)[0].has_flag("outlier")
    return 100 * float(np.count_nonzero(planted & ~found) + np.count_nonzero(found & ~planted)) / planted.sum()


def main() -> None:
    """Print the constants with their spreads."""
    count, seed = count_and_seed(12)
    judge(TRIALS, [grid(seed + number) for number in range(count)], score, "percent missed or flagged without cause")


if __name__ == "__main__":
    main()
