"""Constants of the mosaic that were set by trial: ``python tests/calibration/mosaic.py [COUNT] [SEED]``.

COUNT blocks of 3 x 3 grids of 10 m are simulated, without tie lines and without base readings, put through flagging,
aligning and balancing, and levelled with each constant as it is and with other values. A setting is judged by how well
it predicts the true levels of the grids: minus the mean logarithm of their density under the levels and standard errors
found, so that wrong levels and standard errors that claim too much both count, and likewise by the errors within the
grids. Printed are, for each constant, the score of each value less that of the value in the code with its standard
error over the blocks, and the values that are no worse than the best one by two standard errors: the constant with its
spread.

Then rounds that only have to be enough: by how much the levels change, in their standard errors, where they are
doubled. Two minutes by default.
"""

from __future__ import annotations

import numpy as np
from _values import Trial, changed, count_and_seed, judge, log_score, register_plugin

register_plugin()

from turnrow.processing_provider.engine.align import align_opposing  # noqa: E402
from turnrow.processing_provider.engine.balance import balance_traverses  # noqa: E402
from turnrow.processing_provider.engine.core import concatenate  # noqa: E402
from turnrow.processing_provider.engine.flag import flag_outliers  # noqa: E402
from turnrow.processing_provider.engine.mosaic import (  # noqa: E402
    adjustment,
    balance_grids,
    drift_within,
    edge_steps,
    normal_equations,
    observations,
    strip_features,
)
from turnrow.sample_project.simulator import walks as walk  # noqa: E402

SIZE_M = 10.0
TRIALS = (
    Trial("SHARED", (normal_equations,), (0.1, 2.0)),
    Trial("FRACTION_SD", (normal_equations,), (0.25, 1.0)),
    Trial("TAIL", (adjustment,), (2.0, 16.0)),
    Trial("SEAM_TAIL", (adjustment,), (1.5, 12.0)),
    Trial("LEAST_DRIFT", (drift_within,), (0.0, 0.35, 1.4)),
    Trial("PRIOR_WEIGHT", (edge_steps,), (0.5, 8.0)),
    Trial("LEAST_SCALE", (edge_steps,), (0.1, 0.6)),
    Trial("SIDE", (edge_steps,), (6, 24)),
    Trial("ALONG_BORDER", (observations,), (0.3, 0.9)),
)
STRIPS = (
    Trial("LEAST_SEEN", (strip_features,), (0.1, 0.5)),
    Trial("HEIGHT_SCALE", (strip_features,), (0.01, 0.1)),
    Trial("TAIL", (strip_features,), (0.2, 2.0)),
    Trial("UNKNOWN", (strip_features,), (30.0, 3000.0)),
    Trial("ROUNDS", (strip_features,), (10, 40)),
)
ROUNDS = ((adjustment, "ROUNDS", 20), (edge_steps, "ROUNDS", 6))


def block(seed: int):
    """Return the balanced readings of a block, and their true values."""
    rng = np.random.default_rng(seed)
    walks = walk.block(rng, walk.usual(rng.uniform(0.15, 0.6)), across=3, size_m=SIZE_M, level=1.25, ties=())
    readings, _ = align_opposing(flag_outliers(concatenate([w.readings for w in walks]))[0])
    readings, _ = balance_traverses(readings)
    return readings, walks[0].field.at(readings.x, readings.y)


def means(readings, values: np.ndarray) -> np.ndarray:
    """Return (G,) means over the readings in use."""
    used = readings.in_use & np.isfinite(values)
    return np.bincount(readings.grid[used], values[used]) / np.bincount(readings.grid[used])


def score(case) -> float:
    """Return the logarithmic score of the grids' levels, and that of the errors within the grids."""
    readings, truth = case
    balanced, record = balance_grids(readings)
    off = means(balanced, balanced.channels["eca"] - truth)
    within = balanced.channels["eca"] - truth - off[balanced.grid]
    levels = log_score(off - off.mean(), np.array([row.standard_error for row in record.table]))
    return levels + float(np.mean(np.log(means(balanced, within**2))))


def main() -> None:
    """Print the constants with their spreads, and what more rounds change."""
    count, seed = count_and_seed(8)
    blocks = [block(seed + number) for number in range(count)]
    judge(TRIALS, blocks, score, "adjustment and steps: logarithmic score of levels and of errors within grids")
    judge(STRIPS, blocks, score, "strips: the same score")
    print()
    for module, name, value in ROUNDS:
        moved, own = 0.0, getattr(module, name)
        for readings, _ in blocks:
            plain = balance_grids(readings)[1].table
            with changed((module,), name, value):
                other = balance_grids(readings)[1].table
            moved = max(moved, *(abs(a.offset - b.offset) / a.standard_error for a, b in zip(plain, other)))
        stage = module.__name__.rpartition(".")[2]
        print(f"{stage}.{name} = {own}; with {value} no level changes by more than {moved:.3f} standard errors")


if __name__ == "__main__":
    main()
