"""Finds the constants of alignment again from simulated walks: ``python tests/calibration/align.py [COUNT] [SEED]``.

COUNT grids of 20 m with ordinary faults (``sample_project/simulator/walks.py``) are aligned with several values of each
constant. Scores are the root mean square along-line position error that is left, in metres. A minute by default.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from _values import register_plugin
from sweep import count_and_seed, print_least, print_root

register_plugin()

from turnrow.processing_provider.engine.align import align_opposing, lag_of_ties, tie_evidence, walk  # noqa: E402
from turnrow.processing_provider.engine.balance import controlled_levels, tie_crossovers, tie_shapes  # noqa: E402
from turnrow.processing_provider.engine.core import CARRIED, kind_code  # noqa: E402
from turnrow.sample_project.simulator import walks  # noqa: E402

LAG_M = 0.3


@dataclass(frozen=True)
class Survey:
    """A walked grid."""

    walked: walks.Walk

    @property
    def lines(self) -> np.ndarray:
        """Which readings are of survey lines and in use."""
        readings = self.walked.readings
        return readings.in_use & (readings.kind == kind_code("survey")) & ~self.walked.spike

    def aligned(self):
        """Return the aligned readings and the figures of the record."""
        moved, record = align_opposing(self.walked.readings, shift_m=-LAG_M)
        return moved, record.figures


def surveys(count: int, seed: int, *, ties: tuple[float, ...] = (), one_way: bool = False) -> list[Survey]:
    """Return walked grids; the lag is known, so that it does not blur what is left of the lines' own errors."""
    found = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        found.append(Survey(walks.walk(walks.site(20.0, rng), rng, walks.usual(LAG_M), ties=ties, one_way=one_way)))
    return found


def position_error(survey: Survey) -> float:
    """Return the root mean square along-line position error after alignment."""
    moved, _ = survey.aligned()
    return float(np.sqrt(np.mean((moved.v_m - survey.walked.true_v)[survey.lines] ** 2)))


def error_between_lines(survey: Survey) -> float:
    """Return the same about the mean of the lines on both sides, three each: what lines around share takes no part."""
    moved, _ = survey.aligned()
    error = np.where(survey.lines, moved.v_m - survey.walked.true_v, np.nan)
    nodes = np.arange(0.5, 19.6, 0.5)
    numbers = np.unique(moved.line[survey.lines])
    rows = [survey.lines & (moved.line == number) for number in numbers]
    order = [np.flatnonzero(row)[np.argsort(moved.v_m[row])] for row in rows]
    by_line = np.stack([np.interp(nodes, moved.v_m[o], error[o]) for o in order])
    beside = [np.mean(by_line[[k - 3, k - 2, k - 1, k + 1, k + 2, k + 3]], axis=0) for k in range(3, len(numbers) - 3)]
    # The mean of six lines errs itself, by a sixth of the variance of one.
    return float(np.sqrt(np.mean((by_line[3:-3] - beside) ** 2) / (1 + 1 / 6)))


def error_by_standard_error(survey: Survey) -> float:
    """Return the root mean square position error in units of what is stated."""
    moved, figures = survey.aligned()
    return float(np.sqrt(np.mean((moved.v_m - survey.walked.true_v)[survey.lines] ** 2)) / figures.position_error_m)


def sd_by_truth(survey: Survey) -> float:
    """Return the estimated standard deviation of position errors by the true one, the lag of all lines left out."""
    readings, lines = survey.walked.readings, survey.lines
    true = (survey.walked.true_v - readings.v_m + LAG_M * readings.heading)[lines]
    return float(survey.aligned()[1].per_traverse_sd_m / np.sqrt(np.mean(true**2)))


def error_of_ties(survey: Survey) -> float:
    """Return the root mean square along-line position error of ties once it was estimated from their crossovers."""
    moved, _ = survey.aligned()
    shifts: list[float] = []
    shift = tie_crossovers._shift

    def noted(*arguments: np.ndarray) -> float:
        shifts.append(shift(*arguments))
        return shifts[-1]

    tie_crossovers._shift = noted
    try:
        lines, levels, controls = controlled_levels(moved, "eca", CARRIED)
    finally:
        tie_crossovers._shift = shift
    away = []
    for number, rows in enumerate(controls.tie_rows):
        # The last round of shifts belongs to the last linearisation, tie by tie.
        estimate = shifts[-len(controls.tie_rows) + number] + tie_shapes(lines.u, CARRIED) @ levels.walk[number]
        order = rows[np.argsort(moved.u_m[rows])]
        true = np.interp(lines.u, survey.walked.true_u[order], moved.u_m[order]) - lines.u
        away.append(np.mean((estimate - true) ** 2))
    return float(np.sqrt(np.mean(away)))


def lag_by_standard_error(survey: Survey) -> float:
    """Return the error of the lag that ties show in units of its standard error."""
    found = align_opposing(survey.walked.readings, per_traverse=False)[1].figures
    if found.based_on != "tie lines" or not found.shift_error_m:
        return 0.0
    return float((found.estimate_m + LAG_M) / found.shift_error_m)


def error_of_lag(survey: Survey) -> float:
    """Return how far the lag that ties show is off, metres."""
    found = align_opposing(survey.walked.readings, per_traverse=False)[1].figures
    return float(abs((found.estimate_m or 0.0) + LAG_M))


def print_figure(name: str, now: float, found: list[float]) -> None:
    """Print a figure that surveys show by themselves."""
    print(f"{name} = {now}: {np.mean(found):.3f} +- {np.std(found, ddof=1):.3f} a survey")


def main() -> None:
    """Print every constant with its spread."""
    count, seed = count_and_seed(20, 1)
    grids = surveys(count, seed)
    tried = {
        "SURE": (2.0, 7.0, 20.0, 60.0, 200.0), "WINDOW_M": (0.4, 0.8, 1.6), "WINDOW_LINES": (1.0, 3.0, 6.0),
        "FINE_M": (0.15, 0.3, 0.45), "COARSE_M": (0.7, 1.0, 1.5, 2.5), "ROUNDS": (2, 4, 6), "SLANT_ROUND": (0, 1, 2),
    }  # fmt: skip
    for name, values in tried.items():
        print_least([walk], name, values, position_error, grids)
    print_root([walk], "CORRELATED_M", (0.5, 0.75, 1.0, 1.5, 2.0), error_by_standard_error, grids)
    print_root([walk], "UNSEEN", (1.0, 1.4, 1.8, 2.4, 3.2), sd_by_truth, grids)
    print_figure("CARRIED.aligned_m", CARRIED.aligned_m, [position_error(grid) for grid in grids])
    print_figure("CARRIED.aligned_between_m", CARRIED.aligned_between_m, [error_between_lines(grid) for grid in grids])
    tied = surveys(count, seed, ties=(5.0, 10.0, 15.0))
    print_figure("CARRIED.aligned_tie_m", CARRIED.aligned_tie_m, [error_of_ties(grid) for grid in tied])
    print_least([tie_evidence], "ASIDE_M", (0.03, 0.06, 0.12, 0.24, 0.5), position_error, tied)
    one_way = surveys(count, seed, ties=(5.0, 10.0, 15.0), one_way=True)
    for name, values in {"BEND_M2": (0.04, 0.08, 0.16), "ROUNDS": (3, 6, 12)}.items():
        print_least([lag_of_ties], name, values, error_of_lag, one_way)
    ratios = [lag_by_standard_error(survey) for survey in one_way]
    print_figure("WIDER", lag_of_ties.WIDER, [lag_of_ties.WIDER * ratio**2 for ratio in ratios])


if __name__ == "__main__":
    main()
