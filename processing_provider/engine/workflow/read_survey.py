"""A whole survey: every grid read, compared with the notes and placed, each on its own feet."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Iterator, Mapping, Optional, Sequence

import numpy as np

from ..compare import compare_notes, grid_questioned, lines_in_error
from ..core import (
    Code,
    EngineError,
    Finding,
    GridEntry,
    Note,
    Progress,
    Readings,
    Scheme,
    notes_for,
    part_of,
    sentence_of,
)
from ..geometry import Corner, Frame, fit_frame
from ..logs import LogLayout, LogResult, read_log
from ..mistakes import PossibleMistake, possible_mistakes
from ..mosaic import LineCells, line_cells
from ..place import PlaceRecord, place_readings
from .failed_grids import frame_failed, grid_failed
from .log_parts import join_logs, part_of_grid

SAID_BY = {
    Code.LINE_UNPLACED: (Code.LINE_OUTSIDE, Code.DUMMY_LIKELY, Code.LINE_MISSING, Code.NOTES_DIFFER, Code.POSITION),
    Code.SETTING_CORRECTED: (
        Code.START_STATION,
        Code.LINE_ORDER,
        Code.LINE_OUTSIDE,
        Code.LINE_MISSING,
        Code.NOTES_DIFFER,
    ),
    Code.NOTE_DISAGREES: (Code.SETTING_CORRECTED,),
    Code.LINE_REVERSED: (Code.NOTE_DISAGREES, Code.NOTES_DIFFER, Code.LINE_MISSING, Code.LINE_ORDER),
    Code.LINE_SHIFTED: (Code.LINE_MISSING, Code.LINE_ORDER, Code.START_STATION),
    Code.LINES_SWAPPED: (Code.LINE_ORDER, Code.POSITION),
}
"""Findings that say nothing new where one of the others stands for the same line."""
READ_AND_COMPARED = 0.2, 0.3
"""Fractions of the time of a grid up to which its log is read, and compared with the notes, where mistakes are searched
for as well. Derived: measured on 64,000 readings."""
STANDS_ALONE = (Code.LAYOUT_QUESTIONED.word, Code.WRONG_LOG.word)
"""Findings about a log as a whole: until they are settled nothing is said of its lines, and the grid is left out."""
SAID_BY_QUESTION = (*STANDS_ALONE, Code.LINE_UNKNOWN.word)
"""What the reader finds of a log as a whole, and what the finding about the layout says already."""


@dataclass(frozen=True)
class GridSource:
    """What is known of a grid before its log is read."""

    entry: GridEntry
    logs: tuple[Path, ...]
    layout: Optional[LogLayout]
    corners: tuple[Corner, ...]


@dataclass(frozen=True)
class GridResult:
    """A grid that was read and placed, or why it could not be.

    Attributes
    ----------
    source : GridSource
    readings : Readings or None
        Placed readings; None when the grid failed, or when they are kept elsewhere.
    frame : Frame or None
    record : PlaceRecord or None
    findings : tuple of Finding
    problem : str
        Sentence for a grid that failed; empty otherwise.
    layouts : tuple of LogLayout
        The layouts that the logs were read with.
    remarks : tuple of str
        What the reader took for what.
    proposals : tuple of Note
        Notes that the possible mistakes imply, also of lines that the field notes speak of.
    cells : LineCells or None
        What grids are held against each other by; None when the grid failed.
    names : mapping of str
        Of channels in the survey, by their names in the logs where these differ (``channel_names``).
    """

    source: GridSource
    readings: Optional[Readings] = None
    frame: Optional[Frame] = None
    record: Optional[PlaceRecord] = None
    findings: tuple[Finding, ...] = ()
    problem: str = ""
    layouts: tuple[LogLayout, ...] = ()
    remarks: tuple[str, ...] = ()
    proposals: tuple[Note, ...] = ()
    cells: Optional[LineCells] = None
    names: Mapping[str, str] = field(default_factory=dict)

    @property
    def grid(self) -> str:
        """Name of the grid."""
        return self.scheme.grid

    @property
    def scheme(self) -> Scheme:
        """How the grid was to be walked."""
        return self.source.entry.scheme

    @property
    def fitted(self) -> Frame:
        """The frame of a grid that was placed."""
        if self.frame is None:
            raise ValueError(f"grid {self.grid} was not placed")
        return self.frame


def read_survey(
    sources: Sequence[GridSource],
    notes: Sequence[Note] = (),
    *,
    fit: str = "similarity",
    accept_certainty: Optional[float] = None,
) -> list[GridResult]:
    """Return all that ``read_grids`` yields, options as there."""
    return list(read_grids(sources, notes, fit=fit, accept_certainty=accept_certainty))


def read_grids(
    sources: Sequence[GridSource],
    notes: Sequence[Note] = (),
    *,
    fit: str = "similarity",
    accept_certainty: Optional[float] = None,
    search: bool = True,
    progress: Progress = None,
) -> Iterator[GridResult]:
    """Read, compare and place every grid of a survey; a grid that fails does not stop the others.

    Parameters
    ----------
    sources : sequence of GridSource
    notes : sequence of Note
    fit : str
        See ``fit_frame``.
    accept_certainty : float, optional
        Proposals of possible mistakes that are at least so certain are taken over as if they were notes, and reported
        as ``proposal-accepted``; none when not given. What the notes say of a line is never overridden.
    search : bool
        Whether to look for possible mistakes, if none is to be accepted; who corrects the grids does it afterwards,
        with what the corrections estimated.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Yields
    ------
    GridResult
        In the order of ``sources``. Nothing of it is kept here but logs that a later grid is in as well.
    """
    logs = _Logs(sources)
    for number, source in enumerate(sources):
        within = part_of(progress, number / len(sources), (number + 1) / len(sources))
        if within is not None:
            within(0.0)
        try:
            own = notes_for(notes, source.entry.scheme.grid)
            searched = search or accept_certainty is not None
            result = _read_grid(source, own, fit, accept_certainty, searched, logs, within)
        except Exception as error:
            grid = source.entry.scheme.grid
            problem = sentence_of(error, f"Grid {grid}")
            result = GridResult(source, findings=(grid_failed(grid, problem),), problem=problem)
        yield result


@dataclass(frozen=True)
class _Logged:
    """What the logs of one grid hold; attributes as in ``GridResult``."""

    readings: Readings
    findings: tuple[Finding, ...]
    layouts: tuple[LogLayout, ...]
    remarks: tuple[str, ...]


class _Logs:
    """Logs of a survey; each is read once and kept until the last grid that is in it is done."""

    def __init__(self, sources: Sequence[GridSource]) -> None:
        self._wanted = Counter((path, s.layout) for s in sources for path in dict.fromkeys(s.logs))
        self._names = {s.entry.scheme.grid for s in sources}
        self._kept: dict[tuple[Path, Optional[LogLayout]], LogResult] = {}
        self._seen: dict[str, str] = {}

    def of_grid(self, source: GridSource, progress: Progress) -> _Logged:
        """Return what the logs of a grid hold.

        Raises
        ------
        EngineError
            When a log cannot be read, does not hold the grid, or is a copy of another one.
        """
        grid, parts, findings = source.entry.scheme.grid, [], []
        layouts: list[LogLayout] = []
        remarks: list[str] = []
        paths = list(dict.fromkeys(source.logs))
        for number, path in enumerate(paths):
            within = part_of(progress, number / len(paths), (number + 1) / len(paths))
            result, first = self._read(path, source.layout, within)
            part = part_of_grid(result.readings, grid, path, self._names)
            self._refuse_copy(path, part, grid)
            parts.append(part)
            layouts.append(result.layout)
            remarks.extend(result.remarks)
            findings.extend(_of_reading(result, grid, first))
            misread = [] if first else [f for f in result.findings if f.code == Code.LAYOUT_QUESTIONED.word]
            findings.extend(replace(f, grid=grid) for f in misread)
        return _Logged(join_logs(parts), tuple(findings), tuple(layouts), tuple(remarks))

    def _read(self, path: Path, layout: Optional[LogLayout], progress: Progress) -> tuple[LogResult, bool]:
        """Return a log, and whether it was read just now."""
        key = (path, layout)
        first = key not in self._kept
        result = read_log(path, layout, progress=progress) if first else self._kept[key]
        self._wanted[key] -= 1
        if self._wanted[key]:
            self._kept[key] = result
        else:
            self._kept.pop(key, None)
        return result, first

    def _refuse_copy(self, path: Path, readings: Readings, grid: str) -> None:
        """Refuse a log whose readings were already used: the same file twice, or a copy under another name."""
        digest = hashlib.sha256()
        for column in (readings.line, readings.station, readings.time_s, *readings.channels.values()):
            digest.update(np.ascontiguousarray(column).tobytes())
        before = self._seen.get(digest.hexdigest())
        if before is not None:
            raise EngineError(
                f"{path.name} of grid {grid} holds the same readings as {before}: one is a copy of the other. "
                "Find the right log of this grid, or take the copy out of the register."
            )
        self._seen[digest.hexdigest()] = f"{path.name} of grid {grid}"


def _read_grid(
    source: GridSource, notes: Sequence[Note], fit: str, accept: Optional[float], search: bool, logs: _Logs,
    progress: Progress,
) -> GridResult:  # fmt: skip
    """Read, compare and place one grid; ``notes`` are its own."""
    read, done = READ_AND_COMPARED if search else (0.9, 1.0)
    scheme, logged = source.entry.scheme, logs.of_grid(source, part_of(progress, 0.0, read))
    confirmed, comparing = source.layout is not None and source.layout.confirmed, part_of(progress, read, done)
    compared = compare_notes(logged.readings, scheme, notes, confirmed=confirmed, progress=comparing)
    alone = next((f for f in (*logged.findings, *compared) if f.code in STANDS_ALONE), None)
    if alone is not None:
        of_log = (f for f in logged.findings if f.line is None and f.code not in SAID_BY_QUESTION)
        return GridResult(source, None, None, None, (alone, *of_log), alone.sentence(), logged.layouts, logged.remarks)
    try:
        frame = fit_frame(source.corners, scheme.length_m, scheme.width_m, fit=fit, grid=scheme.grid)
    except EngineError as error:
        # What the log shows stands all the same: lines may have to be walked again.
        whole = [f.text for f in compared if f.line is None and f.severity == "error"]
        problem = " ".join([str(error), *whole])
        found = (*logged.findings, *frame_failed(scheme.grid, error, compared))
        return GridResult(source, findings=found, problem=problem, layouts=logged.layouts, remarks=logged.remarks)
    placed, record, placing = place_readings(logged.readings, scheme, notes, frame)
    wrong, within = lines_in_error(compared), part_of(progress, done, 1.0)
    search = search and not grid_questioned(compared)
    possible = possible_mistakes(placed, scheme, notes, in_error=wrong, progress=within) if search else []
    accepted = [] if accept is None else _accepted(possible, accept)
    if accepted:
        proposed = [p.note for mistake in accepted for p in mistake.proposals]
        placed, record, placing = place_readings(logged.readings, scheme, [*notes, *proposed], frame)
    if not placed.in_use.any():
        raise EngineError(
            f"No reading of grid {scheme.grid} is in use ({_counts(placed)}). Check its line numbers, its size in the "
            "register and its notes."
        )
    mistakes = [_as_accepted(m) if m in accepted else m.finding for m in possible]
    findings = without_repeats([*logged.findings, *compared, *frame.findings, *placing, *mistakes])
    proposals = tuple(note for mistake in possible for note in mistake.implied)
    found, cells = tuple(findings), line_cells(placed, scheme, frame)
    return GridResult(source, placed, frame, record, found, "", logged.layouts, logged.remarks, proposals, cells)


def _accepted(possible: Sequence[PossibleMistake], accept: float) -> list[PossibleMistake]:
    """Return the mistakes whose proposals are taken over, the surest first; a line is mended once."""
    accepted: list[PossibleMistake] = []
    lines: set[int] = set()
    for mistake in sorted(possible, key=lambda m: -m.certainty):
        mine = {p.line for p in mistake.proposals}
        if mine and mistake.certainty >= accept and not mine & lines:
            accepted.append(mistake)
            lines |= mine
    return accepted


def _as_accepted(mistake: PossibleMistake) -> Finding:
    """Return the finding of a proposal that was taken over: what was changed, and how certain it is."""
    first, *others = (p.note for p in mistake.proposals)
    changed = [f"kind {first.kind}"] if first.kind != "survey" else []
    changed += [f"heading {'out' if first.heading > 0 else 'back'}"] if first.heading else []
    changed += [f"start_station {first.start_station:g}"] if first.start_station is not None else []
    changed += [f"position_m {first.position_m:g}"] if first.position_m is not None else []
    more = f", and {len(others)} other lines were moved with it" if others else ""
    advice = (
        f"Walk line {first.line} again." if mistake.finding.walk_again else f"Look at line {first.line} on the map."
    )
    advice += f" It was placed with {', '.join(changed)}{more}; certainty {mistake.certainty:.2f}."
    advice += " If this is wrong, note how the line was walked, or raise accept_certainty in the recipe."
    return mistake.finding.as_code(Code.PROPOSAL_ACCEPTED, advice)


def without_repeats(findings: Sequence[Finding]) -> list[Finding]:
    """Leave out what reading or placing says of a line where the comparison says the same, and the other way round."""
    # A note that only counts for more than the log asks nothing, so that readings that contradict it are news.
    asks = [f for f in findings if f.code != Code.NOTE_DISAGREES.word or f.action == "ask"]
    said = {(f.code, line) for f in asks for line in (f.line, *f.also)}
    questioned = grid_questioned(findings)

    def repeats(finding: Finding) -> bool:
        if finding.code == Code.NOTE_DISAGREES.word and finding.action == "ask":
            return False
        if questioned and finding.code == Code.SETTING_CORRECTED.word:
            return True
        return any((c.word, finding.line) in said for c in SAID_BY.get(Code.of(finding.code), ()))

    return [f for f in findings if not repeats(f)]


def _counts(readings: Readings) -> str:
    return ", ".join(f"{n} {word}" for word, n in readings.flag_counts().items())


def _of_reading(result: LogResult, grid: str, first: bool) -> list[Finding]:
    """Return the reader's findings about a grid; those about the whole file go to the first grid that it serves."""
    own = [f for f in result.findings if f.grid == grid and f.grid]
    # The comparison counts readings without a value by grid and channel.
    whole = [f for f in result.findings if not f.grid and f.code != Code.READINGS_MISSING.word]
    several = len(result.readings.grids) > 1
    return own + ([f if several else replace(f, grid=grid) for f in whole] if first else [])
