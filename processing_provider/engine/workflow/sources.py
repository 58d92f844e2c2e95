"""From rows of register, corners and notes to the sources of a survey: files found, layouts read, problems named."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Collection, Mapping, Optional, Sequence

import numpy as np

from ..core import (
    UNREADABLE,
    Code,
    EngineError,
    Finding,
    GridEntry,
    Note,
    Progress,
    notes_of_book,
    parse_register,
    read_text,
    registered_name,
    shown,
    with_registered_names,
)
from ..geometry import Corner, corners_unreadable, far_grids, fit_frame, in_degrees, usable_corners
from ..logs import LogLayout, layout_from_json
from .failed_grids import grid_failed
from .read_survey import GridSource

LEAVES_OUT = (Code.GRID_FAILED, Code.AXES_EXCHANGED, Code.GRID_FAR)
"""Findings about grids that a run leaves out."""


@dataclass(frozen=True)
class SurveySources:
    """Everything that a survey is made of, before a log is read.

    Attributes
    ----------
    grids : tuple of GridSource
    notes : tuple of Note
    findings : tuple of Finding
        Grids that cannot be used, what is said of where the survey lies, and rows about grids that the register does
        not have.
    files : tuple of Path
        Every log and layout.
    names : mapping of str
        Of channels in the survey that the grids are some of, by their names in the logs where these differ.
    """

    grids: tuple[GridSource, ...]
    notes: tuple[Note, ...]
    findings: tuple[Finding, ...]
    files: tuple[Path, ...]
    names: Mapping[str, str] = field(default_factory=dict)

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of grids that cannot be used."""
        return tuple(f.grid for f in self.findings if f.code in {code.word for code in LEAVES_OUT})


def gather_sources(
    register: Sequence[Mapping[str, object]],
    corners: Sequence[Mapping[str, object]],
    notes: Sequence[Mapping[str, object]],
    folder: Path,
    site: Sequence[Finding] = (),
    *,
    progress: Progress = None,
) -> SurveySources:
    """Bring register, corners and notes together.

    Parameters
    ----------
    register, corners, notes : sequences of table rows
    folder : Path
        What relative paths of the register are relative to.
    site : sequence of Finding
        What is known of where the survey lies. Grids with exchanged axes are left out (all of them where the finding
        names none), and so are those that lie far from the others.
    progress : callable, optional
        Called while regular expressions of layouts are checked; what it raises ends that.

    Raises
    ------
    EngineError
        When a table as a whole cannot be used.
    """
    entries, problems = parse_register(register)
    known = {entry.scheme.grid for entry in entries} | set(problems)
    corners, notes = (with_registered_names(rows, known) for rows in (corners, notes))
    site = [replace(f, grid=registered_name(f.grid, known)) for f in site]
    by_grid, bad_corners = _corners_by_grid(corners)
    noted, unreadable = notes_of_book(notes)
    turned = _grids_with(site, Code.AXES_EXCHANGED)
    far = far_grids(_fitting(entries, by_grid, turned), _grids_with(site, Code.CRS_AREA))
    left_out = {*turned, *(f.grid for f in far)}
    refused = left_out | _in_degrees(entries, by_grid)
    site = [f for f in site if f.grid not in refused or f.code != Code.CRS_AREA.word]
    grids, files = [], {}
    layouts: dict[str, LogLayout] = {}
    for entry in entries:
        if left_out & {"", entry.scheme.grid}:
            continue
        try:
            source = _source(entry, by_grid[entry.scheme.grid], folder, layouts, progress)
        except EngineError as error:
            problems[entry.scheme.grid] = " ".join([str(error), *bad_corners.pop(entry.scheme.grid, ())])
            continue
        grids.append(source)
        files.update(dict.fromkeys(source.logs))
        if entry.layout:
            files[folder / entry.layout] = None
    failed = [grid_failed(name, text) for name, text in problems.items()]
    unknown = _unknown_grids(by_grid, noted, known)
    findings = (*site, *far, *failed, *unknown, *unreadable, *corners_unreadable(bad_corners))
    return SurveySources(tuple(grids), tuple(noted), findings, tuple(files))


def _corners_by_grid(rows: Sequence[Mapping[str, object]]) -> tuple[Mapping[str, list[Corner]], dict[str, list[str]]]:
    """Return the corners of each grid, none where it has none, and the sentences about rows that are none, by grid."""
    by_grid: dict[str, list[Corner]] = defaultdict(list)
    usable, bad = usable_corners(rows)
    for corner in usable:
        by_grid[corner.grid].append(corner)
    return by_grid, bad


def _grids_with(findings: Sequence[Finding], code: Code) -> set[str]:
    return {f.grid for f in findings if f.code == code.word}


def _fitting(
    entries: Sequence[GridEntry], by_grid: Mapping[str, list[Corner]], turned: Collection[str]
) -> dict[str, list[Corner]]:
    """Return the corners of the grids that have the shape of their grid; what does not fit is refused for that."""
    fitting = {}
    for entry in entries:
        scheme, corners = entry.scheme, by_grid[entry.scheme.grid]
        if scheme.grid in turned or "" in turned:
            continue
        try:
            fit_frame(corners, scheme.length_m, scheme.width_m)
        except EngineError:
            continue
        fitting[scheme.grid] = corners
    return fitting


def _in_degrees(entries: Sequence[GridEntry], by_grid: Mapping[str, list[Corner]]) -> set[str]:
    """Return the grids whose corners are in degrees, and "" (the site) where all are: each is refused for that."""
    schemes = [entry.scheme for entry in entries if by_grid[entry.scheme.grid]]
    places = {s.grid: np.array([(c.x, c.y) for c in by_grid[s.grid]]) for s in schemes}
    names = {s.grid for s in schemes if in_degrees(places[s.grid], float(np.hypot(s.length_m, s.width_m)))}
    return {*names, ""} if names and len(names) == len(schemes) else names


def _source(
    entry: GridEntry, corners: list[Corner], folder: Path, layouts: dict[str, LogLayout], progress: Progress
) -> GridSource:
    """Return the source of a grid; ``layouts`` are those read so far, by their name in the register."""
    logs = tuple(_existing(folder, name, "log", entry) for name in entry.logs)
    layout: Optional[LogLayout] = None
    if entry.layout:
        if entry.layout not in layouts:
            text = read_text(_existing(folder, entry.layout, "layout", entry), "layout")
            layouts[entry.layout] = layout_from_json(text, entry.layout, progress=progress)
        layout = layouts[entry.layout]
    if not corners:
        raise EngineError(
            f"No corner of grid {entry.scheme.grid} is known. Add at least two of start, baseline, opposite and head "
            "to the corners, under the grid's name."
        )
    return GridSource(entry, logs, layout, tuple(corners))


def _existing(folder: Path, name: str, what: str, entry: GridEntry) -> Path:
    path = folder / name
    try:
        is_there = path.is_file()
    except OSError:  # a name that no file can have
        is_there = False
    if not is_there:
        raise EngineError(
            f"The {what} {shown(name)[1:-1]} of grid {entry.scheme.grid} ({entry.where}) is not in the folder "
            f"{folder}. Correct the name in the register, or choose the folder that holds the logs."
        )
    return path


def _unknown_grids(corners: Mapping[str, list[Corner]], notes: Sequence[Note], known: set[str]) -> list[Finding]:
    named = (
        (Code.CORNERS_WITHOUT_GRID, "corners", {g for g, c in corners.items() if c and g}),
        (Code.NOTES_WITHOUT_GRID, "notes", {n.grid for n in notes if n.grid and n.kind != UNREADABLE}),
    )
    return [
        code.finding(f"The register has no grid {grid}, but the {what} do.",
                     "", "Ask the books how the grid is spelt. Correct its name, or add it to the register.", grid=grid)
        for code, what, grids in named
        for grid in sorted(grids - known)
    ]  # fmt: skip


def file_facts(path: Path, base: Path) -> dict[str, object]:
    """Return path (relative to ``base`` where it lies below), size and SHA-256 of an input file."""
    resolved, base = path.resolve(), base.resolve()
    shown = resolved.relative_to(base) if base in resolved.parents else resolved
    return {"path": shown.as_posix(), "bytes": path.stat().st_size, "sha256": sha256_of(path)}


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal digits."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        for block in iter(lambda: file.read(1 << 20), b""):
            digest.update(block)
    return digest.hexdigest()
