"""Finds the constants of balancing again from simulated walks: ``python tests/calibration/balance.py [COUNT] [SEED]``.

COUNT grids of 20 m with ordinary faults (``sample_project/simulator/walks.py``), one feature along the traverses in
each, are aligned once and balanced with several values of each constant, without ties and with three. Scores are the
standard deviation of the levels of lines about the true ones, in mS/m. A minute of processor time by default.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from _values import register_plugin
from sweep import count_and_seed, print_least, print_root

register_plugin()

from turnrow.processing_provider.engine.align import align_opposing  # noqa: E402
from turnrow.processing_provider.engine.balance import (  # noqa: E402
    balance_traverses,
    line_levels,
    observations,
    spike_and_slab,
    tie_crossovers,
    variance_components,
)
from turnrow.processing_provider.engine.core import Readings, kind_code  # noqa: E402
from turnrow.sample_project.simulator import walks  # noqa: E402


@dataclass(frozen=True)
class Survey:
    """An aligned grid and the true level (L,) of each of its lines, drift included."""

    readings: Readings
    level: np.ndarray


def surveys(count: int, seed: int, ties: tuple[float, ...]) -> list[Survey]:
    """Return walked and aligned grids."""
    found = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        walked = walks.walk(walks.site(20.0, rng), rng, walks.usual(0.3), ties=ties)
        mine = walked.readings.kind == kind_code("survey")
        line = walked.readings.line[mine]
        drift = np.bincount(line, walked.drift[mine])[1:] / np.bincount(line)[1:]
        found.append(Survey(align_opposing(walked.readings)[0], walked.offset + drift))
    return found


def errors(survey: Survey) -> tuple[np.ndarray, np.ndarray]:
    """Return how far the levels of the lines are off, about their mean, and the standard errors stated."""
    _, record = balance_traverses(survey.readings)
    found, stated = (np.array([getattr(row, name) for row in record.table]) for name in ("offset", "standard_error"))
    away = found - survey.level
    return away - away.mean(), stated


def level_error(survey: Survey) -> float:
    """Return the standard deviation of the errors of the levels."""
    return float(np.std(errors(survey)[0]))


def error_by_standard_error(survey: Survey) -> float:
    """Return the root mean square error of the levels in units of what is stated."""
    away, stated = errors(survey)
    return float(np.sqrt(np.mean((away / stated) ** 2)))


def main() -> None:
    """Print every constant with its spread."""
    count, seed = count_and_seed(6, 1)
    free, tied = surveys(count, seed, ()), surveys(count, seed, (5.0, 10.0, 15.0))
    tried = (
        ([line_levels], "PIECE_WEIGHT", (0.1, 0.35, 1.0)),
        ([line_levels], "TAIL_POWER", (1.0, 1.5, 2.0)),
        ([line_levels], "WIDENINGS", ((1.0, 1.0, 1.0, 1.0), (2.0, 1.0, 1.0), (2.0, 1.0, 1.0, 1.0), (2.0, *(1.0,) * 6))),
        ([observations], "PIECE_M", (0.5, 1.0, 2.0)),
        ([observations], "BESIDE", (0.0, 0.5, 1.0)),
        ([spike_and_slab], "SLAB_SDS", ((1.5, 10.0), (1.5, 4.0, 10.0), (1.0, 2.0, 4.0, 8.0))),
        ([spike_and_slab, line_levels], "SLAB_FRACTION", (0.05, 0.15, 0.35, 0.7)),
        ([spike_and_slab], "PRIOR_COUNT", (10.0, 80.0, 1000.0)),
        ([variance_components], "STEP_FRACTION", (0.1, 0.2, 0.4, 0.8)),
        ([variance_components], "LAG_ERRORS", (1.0, 5.0, 20.0)),
    )
    for modules, name, values in tried:
        print_least(modules, name, values, level_error, free)
    print_least([tie_crossovers], "BETTER", (0.7, 0.9, 0.99), level_error, tied)
    print_root([line_levels], "PIECE_WEIGHT", (0.1, 0.2, 0.35, 0.7), error_by_standard_error, free)
    print_root([line_levels], "TIE_FRACTION", (0.04, 0.08, 0.16, 0.32, 0.64), error_by_standard_error, tied)


if __name__ == "__main__":
    main()
