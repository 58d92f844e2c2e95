"""What happens in the workbench: a survey is opened, lines are looked at, changed and processed again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Callable, Optional, Sequence

import numpy as np
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...processing_provider.bridge.project import versions
from ...processing_provider.engine.core import (
    KINDS,
    Code,
    Edits,
    EngineError,
    Finding,
    Key,
    Note,
    Readings,
    Run,
    edited_notes,
    read_text,
)
from ...processing_provider.engine.place import counted_stations
from ...processing_provider.engine.workflow import (
    GridResult,
    GridState,
    Session,
    as_noted,
    flagged,
    moved_to,
    note_in_force,
    obstructed,
    recipe_text,
    recipe_with_edits,
    save_text,
    started_at,
    turned,
    with_kind,
)
from ..background_tasks import Works
from ..profile import CORRECTED, DISTANCE, LOGGED, ProfileContent, StackedContent, name_of, nearest_recording
from ..texts import tr
from . import recovery
from .opening import RECIPE, Opened, Tables, find_tables, open_tables
from .view_models import key_of, profile_of, stacked_of

OBSTACLE = "obstacle"
AGAIN = "Grid {grid} is processed again. Its levels are its own until the whole survey is processed."


class Desk(QObject):
    """The open survey, what of it is looked at, and the work that is under way.

    Signals
    -------
    opened()
        Another survey is open.
    grid_changed(str)
        A grid was changed or processed again, or its work began or ended.
    view_changed(bool)
        Other lines, or other values of them, are looked at; True when the part that is seen should stay.
    message(str, bool)
        A sentence for the person; True for one about something that went wrong.
    """

    opened = pyqtSignal()
    grid_changed = pyqtSignal(str)
    view_changed = pyqtSignal(bool)
    message = pyqtSignal(str, bool)

    def __init__(self, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self.session: Optional[Session] = None
        self.survey: Optional[Opened] = None
        self.folder: Optional[Path] = None
        self.works = Works(self)
        self.keys: list[Key] = []
        self.grid, self.channel, self.axis = "", "", DISTANCE
        self.shows = frozenset((LOGGED, CORRECTED))
        self.behind = True

    @property
    def at_work(self) -> Session:
        """The session of the open survey; what asks for it can be reached only while one is open."""
        if self.session is None:
            raise RuntimeError("no survey is open")
        return self.session

    @property
    def opened_from(self) -> Opened:
        """What the open survey was opened from."""
        if self.survey is None:
            raise RuntimeError("no survey is open")
        return self.survey

    def readings_of(self, grid: str) -> tuple[GridResult, Readings, Readings]:
        """Return a grid as it was read, and its readings as placed and as corrected; all that have lines have them."""
        state = self.at_work.state(grid)
        if state is None or state.placed is None or state.corrected is None:
            raise RuntimeError(f"grid {grid} has no readings")
        return state.result, state.placed, state.corrected

    # Opening and saving

    def open_folder(self, folder: Path) -> None:
        """Open a processed survey."""
        self._open(lambda: open_tables(find_tables(folder), folder / RECIPE), folder)

    def open_register(self, tables: Tables) -> None:
        """Open a survey by its tables."""
        self._open(lambda: open_tables(tables), None)

    def open_again(self) -> None:
        """Read the open survey again from its files."""
        survey = self.opened_from
        self._open(lambda: open_tables(survey.tables, survey.recipe_path), self.folder)

    def _open(self, gather: Callable[[], Opened], folder: Optional[Path]) -> None:
        try:
            survey = gather()
        except EngineError as error:
            self.message.emit(str(error), True)
            return
        self.works.cancel()

        def done(session: Session) -> None:
            self.session, self.survey, self.folder = session, survey, folder
            self.channel = session.channels[0]
            self.keys = []
            self.grid = next((g for g in session.grids if session.runs(g)), "")
            self.opened.emit()
            self.message.emit(tr("{n} grids are open.").format(n=len(session.grids)), False)
            self.choose_grid(self.grid)

        self.message.emit(tr("Reading the survey ..."), False)
        self.works.start("open", tr("Turnrow: reading the survey"), survey.read, done, self._failed)

    def _failed(self, sentence: str) -> None:
        self.message.emit(sentence, True)

    def recipe_path(self) -> Optional[Path]:
        """Return where the changes are kept: the recipe of the processed survey; None when there is none yet."""
        return self.survey.recipe_path if self.survey else None

    def save(self, path: Path) -> None:
        """Keep the changes in a recipe: an existing one keeps all else that it says."""
        try:
            if path.is_file():
                text = read_text(path, "recipe")
            else:
                text = recipe_text(self.at_work.recipe, versions=versions())
            save_text(path, recipe_with_edits(text, path.name, self.at_work.edits))
        except EngineError as error:
            self._failed(str(error))
            return
        self.at_work.saved = self.at_work.edits
        self.survey = replace(self.opened_from, recipe_path=path)
        self._keep_aside()
        self.message.emit(tr("The changes are kept in {path}.").format(path=path), False)

    def _keep_aside(self) -> None:
        """Write changes aside that no recipe keeps; forget those that one keeps."""
        register = self.opened_from.tables.register
        try:
            if self.at_work.unsaved:
                recovery.keep(register, self.at_work.edits)
            else:
                recovery.drop(register)
        except EngineError as error:
            self._failed(str(error))

    def kept_aside(self) -> Optional[tuple[str, Edits]]:
        """Return when changes of this survey were written aside that it lacks, and the changes; None without."""
        try:
            kept = recovery.kept(self.opened_from.tables.register)
        except EngineError as error:
            self._failed(str(error))
            return None
        return kept if kept is not None and kept[1] != self.at_work.edits else None

    def take_up(self, when: str, edits: Edits) -> None:
        """Make the changes again that were written aside."""
        self._work_on(self.at_work.change(tr("changes of {when}").format(when=when), edits))

    def forget_aside(self) -> None:
        """Forget the changes that were written aside: the person does not want them."""
        recovery.drop(self.opened_from.tables.register)

    # Choosing

    def choose_grid(self, grid: str) -> None:
        """Look at a grid: at its first line, unless one of its lines is looked at already."""
        self.grid = grid
        if not any(key[0] == grid for key in self.keys):
            self.keys = [key_of(run) for run in self.at_work.runs(grid)[:1]]
        self.view_changed.emit(False)

    def choose_lines(self, keys: Sequence[Key]) -> None:
        """Look at recordings; the first one is worked on."""
        if keys and list(keys) != self.keys:
            self.keys, self.grid = list(keys), keys[0][0]
            self.view_changed.emit(False)

    def choose_finding(self, finding: Finding) -> None:
        """Look at what a finding is about."""
        key = self.at_work.where(finding)
        if key is not None:
            self.choose_lines([key])
        elif finding.grid in self.at_work.grids:
            self.choose_grid(finding.grid)

    def line_at(self, x: float, y: float, within_m: float) -> Optional[tuple[Key, int]]:
        """Return the line nearest to a place in the survey's CRS, and the ``seq`` of its nearest reading."""
        states = (self.session.state(g) for g in self.session.grids) if self.session else ()
        return nearest_recording((s.corrected for s in states if s and s.corrected is not None), x, y, within_m)

    def positions(self, key: Key) -> np.ndarray:
        """Return where the readings of a line lie in the survey's CRS, in walking order; (n, 2)."""
        rows, (_, _, table) = self._run(key).rows, self.readings_of(key[0])
        return np.stack([table.x[rows], table.y[rows]], axis=1)

    def step_line(self, step: int) -> None:
        """Look at the next line of the grid, or at the one before."""
        keys = [key_of(run) for run in self.session.runs(self.grid)] if self.session else []
        if self.keys and self.keys[0] in keys:
            index = keys.index(self.keys[0]) + step
            self.choose_lines([keys[min(max(index, 0), len(keys) - 1)]])

    def show(self, **what: object) -> None:
        """Set ``channel``, ``axis``, ``shows`` or ``behind``."""
        for name, value in what.items():
            setattr(self, name, value)
        self.view_changed.emit(False)

    # What is looked at

    def profile(self) -> ProfileContent:
        """Return what the profile shows."""
        return profile_of(self.at_work, self.keys, self.channel, self.axis, self.shows, self.behind)

    def stacked(self) -> StackedContent:
        """Return the lines of the grid at their places."""
        return stacked_of(self.session, self.grid, self.channel, CORRECTED if CORRECTED in self.shows else LOGGED)

    # Changing

    def flag(self, first_seq: int, last_seq: int, word: Optional[str]) -> None:
        """Flag readings of the line that is worked on, or lift flags set by hand (None).

        An obstacle is noted by its stations, so that it stays on its ground whatever else is changed.
        """
        if not self.keys:
            return
        key, seqs = self.keys[0], (first_seq, last_seq)
        stations = self._stations(seqs) if word == OBSTACLE else None
        if stations is not None:
            text = tr("obstacle from station {first:g} to {last:g}").format(first=stations[0], last=stations[1])
            self._change(text, obstructed(self.at_work.edits, key, seqs, stations))
            return
        text = tr("readings flagged {flag}").format(flag=tr(word)) if word else tr("readings in use again")
        self._change(text, flagged(self.at_work.edits, key, seqs, word))

    def _stations(self, seqs: tuple[int, int]) -> Optional[tuple[float, float]]:
        """Return between which stations readings lie that a note can name; None where stations do not name them."""
        (grid, line, _), run = self.keys[0], self._run(self.keys[0])
        result, placed, _ = self.readings_of(grid)
        proposed = any(f.code == Code.PROPOSAL_ACCEPTED.word and f.line == line for f in result.findings)
        if proposed or self.kind() != KINDS[0]:
            return None
        notes, scheme = edited_notes(self.at_work.sources.notes, self.at_work.edits), result.source.entry.scheme
        seq = placed.seq[run.rows]
        inside = (seq >= seqs[0]) & (seq <= seqs[1])
        stations = counted_stations(placed, run, scheme, notes)[inside]
        return (float(np.nanmin(stations)), float(np.nanmax(stations))) if np.isfinite(stations).any() else None

    def set_kind(self, kind: str) -> None:
        """Make the line void, or take it as a line of the survey."""
        text = tr("void") if kind == "void" else tr("in use")
        self._change(text, with_kind(self.at_work.edits, self.note(), kind))

    def turn(self) -> None:
        """Have the line walked the other way."""
        text, heading = tr("walked the other way"), self.heading()
        self._change(text, turned(self.at_work.edits, self.note(), heading))

    def start_at(self, station: float) -> None:
        """Have the line start at another station."""
        text = tr("from station {station:g}").format(station=station)
        self._change(text, started_at(self.at_work.edits, self.note(), station, self.heading()))

    def move_to(self, position_m: float) -> None:
        """Have the line lie elsewhere along the baseline (a tie line: along the traverses)."""
        text = tr("at {position:g} m").format(position=position_m)
        self._change(text, moved_to(self.at_work.edits, self.note(), position_m, self.heading()))

    def as_noted(self) -> None:
        """Take every change of the line back."""
        self._change(tr("as noted"), as_noted(self.at_work.edits, self.keys[0]))

    def undo(self) -> None:
        """Take the last change back."""
        self._work_on(self.at_work.undo())

    def redo(self) -> None:
        """Make the change again that was taken back."""
        self._work_on(self.at_work.redo())

    def note(self) -> Note:
        """Return the note that counts for the line that is worked on."""
        key, session = self.keys[0], self.at_work
        return note_in_force(session.sources.notes, session.edits, key, session.recordings(key))

    def heading(self) -> int:
        """Return which way the line is taken to be walked: 1 out, -1 back."""
        _, table, _ = self.readings_of(self.keys[0][0])
        return int(table.heading[self._run(self.keys[0]).rows[0]])

    def first_station(self) -> float:
        """Return the first station that the log gives the line; NaN when it gives none."""
        _, table, _ = self.readings_of(self.keys[0][0])
        return float(table.station[self._run(self.keys[0]).rows[0]])

    def kind(self) -> str:
        """Return what the line is taken for: a line of the survey, a tie line, or readings at one spot."""
        _, table, _ = self.readings_of(self.keys[0][0])
        return KINDS[table.kind[self._run(self.keys[0]).rows[0]]]

    def position_m(self) -> float:
        """Return where the line lies along the baseline (a tie line: along the traverses); NaN where unknown."""
        record = self.readings_of(self.keys[0][0])[0].record
        lines = record.table if record is not None else ()
        position_m = next((line.position_m for line in lines if line.key == self.keys[0]), None)
        return float("nan") if position_m is None else position_m

    def _run(self, key: Key) -> Run:
        return next(run for run in self.at_work.runs(key[0]) if key_of(run) == key)

    def _change(self, what: str, edits: Edits) -> None:
        if edits != self.at_work.edits:
            text = f"{name_of(self.keys[0])}: {what}"
            self._work_on(self.at_work.change(text, edits))

    def _work_on(self, grids: Sequence[str]) -> None:
        self._keep_aside()
        for grid in grids:
            self._process(grid)

    def _process(self, grid: str) -> None:
        def done(state: GridState) -> None:
            self.at_work.accept(grid, state)
            self.grid_changed.emit(grid)
            self.view_changed.emit(True)
            self.message.emit(tr(AGAIN).format(grid=grid), False)

        def failed(sentence: str) -> None:
            self.grid_changed.emit(grid)
            self._failed(tr("{what} Undo the change.").format(what=sentence))

        text = tr("Turnrow: grid {grid} again").format(grid=grid)
        self.works.start(grid, text, self.at_work.again(grid, self.channel), done, failed)
        self.grid_changed.emit(grid)

    def close(self) -> None:
        """Stop all work."""
        self.works.cancel()
        self.session = self.survey = None
