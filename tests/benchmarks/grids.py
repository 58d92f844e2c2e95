"""How well neighbouring grids come to one level: tests/benchmarks/grids.py [blocks of 3 x 3 grids] [first seed]."""

from __future__ import annotations

import sys
from functools import partial

import numpy as np
from _measure import measured, whole_benchmark
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.balance.balance import balance_traverses
from turnrow.processing_provider.engine.core.readings import concatenate
from turnrow.processing_provider.engine.flag.outliers import flag_outliers
from turnrow.processing_provider.engine.mosaic.seams import MODELS, balance_grids
from turnrow.sample_project.simulator import walks as walk

SIZE = 20.0
EDGE = 1.0


def levels(readings, truth) -> np.ndarray:
    """Mean of readings minus truth of each grid, their mean taken off."""
    used = readings.in_use & (readings.kind == 0)
    off = (readings.channels["eca"] - truth)[used]
    mean = np.bincount(readings.grid[used], off) / np.bincount(readings.grid[used])
    return mean - mean.mean()


def map_error(readings, truth) -> float:
    """Standard deviation over all grids of readings minus truth: what a map of the block is off, the mean off."""
    used = readings.in_use & (readings.kind == 0)
    return float(np.std((readings.channels["eca"] - truth)[used]))


def edges(readings) -> list[tuple[int, int, float]]:
    """Difference of the mean readings within a metre of each common edge: what matching by pairs goes by."""
    used, found = readings.in_use & (readings.kind == 0), []
    for g in range(9):
        for h, axis in ((g + 3, readings.x), (g + 1, readings.y)):
            if h < 9 and (h == g + 3 or h % 3):
                edge = SIZE * (g // 3 + 1 if h == g + 3 else g % 3 + 1)
                near = used & (np.abs(axis - edge) < EDGE)
                means = [np.mean(readings.channels["eca"][near & (readings.grid == k)]) for k in (g, h)]
                found.append((g, h, means[0] - means[1]))
    return found


def pairwise(readings) -> np.ndarray:
    """Levels by matching edge means one grid after the other, each with the first neighbour that is done."""
    level = {0: 0.0}
    steps = {**{(g, h): d for g, h, d in edges(readings)}, **{(h, g): -d for g, h, d in edges(readings)}}
    while len(level) < 9:
        g, h = next((g, h) for g, h in steps if g in level and h not in level)
        level[h] = level[g] - steps[g, h]
    found = np.array([level[g] for g in range(9)])
    return found - found.mean()


def seam_error(readings, level) -> float:
    """Root mean square of the steps between edge means that a set of levels leaves."""
    return float(np.sqrt(np.mean([(d - level[g] + level[h]) ** 2 for g, h, d in edges(readings)])))


def one_block(seed: int, ties: bool, base_every: int, one_spot: bool) -> dict[str, float]:
    """Return the figures of one block of 3 x 3 grids."""
    rng = np.random.default_rng(seed)
    lag = rng.uniform(0.15, 0.6)
    at = (SIZE / 6, SIZE / 2, 5 * SIZE / 6) if ties else ()
    how = {"ties": at, "base_every": base_every, "one_spot": one_spot}
    walks = walk.block(rng, walk.usual(lag), across=3, size_m=SIZE, level=1.25, **how)
    readings, _ = align_opposing(flag_outliers(concatenate([w.readings for w in walks]))[0])
    readings, _ = balance_traverses(readings)
    # Base readings have no position.
    truth = walks[0].field.at(np.nan_to_num(readings.x), np.nan_to_num(readings.y))
    true = levels(readings, truth)
    result = {"levels: nothing": np.std(true), "levels: pairwise": np.std(true - pairwise(readings))}
    for model in MODELS:
        taken = measured(partial(balance_grids, readings, model=model))
        balanced, record = taken.result
        result[f"levels: {model}"] = np.std(levels(balanced, truth))
        result[f"map: {model}"] = map_error(balanced, truth)
        if model == "offset":
            offset, error = (np.array([getattr(r, k) for r in record.table]) for k in ("offset", "standard_error"))
            within = float(np.mean(np.abs(true - offset) < 2 * error)), float(np.mean(error)), taken
            own = offset[readings.grid]
            level = readings.replace(channels={"eca": readings.channels["eca"] - own})
            result["map: offset, levels alone"] = map_error(level, truth)
            seams = seam_error(readings, np.zeros(9)), seam_error(readings, offset), seam_error(readings, true)
    result["levels: standard error"] = within[1]
    result["fraction within 2 se"] = within[0]
    result.update(zip(("edges: nothing", "edges: offset", "edges: true levels"), seams))
    result["wall ms per 1000 readings"] = within[2].wall_s * 1e6 / len(readings)
    result["CPU ms per 1000 readings"] = within[2].cpu_s * 1e6 / len(readings)
    return result


def main() -> None:
    """Print medians and means over the blocks."""
    blocks = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    # Nobody looked at the usual blocks while the step was made.
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 3000
    layouts = (
        ("three tie lines a grid", True, 0, False),
        ("base readings every ten lines on one spot", False, 10, True),
        ("base readings every ten lines, each grid on a spot of its own", False, 10, False),
        ("neither ties nor base readings", False, 0, False),
    )
    with whole_benchmark():
        for title, *layout in layouts:
            print(title)
            results = [one_block(first + number, *layout) for number in range(blocks)]
            for name in results[0]:
                values = np.array([r[name] for r in results])
                print(f"{name:27s} median {np.median(values):7.3f}   mean {values.mean():7.3f}   "
                      f"worst {values.max():7.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
