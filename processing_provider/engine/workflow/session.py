"""A survey that is open in the workbench: its grids, what was changed by hand, and a grid processed again."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Callable, Mapping, Optional, Sequence

import numpy as np

from ..core import (
    SEVERITIES,
    Code,
    Edits,
    Finding,
    Key,
    Note,
    Progress,
    Readings,
    Run,
    concatenate,
    edited_notes,
    part_of,
)
from ..geometry import Lattice
from ..interpolate import RasterResult, interpolate_readings
from .edit_commands import about_grid
from .maps import outline
from .process_survey import SurveyResult, process_survey
from .read_survey import GridResult, GridSource
from .recipe import Recipe
from .rewalk import REDO_COLUMNS, plan_rewalk, redo_rows
from .sources import SurveySources
from .undo_history import History
from .whole_grids import as_questioned_before

STEPS = ("log read", "notes compared", "placed", "processed")


@dataclass(frozen=True)
class GridState:
    """A grid as it stands now.

    Attributes
    ----------
    result : GridResult
    placed, corrected : Readings or None
        The same readings in the same order; None for a grid that failed.
    raster : RasterResult or None
        Of the grid on its own, once it was processed again.
    channel : str
        Of ``raster``.
    edits : Edits
        The changes by hand that are in it.
    """

    result: GridResult
    placed: Optional[Readings] = None
    corrected: Optional[Readings] = None
    raster: Optional[RasterResult] = None
    channel: str = ""
    edits: Edits = field(default_factory=Edits)

    @property
    def steps_done(self) -> int:
        """How many of ``STEPS`` are behind the grid."""
        if self.corrected is not None:
            return 4
        if self.placed is not None:
            return 3
        codes = [f.code for f in self.result.findings]
        if Code.LAYOUT_QUESTIONED.word in codes:
            return 1
        # A grid that fails after its log was compared is one whose log and notes belong to different grids.
        return 2 if Code.WRONG_LOG.word in codes else 0


def process_grid_again(
    source: GridSource,
    notes: Sequence[Note],
    edits: Edits,
    recipe: Recipe,
    *,
    channel: str,
    read: Optional[GridResult] = None,
    cell_size_m: Optional[float] = None,
    halo: Optional[Readings] = None,
    progress: Progress = None,
    names: Optional[Mapping[str, str]] = None,
) -> GridState:
    """Read, place, correct and interpolate one grid with what was changed by hand.

    Parameters
    ----------
    source : GridSource
    notes : sequence of Note
        Of the field book.
    edits : Edits
    recipe : Recipe
    channel : str
        Which channel to interpolate.
    read : GridResult, optional
        The grid as it was read with the same notes: then its log is not read again.
    cell_size_m : float, optional
        None = as in the recipe, or half the line spacing.
    halo : Readings, optional
        Corrected readings of the other grids: the raster continues into them, but its levels stay its own.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.
    names : mapping of str, optional
        Of channels in its survey, by their names in the log where these differ; None = as ``read`` has them.

    Raises
    ------
    EngineError
        When the grid cannot be placed or interpolated with these edits.
    """
    if names is None:
        names = {} if read is None else read.names
    one = SurveySources((source,), tuple(notes), (), (), names)
    known = {} if read is None else {read.grid: read}
    within = part_of(progress, 0.0, 0.6)
    result = process_survey(one, _for_one_grid(recipe, edits, source), maps=False, read=known, progress=within)
    state = _states(result, edits)[source.entry.scheme.grid]
    return with_raster(state, recipe, channel, cell_size_m=cell_size_m, halo=halo, progress=part_of(progress, 0.6, 1.0))


def _for_one_grid(recipe: Recipe, edits: Edits, source: GridSource) -> Recipe:
    """Return the recipe with edits, and without a fixed grid that is another one."""
    steps = []
    for step in recipe.steps:
        if step.options.get("fixed_grid", "") not in ("", source.entry.scheme.grid):
            step = replace(step, options={**step.options, "fixed_grid": ""})
        steps.append(step)
    return replace(recipe, edits=edits, steps=tuple(steps))


def _states(result: SurveyResult, edits: Edits) -> dict[str, GridState]:
    """Return the state of every grid of a survey that was processed without maps."""
    states = {}
    for one in result.results:
        if one.problem:
            states[one.grid] = GridState(one)
        else:
            placed, corrected = result.placed.get(one.grid), result.corrected.get(one.grid)
            states[one.grid] = GridState(one, placed, corrected, edits=about_grid(edits, one.grid))
    return states


def with_raster(
    state: GridState,
    recipe: Recipe,
    channel: str,
    *,
    cell_size_m: Optional[float] = None,
    halo: Optional[Readings] = None,
    progress: Progress = None,
) -> GridState:
    """Return a grid that was corrected with a raster of one channel; parameters as in ``process_grid_again``."""
    x, y = outline(state.result)
    cell_m = cell_size_m or recipe.cell_size_m or state.result.scheme.spacing_m / 2
    lattice = Lattice.covering(x.min(), y.min(), x.max(), y.max(), cell_m)
    # What a recipe gives for its options is checked where they are used.
    interpolate: Callable[..., RasterResult] = interpolate_readings
    options = recipe.interpolation.options
    raster = interpolate(state.corrected, channel, lattice, halo=halo, progress=progress, **options)
    return replace(state, raster=raster, channel=channel)


def _channels(recipe: Recipe, readings: Readings) -> tuple[str, ...]:
    """Return the channels of the recipe that the readings have (all of them where it names none)."""
    return tuple(c for c in recipe.channels or readings.channels if c in readings.channels)


def open_survey(sources: SurveySources, recipe: Recipe, edits: Edits, progress: Progress = None) -> Session:
    """Read, place and correct every grid of a survey as the whole run does.

    Raises
    ------
    EngineError
        When no grid could be placed.
    """
    result = process_survey(sources, replace(recipe, edits=edits), maps=False, progress=progress)
    return Session(sources, replace(recipe, edits=edits), edits, _states(result, edits))


class Session:
    """An open survey. Nothing here knows of windows."""

    def __init__(self, sources: SurveySources, recipe: Recipe, edits: Edits, states: dict[str, GridState]) -> None:
        self.sources, self.recipe = sources, recipe
        self.history = History(edits)
        self.saved = self._opened_with = edits
        self._opened, self._states = dict(states), dict(states)
        self.findings_of_survey: tuple[Finding, ...] = sources.findings

    @property
    def edits(self) -> Edits:
        """What was changed by hand, as it counts now."""
        return self.history.edits

    @property
    def unsaved(self) -> bool:
        """Whether there are changes that no recipe keeps."""
        return self.edits != self.saved

    @property
    def grids(self) -> tuple[str, ...]:
        """Names of all grids, those that failed included."""
        return (*self._states, *(g for g in self.sources.failed if g not in self._states))

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels of the survey, in the order of the recipe or of the logs."""
        return tuple(dict.fromkeys(c for s in self._states.values() if s.placed is not None
                                   for c in _channels(self.recipe, s.placed)))  # fmt: skip

    def state(self, grid: str) -> Optional[GridState]:
        """Return a grid as it stands; None when it failed before its log was opened."""
        return self._states.get(grid)

    def source(self, grid: str) -> GridSource:
        """Return what a grid is made of."""
        return self._states[grid].result.source

    def unit(self, channel: str) -> str:
        """Return the unit of a channel; empty when unknown."""
        units = (s.placed.units.get(channel, "") for s in self._states.values() if s.placed is not None)
        return next(filter(None, units), "")

    def values_in_use(self, channel: str) -> list[np.ndarray]:
        """Return the corrected values in use of a channel, grid by grid."""
        tables = [s.corrected for s in self._states.values() if s.corrected is not None]
        return [t.channels[channel][t.in_use] for t in tables if channel in t.channels]

    def runs(self, grid: str) -> list[Run]:
        """Return the recordings of a grid by line number; none when it failed."""
        state = self._states.get(grid)
        if state is None or state.corrected is None:
            return []
        return sorted(state.corrected.runs(), key=lambda run: (run.line, run.run))

    def findings(self, grid: str = "") -> list[Finding]:
        """Return the findings of one grid, or of the whole survey, worst first."""
        everything = (*self.findings_of_survey, *(f for s in self._states.values() for f in s.result.findings))
        found = [f for f in everything if not grid or f.grid == grid]
        return sorted(found, key=lambda f: f.urgency)

    def redo_rows(self) -> list[dict[str, object]]:
        """Return the lines to walk as rows of the notes, by column; with sound neighbours and ties."""
        results = [state.result for state in self._states.values()]
        plans = plan_rewalk(results, self.findings(), edited_notes(self.sources.notes, self.edits))
        return [dict(zip(REDO_COLUMNS, row)) for row in redo_rows(plans)]

    def counts(self, grid: str) -> dict[str, int]:
        """Return how many findings a grid has, by severity."""
        severities = [f.severity for f in self.findings(grid)]
        return {severity: severities.count(severity) for severity in SEVERITIES}

    def is_changed(self, grid: str) -> bool:
        """Return whether something about a grid was changed by hand."""
        return bool(about_grid(self.edits, grid))

    def recordings(self, key: Key) -> int:
        """Return how many recordings a line has."""
        table = self._states[key[0]].placed
        return 0 if table is None else int(table.run[table.line == key[1]].max())

    def change(self, text: str, edits: Edits) -> list[str]:
        """Take over changes by hand; return the grids that must be processed again."""
        before = self.edits
        self.history.push(text, edits)
        return self._differing(before)

    def undo(self) -> list[str]:
        """Take the last change back; return the grids that must be processed again."""
        before = self.edits
        self.history.undo()
        return self._differing(before)

    def redo(self) -> list[str]:
        """Make the change again that was taken back; return the grids that must be processed again."""
        before = self.edits
        self.history.redo()
        return self._differing(before)

    def _differing(self, before: Edits) -> list[str]:
        return [g for g, s in self._states.items() if s.placed is not None
                and about_grid(before, g) != about_grid(self.edits, g)]  # fmt: skip

    def again(self, grid: str, channel: str) -> Callable[[Progress], GridState]:
        """Return the work that processes a grid again as things are now; it may run in another thread.

        A grid that lacks the channel is mapped by its first one. Where the edits are those that the survey was opened
        with, the grid is what it was then, levelled with all others; only its raster is made anew.
        """
        source, notes, edits, recipe = self.source(grid), self.sources.notes, self.edits, self.recipe
        mine, state = about_grid(edits, grid), self._states[grid]
        if state.placed is None:
            raise ValueError(f"grid {grid} was not placed")
        opened = self._opened[grid] if mine == about_grid(self._opened_with, grid) else None
        read = state.result if mine.notes == state.edits.notes else None
        others = [s.corrected for g, s in self._states.items() if g != grid and s.corrected is not None]
        if channel not in state.placed.channels:
            channel = _channels(recipe, state.placed)[0]
        others = [table for table in others if channel in table.channels]
        spacings = [s.result.scheme.spacing_m for s in self._states.values()]
        cell_m = recipe.cell_size_m or min(spacings) / 2

        def work(progress: Progress = None) -> GridState:
            halo = concatenate(others) if others else None
            if opened is not None:
                return with_raster(opened, recipe, channel, cell_size_m=cell_m, halo=halo, progress=progress)
            return process_grid_again(
                source, notes, edits, recipe, channel=channel, read=read, cell_size_m=cell_m, halo=halo,
                progress=progress, names=state.result.names,
            )  # fmt: skip

        return work

    def accept(self, grid: str, state: GridState) -> None:
        """Put a grid that was processed again in the place of the old one."""
        before = self._states[grid].result
        self._states[grid] = replace(state, result=as_questioned_before(state.result, before))

    def where(self, finding: Finding) -> Optional[Key]:
        """Return the recording that a finding is about, the first of its line where it names none; None without."""
        runs = [r for r in self.runs(finding.grid) if finding.line is not None and r.line == finding.line]
        chosen = next((r for r in runs if r.run == finding.run), runs[0] if runs else None)
        return None if chosen is None else (chosen.grid, chosen.line, chosen.run)

    def extent(self, grid: str) -> Optional[tuple[float, float, float, float]]:
        """Return x_min, y_min, x_max, y_max of a grid in the survey's CRS; None when it failed."""
        state = self._states.get(grid)
        if state is None or state.result.frame is None:
            return None
        x, y = outline(state.result)
        return tuple(np.array([x.min(), y.min(), x.max(), y.max()]).tolist())
