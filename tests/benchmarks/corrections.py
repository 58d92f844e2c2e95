"""How well the corrections bring simulated sites back: python tests/benchmarks/corrections.py [sites]."""

from __future__ import annotations

import importlib.util
import sys
import time
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]


def load(name: str, path: Path):
    """Import a file as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


load("turnrow_tests_conftest", TESTS / "conftest.py")
walk = load("turnrow_test_walk", TESTS / "engine" / "walk.py")

from turnrow.processing_provider.engine._lines import lines_of  # noqa: E402
from turnrow.processing_provider.engine.align import align_opposing  # noqa: E402
from turnrow.processing_provider.engine.balance import balance_traverses  # noqa: E402
from turnrow.processing_provider.engine.outliers import flag_outliers  # noqa: E402


def rmse(readings, field) -> float:
    """Root mean square error of a 0.25 m map (linear between lines), the mean difference taken off."""
    lines = lines_of(readings)
    matrix = lines.resample(readings, readings.channels["eca"])
    axis = np.arange(0.625, field.size_m - 0.6, 0.25)
    along = np.stack([np.interp(axis, lines.v[k], row[k]) for row, k in zip(matrix, np.isfinite(matrix))])
    map_ = np.stack([np.interp(axis, lines.u, column) for column in along.T], axis=1)
    error = map_ - field.at(*np.meshgrid(axis, axis, indexing="ij"))
    return float(np.std(error))


def one_site(seed: int) -> dict[str, float]:
    """Return the figures of one random site."""
    rng = np.random.default_rng(seed)
    size, lag = rng.choice([20.0, 30.0]), rng.uniform(0.15, 0.6)
    walked = walk.walk(walk.site(size, rng), rng, walk.usual(lag))
    start = time.perf_counter()
    clean, spikes = flag_outliers(walked.readings)
    moved, shift = align_opposing(clean)
    balanced, levels = balance_traverses(moved)
    seconds = time.perf_counter() - start
    found = clean.has_flag("outlier")
    hits = np.count_nonzero(found & walked.spike)
    offset, error = (np.array([r[k] for r in levels["table"]]) for k in ("offset", "standard_error"))
    off = offset - offset.mean() - (walked.offset - walked.offset.mean())
    result = {
        "precision": hits / max(np.count_nonzero(found), 1),
        "recall": hits / max(np.count_nonzero(walked.spike), 1),
        "lag error m": abs(shift["figures"]["shift_m"] + lag),
        "lag error / its se": abs(shift["figures"]["estimate_m"] + lag) / shift["figures"]["shift_error_m"],
        "rmse nothing": rmse(walked.readings, walked.field),
        "rmse outliers": rmse(clean, walked.field),
        "rmse aligned": rmse(moved, walked.field),
        "rmse neighbours": rmse(balanced, walked.field),
        "offset error": np.std(off),
        "offset error / its se": np.sqrt(np.mean((off / error) ** 2)),
        "ms per 1000 readings": seconds * 1e6 / len(walked.readings),
    }
    for method in ("median", "direction only"):
        result["rmse " + method] = rmse(balance_traverses(moved, method=method)[0], walked.field)
    return result


def main() -> None:
    """Print medians over the sites."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    # Nobody looked at these sites while the corrections were made.
    results = [one_site(1000 + number) for number in range(sites)]
    for name in results[0]:
        values = np.array([r[name] for r in results])
        print(f"{name:24s} median {np.median(values):7.3f}   worst {values.max():7.3f}   least {values.min():7.3f}")


if __name__ == "__main__":
    main()
