"""One run over a whole survey: from register, corners and notes to the files of a processed survey."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Mapping, Optional, Sequence

import numpy as np

from ..balance import BalanceRecord
from ..core import (
    Code,
    EngineError,
    Finding,
    GridStore,
    Progress,
    Record,
    channel_names,
    channels_renamed,
    check_channels,
    edited_notes,
    flag_by_hand,
    one_blas_thread,
    part_of,
    questioned_layouts_first,
    sentence_of,
)
from ..geometry import BlockRaster, Lattice
from ..interpolate import RasterResult, window_of
from .failed_grids import grid_failed
from .late_search import search_afterwards, searches_afterwards
from .maps import Maps, check_before, check_cells, lattice_of, outline
from .read_survey import GridResult, read_grids
from .recipe import Recipe, correct
from .sources import SurveySources
from .whole_grids import with_whole_grids

WITH_MAPS, WITHOUT_MAPS = (0.13, 0.5, 0.72, 0.8), (0.17, 0.62, 0.9, 1.0)
"""Fractions of the time up to which grids are placed, corrected, searched for mistakes, and held against each other.
Derived: the middle of what was measured on 4 grids of 64,000 readings and on 200 of 1,600."""


@dataclass(frozen=True)
class SurveyResult:
    """A processed survey; what is large of it stays in the scratch folder that it was processed with.

    Attributes
    ----------
    results : tuple of GridResult
        Every grid whose log was to be read, in the order of the register. Their readings are in ``placed``; only
        without a scratch folder do the results hold them too, as they were before flags were set by hand.
    failed : tuple of str
        Names of grids that are not placed.
    placed, corrected : GridStore
        Readings of every grid, before and after the corrections, in the order of their names.
    findings : tuple of Finding
    records : tuple of Record
        One a step.
    recipe : Recipe
        With cell size and channels filled in.
    lattice : Lattice
    rasters, raw_rasters : dict of RasterResult
        By channel: of the corrected readings, and of the readings as placed.
    """

    results: tuple[GridResult, ...]
    failed: tuple[str, ...]
    placed: GridStore
    corrected: GridStore
    findings: tuple[Finding, ...]
    records: tuple[Record, ...]
    recipe: Recipe
    lattice: Lattice
    rasters: Mapping[str, RasterResult]
    raw_rasters: Mapping[str, RasterResult]

    @property
    def grids(self) -> tuple[GridResult, ...]:
        """Grids that are done."""
        return tuple(result for result in self.results if not result.problem)

    @property
    def done(self) -> tuple[str, ...]:
        """Names of the grids that are done."""
        return tuple(result.grid for result in self.grids)


@one_blas_thread()
def process_survey(
    sources: SurveySources,
    recipe: Recipe,
    *,
    channels: Sequence[str] = (),
    cell_size_m: Optional[float] = None,
    maps: bool = True,
    read: Optional[Mapping[str, GridResult]] = None,
    scratch: Optional[Path] = None,
    progress: Progress = None,
) -> SurveyResult:
    """Read, place, correct and interpolate a survey.

    Parameters
    ----------
    sources : SurveySources
    recipe : Recipe
        Its changes by hand count as well: notes in the place of others, and flags after every step.
    channels : sequence of str
        Instead of the recipe's; empty = the recipe's, or all.
    cell_size_m : float, optional
        Instead of the recipe's; None = the recipe's, or half the smallest spacing.
    maps : bool
        Whether to interpolate. Without maps, channels of the recipe that no grid has are passed over.
    read : mapping of GridResult, optional
        Grids that were read and placed before with the same notes, by name; their logs are not read again.
    scratch : Path, optional
        Folder for what does not fit in memory, to be kept as long as the result; None = everything in memory.
    progress : callable, optional

    Raises
    ------
    EngineError
        When no grid could be placed, or no channel mapped, or the scratch folder is full.

    Notes
    -----
    Grids are worked on in the order of their names, so that the order of the register enters no sum and no decision.
    """
    listed = {source.entry.scheme.grid: number for number, source in enumerate(sources.grids)}
    sources = replace(sources, grids=tuple(sorted(sources.grids, key=lambda source: source.entry.scheme.grid)))
    while True:
        try:
            result = _process(sources, recipe, channels, cell_size_m, maps, read or {}, scratch, progress)
        except _FaultyGrids as fault:
            sources = fault.kept
        else:
            return replace(result, results=tuple(sorted(result.results, key=lambda one: listed[one.grid])))


class _FaultyGrids(Exception):
    """The corrections were ended by the readings of some grids; the others are ``kept``."""

    def __init__(self, kept: SurveySources) -> None:
        super().__init__()
        self.kept = kept


def _process(
    sources: SurveySources,
    recipe: Recipe,
    channels: Sequence[str],
    cell_size_m: Optional[float],
    maps: bool,
    read: Mapping[str, GridResult],
    scratch: Optional[Path],
    progress: Progress,
) -> SurveyResult:
    """Process a survey in one go.

    Raises
    ------
    _FaultyGrids
        When it has to be done again without some grids.
    """
    placing, correcting, searched, beside = WITH_MAPS if maps else WITHOUT_MAPS
    check_before(sources, cell_size_m or recipe.cell_size_m, maps * (len(channels or recipe.channels) or 1))
    placed = GridStore(scratch)
    results = _placed(sources, recipe, read, placed, part_of(progress, 0.0, placing))
    good = [r for r in results if not r.problem]
    failed = (*sources.failed, *(r.grid for r in results if r.problem))
    if not good:
        errors = [f.sentence() for f in sources.findings if f.severity != "note"] + [r.problem for r in results]
        raise EngineError(" ".join(["No grid could be placed.", *errors]))
    wanted = channels or [c for c in recipe.channels if maps or c in placed.channels]
    cell_m = cell_size_m or recipe.cell_size_m or min(r.scheme.spacing_m for r in good) / 2
    recipe = replace(recipe, channels=check_channels(wanted, placed.channels), cell_size_m=cell_m)
    check_cells([r.scheme for r in good], cell_m, maps * len(recipe.channels))
    possible, loosened = _with_fixed_grid_placed(recipe, failed)
    corrected, records = _corrected(sources, placed, possible, good, part_of(progress, placing, correcting))
    if searches_afterwards(recipe):
        fresh = [r.grid for r in good if r.grid not in read]
        notes, searching = edited_notes(sources.notes, recipe.edits), part_of(progress, correcting, searched)
        results = search_afterwards(results, fresh, notes, placed, corrected, records, searching)
    results = with_whole_grids(results, part_of(progress, searched, beside))
    lattice = lattice_of(good, cell_m)
    made = Maps(recipe.interpolation.options, lattice)
    if maps:
        made.add(corrected, placed, recipe.channels, part_of(progress, beside, 1.0))
    own = [finding for result in results for finding in result.findings]
    findings = questioned_layouts_first([*sources.findings, *own, *_found(records, placed), *loosened, *made.left_out])
    records += [raster.record for raster in made.rasters.values()]
    return SurveyResult(tuple(results), failed, placed, corrected, tuple(findings), tuple(records), recipe, lattice,
                        made.rasters, made.raw_rasters)  # fmt: skip


def _placed(
    sources: SurveySources, recipe: Recipe, read: Mapping[str, GridResult], placed: GridStore, progress: Progress
) -> list[GridResult]:
    """Read and place every grid that was not read before; the readings go into the store, flagged by hand."""
    unread = [source for source in sources.grids if source.entry.scheme.grid not in read]
    notes = edited_notes(sources.notes, recipe.edits)
    search, accept = not searches_afterwards(recipe), recipe.accept_certainty
    fresh = read_grids(unread, notes, fit=recipe.fit, accept_certainty=accept, search=search, progress=progress)
    results = []
    for source in sources.grids:
        result = read.get(source.entry.scheme.grid) or next(fresh)
        if result.readings is not None:
            placed.put(result.grid, flag_by_hand(result.readings, recipe.edits.flags))
        results.append(result if placed.folder is None else replace(result, readings=None))
    return _with_names_side_by_side(results, placed, sources.names)


def _with_names_side_by_side(
    results: Sequence[GridResult], placed: GridStore, given: Mapping[str, str]
) -> list[GridResult]:
    """Rename channels that logs of different grids bring and that cannot stand beside each other in one table.

    ``given`` are names that count already, as a grid has them that was renamed in its survey and is processed alone.
    """
    names = channel_names(placed.channels)
    renamed = {c: given.get(c, other) for c, other in names.items() if given.get(c, other) != c}
    if not renamed:
        return list(results)
    own = {grid: {c: renamed[c] for c in renamed if np.isfinite(p.channels[c]).any()} for grid, p in placed.items()}
    placed.rename(renamed)
    return [_with_names(result, renamed, own.get(result.grid, {})) for result in results]


def _with_names(result: GridResult, renamed: Mapping[str, str], own: Mapping[str, str]) -> GridResult:
    """Return a grid that knows the names of channels; its own are findings, which one that was read before has."""
    new = [finding for finding in channels_renamed(own, result.grid) if finding not in result.findings]
    return replace(result, names=renamed, findings=(*result.findings, *new))


def _corrected(
    sources: SurveySources, placed: GridStore, recipe: Recipe, results: Sequence[GridResult], progress: Progress
) -> tuple[GridStore, list[Record]]:
    """Return the grids as corrected, and a record a step.

    Raises
    ------
    _FaultyGrids
        When readings of some grids end the corrections.
    """
    corrected = placed.copy()
    resets = [reset for result in results if result.record for reset in result.record.resets]
    try:
        records = correct.on_store(corrected, recipe, channels=recipe.channels, resets=resets, progress=progress)
        return corrected, records
    except Exception as error:
        # Progress stands still meanwhile, and the run can be cancelled.
        still = part_of(progress, 0.0, 0.0)
        raise _FaultyGrids(_without_faulty(sources, placed, recipe, error, still)) from error


def _found(records: Sequence[Record], placed: GridStore) -> list[Finding]:
    """Return the findings of the corrections."""
    return [f for record in records if isinstance(record, BalanceRecord) for f in record.findings(placed.units)]


def _without_faulty(
    sources: SurveySources, placed: GridStore, recipe: Recipe, error: Exception, progress: Progress
) -> SurveySources:
    """Return the sources without the grids that end the corrections also by themselves.

    Raises
    ------
    EngineError
        When the corrections were ended by something else, or no grid is left.
    """
    problem, faulty = sentence_of(error, "The corrections"), {}
    for name, part in placed.items():
        one = GridStore()
        one.put(name, part)
        steps = _with_fixed_grid_placed(recipe, [other for other in placed.names if other != name])[0]
        try:
            correct.on_store(one, steps, channels=recipe.channels, progress=progress)
        except Exception as fault:
            faulty[name] = sentence_of(fault, f"The corrections of grid {name}")
    if not faulty or len(faulty) == len(placed.names):
        raise EngineError(problem) from error
    failed = [grid_failed(name, text) for name, text in faulty.items()]
    kept = tuple(grid for grid in sources.grids if grid.entry.scheme.grid not in faulty)
    return replace(sources, grids=kept, findings=(*sources.findings, *failed))


def _with_fixed_grid_placed(recipe: Recipe, failed: Sequence[str]) -> tuple[Recipe, list[Finding]]:
    """Return the recipe without fixed grids that failed, and a finding for each: the other grids go on without it."""
    steps, findings = [], []
    for step in recipe.steps:
        grid = str(step.options.get("fixed_grid") or "")
        if grid and grid in failed:
            step = replace(step, options={**step.options, "fixed_grid": ""})
            found = f"Grid {grid} was to keep its level, but it could not be placed. The mean of the grids was kept."
            findings.append(Code.FIXED_GRID_FAILED.finding(found, "", "Mend the grid, or fix another one.", grid=grid))
        steps.append(step)
    return replace(recipe, steps=tuple(steps)), findings


def cells_of_grid(result: SurveyResult, grid: GridResult, channel: str) -> BlockRaster:
    """Return the site raster's cells inside one grid."""
    scheme, (x, y) = grid.scheme, outline(grid)
    window = result.lattice.window(min(x), min(y), max(x), max(y))
    cells = result.lattice.sub(window)
    u, v = grid.fitted.to_local(cells.x[None, :], cells.y[:, None])
    inside = (u >= 0) & (u <= scheme.width_m) & (v >= 0) & (v <= scheme.length_m)
    return BlockRaster.of(np.where(inside, window_of(result.rasters[channel].value_blocks, window), np.nan), cells)
