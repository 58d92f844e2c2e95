"""Finds the constants of jumps in time again: ``python tests/calibration/jumps.py [COUNT] [SEED]``.

COUNT sites each of five kinds, drawn by other laws than those of the engine (``sample_project/simulator/other_laws``):
as they are, with a boundary along the lines, and with the instrument set to zero anew by 1, 2 and 4 mS/m. Printed are,
for values of each constant, how many of 40 grids are said to have a jump that they have not (30 as they are, 10 with a
boundary), and the fractions of the resets that are found. Two minutes by default.
"""

from __future__ import annotations

import csv
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Sequence

import numpy as np
from _values import changed, register_plugin
from sweep import count_and_seed

register_plugin()

from turnrow.processing_provider.engine.core import Lines, lines_of  # noqa: E402
from turnrow.processing_provider.engine.jumps import between_lines, find, level_profile, within_lines  # noqa: E402
from turnrow.processing_provider.engine.workflow import default_recipe, gather_sources, process_survey  # noqa: E402
from turnrow.sample_project.simulator.other_laws import CASES  # noqa: E402

STEPS = "steps inside lines"
CLEAN, BOUNDARY, RESETS = "one grid", "boundary along the lines", ("reset of 1", "reset of 2", "reset of 4")
Grid = tuple[Lines, np.ndarray, np.ndarray, int]


def grid_of(name: str, seed: int) -> Grid:
    """Return lines, values and times of an aligned grid, and the position in time of the first line after a reset."""
    walked = CASES[name].walk(seed)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        walked.write(folder)
        tables = [list(csv.DictReader((folder / f"{t}.csv").open())) for t in ("register", "corners", "notes")]
        recipe = default_recipe()
        recipe = replace(recipe, steps=(*recipe.steps[:2], recipe.steps[-1]))
        part = process_survey(gather_sources(*tables, folder), recipe, maps=False).corrected.get("A1")
    lines, time_s = lines_of(part), find.line_means(lines_of(part), part.time_s)
    began = part.time_s.min() - min(stroke.time_s[0] for stroke in walked.truth.strokes)
    after = int(np.sum(time_s - began < walked.truth.reset_s))
    return lines, lines.resample(part, part.channels["eca_10"]), time_s, after


def found(grids: Sequence[Grid], least: float = 0.0) -> float:
    """Return the fraction of the grids in which a jump is found, where there is one, at the right line."""
    count, reach = 0, (find.LEAST_LINES, find.MOST_LINES)
    for lines, matrix, time_s, after in grids:
        tried = [between_lines.likeliest_jump(one) for one in level_profile.profiles_of(lines, matrix, time_s, *reach)]
        best = max((one for one in tried if one is not None), key=lambda one: one.log_odds, default=None)
        right = best is not None and (after == 0 or best.line == np.argsort(time_s)[after])
        count += bool(best is not None and best.log_odds > least and right)
    return count / len(grids)


def row(grids: dict[str, list[Grid]]) -> str:
    """Return false and true ones in words, and how many grids without a jump are left open."""
    left = np.log(find.OPEN / (1 - find.OPEN))
    false = 30 * found(grids[CLEAN]) + 10 * found(grids[BOUNDARY])
    open_ = 30 * found(grids[CLEAN], left) + 10 * found(grids[BOUNDARY], left) - false
    return f"{false:.1f} false and {open_:.1f} open of 40, found " + ", ".join(f"{found(grids[n]):.2f}" for n in RESETS)


def steps_row(count: int, seed: int) -> str:
    """Return in words how many steps inside lines are found, and how many that are none."""
    right = wrong = all_of = 0
    for name in (STEPS, CLEAN):
        for k in range(count):
            lines, matrix, _, _ = grid_of(name, seed + k)
            true = {int(np.argmin(np.abs(lines.u - s.u))) for s in CASES[name].walk(seed + k).truth.steps}
            seen: set[int] = set()
            while (one := within_lines.largest_step(lines, matrix)) is not None and one.line not in seen:
                seen.add(one.line)
                matrix[one.line] -= one.size * (lines.v >= one.v_m)
            right, wrong, all_of = right + len(seen & true), wrong + len(seen - true), all_of + len(true)
    return f"{right} of {all_of} steps, and {wrong} that are none in {2 * count} grids"


def main() -> None:
    """Print the table."""
    count, seed = count_and_seed(40, 100)
    grids = {n: [grid_of(n, seed + k) for k in range(count)] for n in (CLEAN, BOUNDARY, *RESETS)}
    print(f"as it is: {row(grids)}")
    for name, module, values in (
        ("NOTHING", between_lines, (4.0, 4.5, 5.5, 6.0)),
        ("EDGE", between_lines, (0.0, 0.3, 1.0)),
        ("STRIP_COST", between_lines, (3.0, 5.0)),
        ("WORTH_A_LOOK", between_lines, (0.0, 3.0)),
        ("SMOOTH_M", level_profile, (5.0, 6.0)),
        ("STIFFNESS", level_profile, ((0.4, 1.0, 2.5), (0.5, 1.5, 4.0))),
    ):
        for value in values:
            with changed([module], name, value):
                print(f"{name} = {value}: {row(grids)}", flush=True)
    print(f"inside lines, as it is: {steps_row(count // 2, seed)}")
    for name, values in (("SHARP", (0.6, 0.75)), ("PROOF", (3.0, 5.0))):
        for value in values:
            with changed([within_lines], name, value):
                print(f"{name} = {value}: {steps_row(count // 2, seed)}", flush=True)


if __name__ == "__main__":
    main()
