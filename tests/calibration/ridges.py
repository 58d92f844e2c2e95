"""Finds the constants of ridges and of drift again: ``python tests/calibration/ridges.py [COUNT] [SEED]``.

COUNT grids of 20 m (``sample_project/simulator/walks.py``). How many are said to have ridges by ``RIDGES_LEVEL``, of
those with ordinary faults and no ridges; and by how much the drift that is found exceeds noise and residuals
(``DRIFT_PROOF``), in walks with nothing wrong but noise and in those that drift besides. All with three ties.
"""

from __future__ import annotations

import numpy as np
from _values import changed, register_plugin
from sweep import count_and_seed

register_plugin()

from turnrow.processing_provider.engine.balance import controlled_levels, line_levels, line_spectrum  # noqa: E402
from turnrow.processing_provider.engine.core import CARRIED, Readings, lines_of, robust_sd  # noqa: E402
from turnrow.sample_project.simulator import walks  # noqa: E402


def walked(faults: walks.Faults, count: int, seed: int) -> list[Readings]:
    """Return grids that were walked with some faults."""
    found = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        found.append(walks.walk(walks.site(20.0, rng), rng, faults, ties=(5.0, 10.0, 15.0)).readings)
    return found


def has_ridges(readings: Readings) -> bool:
    """Return whether ridges are found."""
    lines = lines_of(readings)
    return line_spectrum.look_across(lines, lines.resample(readings, readings.channels["eca"])).ridges is not None


def drift_ratio(readings: Readings) -> float:
    """Return the variance of the drift that is found, in that of noise and residuals."""
    lines = lines_of(readings)
    noise = line_spectrum.look_across(lines, lines.resample(readings, readings.channels["eca"])).noise_sd
    levels = controlled_levels(readings, "eca", CARRIED)[1]
    return float(np.var(levels.drift_mean) / (noise**2 + robust_sd(levels.control_residual) ** 2))


def main() -> None:
    """Print both."""
    count, seed = count_and_seed(200, 1)
    usual = walked(walks.usual(0.3), count, seed)
    for level in (0.02, 0.06, 0.2):
        with changed([line_spectrum], "RIDGES_LEVEL", level):
            found = np.mean([has_ridges(one) for one in usual])
        print(f"RIDGES_LEVEL {level:g}: {100 * found:.1f} % ({100 * np.sqrt(found * (1 - found) / count):.1f})")
    for name, faults in (("noise alone", walks.Faults(noise=0.02)), ("drift", walks.Faults(noise=0.02, drift=0.3))):
        ratios = [drift_ratio(one) for one in walked(faults, count // 10, seed)]
        proven = sum(ratio > line_levels.DRIFT_PROOF for ratio in ratios)
        print(f"DRIFT_PROOF, {name}: proven {proven} of {len(ratios)}, {min(ratios):.2g} to {max(ratios):.2g}")


if __name__ == "__main__":
    main()
