"""Constants of the interpolation that were set by trial: ``python tests/calibration/interpolate.py [COUNT] [SEED]``.

COUNT grids of 20 m are walked over random sites with lines half a metre or a metre from each other, noise of 0.05 to
0.6, and every fourth line missing in half of them; they are interpolated with each constant as it is and with other
values. Constants of the standard error are judged by the logarithmic score of value and standard error against the
truth where lines are missing and half-way between lines; those of values by the root mean square error: the line beyond
the outer one by its prediction of lines that were left out, the smoothing spline by the map. Takes about a minute.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from _values import Trial, count_and_seed, judge, log_score, register_plugin

register_plugin()

from turnrow.processing_provider.engine.core import Readings  # noqa: E402
from turnrow.processing_provider.engine.geometry import Lattice  # noqa: E402
from turnrow.processing_provider.engine.interpolate import (  # noqa: E402
    extrapolation,
    interpolate_readings,
    smoothing_spline,
    standard_error,
)
from turnrow.processing_provider.engine.interpolate.along_lines import traverses_of  # noqa: E402
from turnrow.sample_project.simulator import walks as walk  # noqa: E402

SIZE_M, COUNT = 20.0, 60
OUTER = 3
"""Lines on either side that the line beyond the outer one is judged by."""
OF_THE_ERROR = (
    Trial("WINDOW_M", (standard_error,), (0.25, 0.5, 2.0, 4.0)),
    Trial("CLEAR", (standard_error,), (0.05, 0.1, 0.4, 0.8)),
    Trial("FAINT", (standard_error,), (0.03, 0.3)),
    Trial("POWERS", (standard_error,), ((0.5, 1.8), (0.5, 3.2), (0.25, 2.4), (1.0, 2.4))),
    Trial("DEFAULT_POWER", (standard_error,), (1.2, 1.5, 2.0, 2.4)),
)
OF_VALUES = (Trial("SAMPLE", (smoothing_spline,), (2, 4, 16, 32)),)
OF_THE_NEXT_LINE = (Trial("LINES", (extrapolation,), (3, 4, 6, 7, 9)),)


class Case(NamedTuple):
    """A walk: readings in use, all readings, the field, the distance between lines, and the noise."""

    readings: Readings
    field: walk.Field
    spacing: float
    noise: float


def cases(count: int, seed: int) -> list[Case]:
    """Return so many walks."""
    found = []
    for number in range(count):
        rng = np.random.default_rng(seed + number)
        field = (walk.site, walk.geology)[number % 4 == 3](SIZE_M, rng)
        spacing, noise = (0.5, 1.0)[number % 3 == 2], (0.05, 0.15, 0.3, 0.6)[number % 4]
        readings = walk.walk(field, rng, walk.Faults(noise=noise), spacing=spacing).readings
        if number % 2:
            readings = readings.take(~np.isin(readings.line, np.arange(5, SIZE_M / spacing - 1, 4)))
        found.append(Case(readings, field, spacing, noise))
    return found


def mapped(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Return errors and standard errors of a map away from its edges."""
    # Columns of cells in the middle of lines and half-way between them.
    lattice = Lattice.covering(0.0, 0.0, SIZE_M, SIZE_M, case.spacing / 2)
    result = interpolate_readings(case.readings, "eca", lattice)
    v, u = np.meshgrid(lattice.y, lattice.x, indexing="ij")
    inner = slice(4, -4), slice(4, -4)
    return (result.values - case.field.at(u, v))[inner], result.standard_error[inner]


def score_of_error(case: Case) -> float:
    """Return the logarithmic score of a map."""
    return log_score(*mapped(case))


def score_of_values(case: Case) -> float:
    """Return the root mean square error of a map, by the noise."""
    return float(np.sqrt(np.nanmean(mapped(case)[0] ** 2)) / case.noise)


def score_of_next_line(case: Case) -> float:
    """Return the root mean square error of lines predicted from those beside them, by their standard deviation."""
    lines = traverses_of(case.readings, np.arange(len(case.readings)), "eca", "")
    error, size = [], []
    for out in range(1, OUTER + 1):
        for part in (slice(0, -out), slice(out, None)):
            z, u = lines.z[:, part].copy(), np.ascontiguousarray(lines.u[:, part])
            known = np.isfinite(z)
            edge = -1 if part.start == 0 else 0
            expected = z[:, edge].copy()
            known[:, edge] = False
            extrapolation.extrapolate_lines(u, z, np.zeros_like(z), known, spacing_m=lines.spacing_m, noise=lines.noise)
            error.append(z[:, edge] - expected)
            size.append(expected - np.nanmean(expected))
    return float(np.sqrt(np.nanmean(np.square(error)) / np.nanmean(np.square(size))))


def main() -> None:
    """Judge all constants."""
    walks = cases(*count_and_seed(COUNT))
    judge(OF_THE_ERROR, walks, score_of_error, "Logarithmic score of maps")
    judge(OF_VALUES, walks, score_of_values, "Error of maps by the noise (smoothing spline)")
    judge(OF_THE_NEXT_LINE, walks, score_of_next_line, "Error of the line beyond the outer one by its spread")


if __name__ == "__main__":
    main()
