"""One run over a whole survey: from register, corners and notes to the files of a processed survey."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Mapping, Optional, Sequence

import numpy as np

from ..core import Code, EngineError, Finding, GridStore, Progress, Record, check_channels, part_of
from ..geometry import CORNERS, BlockRaster, Lattice, local_corner
from ..interpolate import RasterResult, interpolate_grids, window_of
from .read_survey import GridResult, read_grids
from .recipe import Recipe, correct
from .sources import SurveySources


@dataclass(frozen=True)
class SurveyResult:
    """A processed survey; what is large of it stays in the scratch folder that it was processed with.

    Attributes
    ----------
    done, failed : tuple of str
        Names of grids.
    grids : tuple of GridResult
        Those that are done, without their readings.
    placed, corrected : GridStore
        Readings of every grid, before and after the corrections.
    findings : tuple of Finding
    records : tuple of Record
        One a step.
    recipe : Recipe
        With cell size and channels filled in.
    lattice : Lattice
    rasters, raw_rasters : dict of RasterResult
        By channel: of the corrected readings, and of the readings as placed.
    """

    done: tuple[str, ...]
    failed: tuple[str, ...]
    grids: tuple[GridResult, ...]
    placed: GridStore
    corrected: GridStore
    findings: tuple[Finding, ...]
    records: tuple[Record, ...]
    recipe: Recipe
    lattice: Lattice
    rasters: Mapping[str, RasterResult]
    raw_rasters: Mapping[str, RasterResult]


def process_survey(
    sources: SurveySources,
    recipe: Recipe,
    *,
    channels: Sequence[str] = (),
    cell_size_m=None,
    scratch: Optional[Path] = None,
    progress: Progress = None,
) -> SurveyResult:
    """Read, place, correct and interpolate a survey.

    Parameters
    ----------
    sources : SurveySources
    recipe : Recipe
    channels : sequence of str
        Instead of the recipe's; empty = the recipe's, or all.
    cell_size_m : float, optional
        Instead of the recipe's; None = the recipe's, or half the smallest spacing.
    scratch : Path, optional
        Folder for what does not fit in memory, to be kept as long as the result; None = everything in memory.
    progress : callable, optional

    Raises
    ------
    EngineError
        When no grid could be placed, or no channel mapped, or the scratch folder is full.
    """
    placed = GridStore(scratch)
    results = _placed(sources, recipe, placed, part_of(progress, 0.0, 0.4))
    good = [r for r in results if not r.problem]
    findings = (*sources.findings, *(f for r in results for f in r.findings))
    if not good:
        errors = [f.sentence() for f in findings if f.severity == "error"]
        raise EngineError(" ".join(["No grid could be placed.", *errors]))
    chosen = check_channels(channels or recipe.channels, placed.channels)
    cell_size_m = cell_size_m or recipe.cell_size_m or min(r.source.entry.scheme.spacing_m for r in good) / 2
    failed = (*sources.failed, *(r.grid for r in results if r.problem))
    possible, loosened = _with_fixed_grid_placed(recipe, failed)
    corrected = placed.copy()
    records = correct.on_store(corrected, possible, channels=chosen, progress=part_of(progress, 0.4, 0.7))
    lattice = _lattice(good, cell_size_m)
    rasters, raw_rasters, left_out, options = {}, {}, [], recipe.interpolation.options
    for number, channel in enumerate(chosen):
        within = part_of(progress, 0.7 + 0.3 * number / len(chosen), 0.7 + 0.3 * (number + 1) / len(chosen))
        try:
            mapped = interpolate_grids(corrected, channel, lattice, progress=part_of(within, 0.0, 0.5), **options)
            raw = interpolate_grids(placed, channel, lattice, progress=part_of(within, 0.5, 1.0), **options)
        except EngineError as error:
            left_out.append(_left_out(channel, str(error)))
            continue
        rasters[channel], raw_rasters[channel] = mapped, raw
        records.append(mapped.record)
        left_out += [_left_out(channel, text) for text in mapped.record.left_out]
    if not rasters:
        raise EngineError(" ".join(["No channel could be mapped.", *(f.found for f in left_out)]))
    return SurveyResult(
        done=tuple(r.grid for r in good),
        failed=failed,
        grids=tuple(good),
        placed=placed,
        corrected=corrected,
        findings=(*findings, *loosened, *left_out),
        records=tuple(records),
        recipe=replace(recipe, channels=chosen, cell_size_m=cell_size_m),
        lattice=lattice,
        rasters=rasters,
        raw_rasters=raw_rasters,
    )


def _placed(sources: SurveySources, recipe: Recipe, placed: GridStore, progress: Progress) -> list[GridResult]:
    """Read and place every grid; the readings go into the store."""
    reading = {"fit": recipe.fit, "accept_certainty": recipe.accept_certainty, "edits": recipe.edits}
    results = []
    for result in read_grids(sources.grids, sources.notes, progress=progress, **reading):
        if not result.problem:
            placed.put(result.grid, result.readings)
        results.append(replace(result, readings=None))
    return results


def _with_fixed_grid_placed(recipe: Recipe, failed: Sequence[str]) -> tuple[Recipe, list[Finding]]:
    """Return the recipe without fixed grids that failed, and a finding for each: the other grids go on without it."""
    steps, told = [], []
    for step in recipe.steps:
        grid = step.options.get("fixed_grid")
        if grid and grid in failed:
            step = replace(step, options={**step.options, "fixed_grid": ""})
            found = f"Grid {grid} was to keep its level, but it could not be placed. The mean of the grids was kept."
            told.append(Code.FIXED_GRID_FAILED.finding(found, "", "Mend the grid, or fix another one.", grid=grid))
        steps.append(step)
    return replace(recipe, steps=tuple(steps)), told


def grid_share(result: SurveyResult, grid: GridResult, channel: str) -> BlockRaster:
    """Return the site raster's cells inside one grid."""
    scheme, (x, y) = grid.source.entry.scheme, outline(grid)
    window = result.lattice.window(min(x), min(y), max(x), max(y))
    cells = result.lattice.sub(window)
    u, v = grid.frame.to_local(cells.x[None, :], cells.y[:, None])
    inside = (u >= 0) & (u <= scheme.width_m) & (v >= 0) & (v <= scheme.length_m)
    return BlockRaster.of(np.where(inside, window_of(result.rasters[channel].value_blocks, window), np.nan), cells)


def outline(grid: GridResult) -> tuple[np.ndarray, np.ndarray]:
    """Return x, y of the fitted corners start, baseline, opposite, head; (4,) each."""
    scheme = grid.source.entry.scheme
    corners = [local_corner(name, scheme.length_m, scheme.width_m) for name in CORNERS]
    return grid.frame.to_map(*np.array(corners).T)


def _lattice(grids: Sequence[GridResult], cell_size_m: float) -> Lattice:
    x, y = np.concatenate([outline(grid) for grid in grids], axis=1)
    return Lattice.covering(x.min(), y.min(), x.max(), y.max(), cell_size_m)


def _left_out(channel: str, text: str) -> Finding:
    return Code.NOT_INTERPOLATED.finding(f"{text} ({channel})", "", "Its readings are placed, but not mapped.")


def with_changed_inputs(result: SurveyResult, recipe: Recipe, inputs: Sequence[Mapping]) -> SurveyResult:
    """Return the result with a finding for each input that is not the file its recipe was written for."""
    written_for = {item["path"]: item["sha256"] for item in recipe.inputs}
    changed = [
        Code.INPUT_CHANGED.finding(
            f"{item['path']} is not the file that the recipe was written for.",
            "",
            "Give the file of then to repeat the run exactly. The maps differ from those of the recipe.",
        )  # fmt: skip
        for item in inputs
        if written_for.get(item["path"], item["sha256"]) != item["sha256"]
    ]
    return replace(result, findings=(*result.findings, *changed))
