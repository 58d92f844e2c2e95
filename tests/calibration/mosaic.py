"""Constants of the mosaic that were set by trial: ``python tests/calibration/mosaic.py [COUNT] [SEED]``.

COUNT blocks of 3 x 3 grids of 10 m are simulated, without tie lines and without base readings, put through flagging,
aligning and balancing, and levelled with each constant as it is and with other values. A setting is judged by how well
it predicts the true levels of the grids: minus the mean logarithm of their density under the levels and standard errors
found, so that wrong levels and standard errors that claim too much both count, and likewise by what is left within the
grids. Printed are, for each constant, the score of each value less that of the value in the code with its standard
error over the blocks, and the values that are no worse than the best one by two standard errors: the constant with its
spread.

Then rounds that only have to be enough: by how much the levels change, in their standard errors, where they are
doubled.
"""

from __future__ import annotations

import importlib.util
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import Iterator

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
spec = importlib.util.spec_from_file_location("turnrow_tests_conftest", TESTS / "conftest.py")
sys.modules["turnrow_tests_conftest"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["turnrow_tests_conftest"])

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
VALUES = (
    (normal_equations, "SHARED", (0.1, 0.5, 2.0)),
    (adjustment, "TAIL", (2.0, 4.0, 16.0)),
    (adjustment, "SEAM_TAIL", (1.5, 3.0, 12.0)),
    (normal_equations, "FRACTION_SD", (0.25, 0.5, 1.0)),
    (drift_within, "LEAST_DRIFT", (0.35, 0.7, 1.4)),
    (edge_steps, "PRIOR_WEIGHT", (0.5, 2.0, 8.0)),
    (edge_steps, "LEAST_SCALE", (0.1, 0.3, 0.6)),
    (edge_steps, "SIDE", (6, 12, 24)),
    (observations, "ALONG_BORDER", (0.3, 0.6, 0.9)),
    (strip_features, "LEAST_SEEN", (0.1, 0.3, 0.5)),
    (strip_features, "HEIGHT_SCALE", (0.01, 0.03, 0.1)),
    (strip_features, "TAIL", (0.2, 0.5, 2.0)),
    (strip_features, "UNKNOWN", (30.0, 300.0, 3000.0)),
    (strip_features, "ROUNDS", (10, 20, 40)),
)
COMPUTATION = (
    (adjustment, "ROUNDS", 20),
    (edge_steps, "ROUNDS", 6),
)


@contextmanager
def changed(module, name: str, value: float) -> Iterator[None]:
    """Give a constant another value for a while."""
    before = getattr(module, name)
    setattr(module, name, value)
    try:
        yield
    finally:
        setattr(module, name, before)


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


def score(readings, truth: np.ndarray) -> float:
    """Return minus the mean log density of the readings' errors: of the grids' levels, and within the grids."""
    balanced, record = balance_grids(readings)
    error = np.array([row.standard_error for row in record.table])
    off = means(balanced, balanced.channels["eca"] - truth)
    levels = np.mean(((off - off.mean()) / error) ** 2 / 2 + np.log(error))
    within = balanced.channels["eca"] - truth - off[balanced.grid]
    spread = np.sqrt(means(balanced, within**2))
    return float(levels + np.mean(np.log(spread)))


def main(count: int = 8, seed: int = 100) -> None:
    """Print the constants with their spreads."""
    blocks = [block(seed + number) for number in range(count)]
    print(f"{count} blocks; score less that of the value in the code, lower is better")
    base = np.array([score(*one) for one in blocks])
    for module, name, values in VALUES:
        stage, own = module.__name__.rpartition(".")[2], getattr(module, name)
        found = {}
        for value in values:
            with changed(module, name, value):
                found[value] = (np.array([score(*one) for one in blocks]) if value != own else base) - base
        best = min(found, key=lambda value: found[value].mean())
        spread = [v for v, d in found.items() if (d - found[best]).mean() <= 2 * (d - found[best]).std() / count**0.5]
        text = "  ".join(f"{v:g}: {d.mean():+.3f} +- {d.std() / count**0.5:.3f}" for v, d in found.items())
        kept = "kept" if own in spread else f"BETTER: {best:g}"
        print(f"{stage}.{name} = {own:g}, {min(spread):g} to {max(spread):g} ({kept})   {text}")
    for module, name, value in COMPUTATION:
        stage, own, moved = module.__name__.rpartition(".")[2], getattr(module, name), 0.0
        for readings, _ in blocks:
            plain = balance_grids(readings)[1].table
            with changed(module, name, value):
                other = balance_grids(readings)[1].table
            moved = max(moved, *(abs(a.offset - b.offset) / a.standard_error for a, b in zip(plain, other)))
        print(f"{stage}.{name} = {own:g}; with {value:g} no level changes by more than {moved:.4f} standard errors")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
