"""Constants of the band-pass that were set by trial: ``python tests/calibration/filters.py [COUNT] [SEED]``.

COUNT grids of 20 m are walked over random sites with a lag of 0.4 m and all faults of an ordinary walk; the lag is
estimated with the band-pass as it is and with other values. Judged by the error of the lag in metres. Takes about a
minute.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from _values import Trial, count_and_seed, judge, register_plugin

register_plugin()

from turnrow.processing_provider.engine.align import align_opposing, lag  # noqa: E402
from turnrow.processing_provider.engine.core import Readings, filters  # noqa: E402
from turnrow.processing_provider.engine.flag import flag_outliers  # noqa: E402
from turnrow.sample_project.simulator import walks as walk  # noqa: E402

SIZE_M, LAG_M, COUNT = 20.0, 0.4, 40
TRIALS = (
    Trial("FINE_M", (filters,), (0.05, 0.1, 0.2, 0.3, 0.45)),
    Trial("COARSE_M", (filters,), (0.5, 0.75, 1.0, 2.0, 3.0)),
    Trial("CLIP", (filters,), (2.0, 3.0, 6.0, 12.0)),
)


def case(seed: int) -> Readings:
    """Return the readings of a walk."""
    rng = np.random.default_rng(seed)
    return flag_outliers(walk.walk(walk.site(SIZE_M, rng), rng, walk.usual(LAG_M)).readings)[0]


def error_of_lag(readings: Readings) -> float:
    """Return the error of the lag in metres; that of no lag where none is found."""
    # The default of the band-pass is bound when it is defined.
    own, lag.band_pass = lag.band_pass, partial(filters.band_pass, coarse_m=filters.COARSE_M)
    try:
        found = align_opposing(readings, per_traverse=False)[1].figures.estimate_m
    finally:
        lag.band_pass = own
    return LAG_M if found is None else abs(found + LAG_M)


def main() -> None:
    """Judge all constants."""
    count, seed = count_and_seed(COUNT)
    judge(TRIALS, [case(seed + number) for number in range(count)], error_of_lag, "Error of the lag in metres")


if __name__ == "__main__":
    main()
