"""What crews do to their books and logs: tables as they type and save them, logs in parts, rows in odd forms.

Nothing here walks anything: the recordings and notes of a survey are altered, or its files after they were written
(``afterwards`` of a survey).
"""

from __future__ import annotations

import csv
import re
import sys
from dataclasses import replace
from pathlib import Path
from typing import Callable, Optional

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from planting import Grid, Survey, note_of, of_line  # noqa: E402 (it stands beside this file)


def _table(folder: Path, name: str, change: Callable) -> None:
    """Read a table, change its rows (header first), and write it again."""
    path = folder / f"{name}.csv"
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    rows = change(rows) or rows
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)


def _matches(header: list, row: list, where: dict) -> bool:
    cells = dict(zip(header, row))
    return all(cells.get(name, "") in (str(value), f"{value}.0") for name, value in where.items())


def saved_with(survey: Survey, grid: Grid, table: str, delimiter: str = ";", decimal: str = ",") -> None:
    """A spreadsheet of another country saved the table: another delimiter and decimal mark."""

    def change(folder: Path) -> None:
        path = folder / f"{table}.csv"
        with path.open(newline="") as file:
            rows = list(csv.reader(file))
        rows = [[re.sub(r"^(-?\d+)\.(\d+)$", rf"\1{decimal}\2", cell) for cell in row] for row in rows]
        with path.open("w", newline="") as file:
            csv.writer(file, delimiter=delimiter).writerows(rows)

    survey.afterwards.append(change)


def cell_typed(survey: Survey, grid: Grid, table: str, where: dict, column: str, text: str) -> None:
    """A cell of some rows was typed as a text; the column is new where the table has none of that name."""

    def change(rows: list) -> None:
        header = rows[0]
        if column not in header:
            header.append(column)
        for row in rows[1:]:
            row += [""] * (len(header) - len(row))
            if _matches(header, row, where):
                row[header.index(column)] = text

    survey.afterwards.append(lambda folder: _table(folder, table, change))


def column_typed(survey: Survey, grid: Grid, table: str, column: str, pattern: str, by: str) -> None:
    """All cells of a column were typed in another form."""

    def change(rows: list) -> None:
        at = rows[0].index(column)
        for row in rows[1:]:
            row[at] = re.sub(pattern, by, row[at])

    survey.afterwards.append(lambda folder: _table(folder, table, change))


def blank_rows(survey: Survey, grid: Grid, table: str, every: int) -> None:
    """Blank rows part the table and stand at its end."""

    def change(rows: list) -> list:
        blank = [""] * len(rows[0])
        out = []
        for i, row in enumerate(rows):
            out += [row, blank] if i % every == every - 1 else [row]
        return [*out, blank, blank]

    survey.afterwards.append(lambda folder: _table(folder, table, change))


def row_repeated(survey: Survey, grid: Grid, table: str, where: dict, **values: str) -> None:
    """A row of a table stands in it a second time, with some other cells."""

    def change(rows: list) -> None:
        header = rows[0]
        row = next(row for row in rows[1:] if _matches(header, row, where))
        rows.append([str(values.get(name, cell)) for name, cell in zip(header, row)])

    survey.afterwards.append(lambda folder: _table(folder, table, change))


def row_as_text(survey: Survey, grid: Grid, table: str, text: str) -> None:
    """A row was added to a table with a text editor."""

    def change(folder: Path) -> None:
        path = folder / f"{table}.csv"
        path.write_bytes(path.read_bytes() + text.encode() + b"\r\n")

    survey.afterwards.append(change)


def _log_rows(path: Path) -> tuple[list, list]:
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    return rows[0], rows[1:]


def _write_log(path: Path, header: list, rows: list) -> None:
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *rows])


def in_two_files(survey: Survey, grid: Grid, line: int, log: Optional[str] = None, minus: int = 0,
                 hours: float = 0.0) -> None:  # fmt: skip
    """From a line on the log is in a second file, with the clock ``hours`` on and its numbers less ``minus``.

    ``log``: what the register names; without it both files in their order.
    """
    first, second = f"{grid.name}.csv", f"{grid.name}_2.csv"
    grid.register["log"] = f"{first};{second}" if log is None else log

    def change(folder: Path) -> None:
        header, rows = _log_rows(folder / first)
        count = sum(len(one.station) for one in grid.recordings[: of_line(grid, line)])
        later = []
        for number, station, clock, value in rows[count:]:
            hour, rest = clock.split(":", 1)
            shown = int(number) - minus if int(number) not in (0, 99) else int(number)
            later.append([shown, station, f"{int(int(hour) + hours) % 24:02d}:{rest}", value])
        _write_log(folder / first, header, rows[:count])
        _write_log(folder / second, header, later)

    survey.afterwards.append(change)


def in_one_log(survey: Survey, grid: Grid, others: list, called: Optional[dict] = None) -> None:
    """Grids are in one log that has a column for them; ``called``: grids that have another name there."""
    names = [grid.name, *others]
    for name in names:
        survey.grids[name].register["log"] = "day.csv"

    def change(folder: Path) -> None:
        rows = []
        for name in names:
            header, part = _log_rows(folder / f"{name}.csv")
            rows += [[(called or {}).get(name, name), *row] for row in part]
            (folder / f"{name}.csv").unlink()
        _write_log(folder / "day.csv", ["grid", *header], rows)

    survey.afterwards.append(change)


def log_emptied(survey: Survey, grid: Grid) -> None:
    """The log has its header and nothing below it."""

    def change(folder: Path) -> None:
        header, _ = _log_rows(folder / f"{grid.name}.csv")
        _write_log(folder / f"{grid.name}.csv", header, [])

    survey.afterwards.append(change)


def log_lost(survey: Survey, grid: Grid) -> None:
    """The log that the register names is not in the folder."""
    survey.afterwards.append(lambda folder: (folder / f"{grid.name}.csv").unlink())


def notes_turned(survey: Survey, grid: Grid) -> None:
    """The rows of the notes stand in the opposite order."""
    grid.notes.reverse()


def notes_without(survey: Survey, grid: Grid, columns: list, kind: str = "survey") -> None:
    """The rows of a kind leave some columns blank."""
    for note in grid.notes:
        if note["kind"] == kind:
            for name in columns:
                note.pop(name, None)


def obstacle_rows(survey: Survey, grid: Grid, lines: list, first: int, last: int) -> None:
    """An obstacle between two stations is noted for each of some lines."""
    for line in lines:
        grid.notes.append({"grid": grid.name, "line": line, "start_station": first, "stop_station": last,
                           "kind": "obstacle"})  # fmt: skip


def numbers_typed(survey: Survey, grid: Grid, numbers: dict, noted: bool = False) -> None:
    """Lines were recorded under other numbers (new by old); ``noted`` so."""
    new = {int(old): number for old, number in numbers.items()}
    for i, one in enumerate(grid.recordings):
        grid.recordings[i] = replace(one, line=new.get(one.line, one.line))
    if noted:
        for note in grid.notes:
            note["line"] = new.get(note["line"], note["line"])


def noted_exchanged(survey: Survey, grid: Grid, lines: list) -> None:
    """Start and stop of some lines were written into each other's column."""
    for line in lines:
        note = note_of(grid, line)
        note["start_station"], note["stop_station"] = note["stop_station"], note["start_station"]


def corners_turned(survey: Survey, grid: Grid, degrees: float) -> None:
    """The grid lies turned about its start corner."""
    x0, y0 = grid.corners["start"]
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    for name, (x, y) in grid.corners.items():
        grid.corners[name] = [x0 + c * (x - x0) - s * (y - y0), y0 + s * (x - x0) + c * (y - y0)]


def corners_in(survey: Survey, grid: Grid, epsg: int) -> None:
    """The corners were written down in another CRS."""
    from osgeo import osr

    planned, other = osr.SpatialReference(), osr.SpatialReference()
    planned.ImportFromEPSG(32631)
    other.ImportFromEPSG(epsg)
    for one in (planned, other):
        one.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    there = osr.CoordinateTransformation(planned, other)
    for name, (x, y) in grid.corners.items():
        grid.corners[name] = [round(value, 8) for value in there.TransformPoint(float(x), float(y))[:2]]


def only_lines(survey: Survey, grid: Grid, last: int, registered: bool = True) -> None:
    """The grid is narrower: it was pegged, walked and noted up to a line; the register says so, or another width."""
    grid.recordings[:] = [one for one in grid.recordings if one.kind != "survey" or one.line <= last]
    grid.notes[:] = [note for note in grid.notes if note["kind"] != "survey" or note["line"] <= last]
    width = last * 0.5
    grid.corners["baseline"] = [grid.corners["baseline"][0] - grid.size_m + width, grid.corners["baseline"][1]]
    grid.corners["opposite"] = [grid.corners["opposite"][0] - grid.size_m + width, grid.corners["opposite"][1]]
    if registered:
        grid.register["width_m"] = width


def retimed(survey: Survey, grid: Grid, pause_s: float = 9.0) -> None:
    """The recordings follow each other in the order in which they stand."""
    clock = grid.recordings[0].time_s[0]
    for i, one in enumerate(grid.recordings):
        grid.recordings[i] = replace(one, time_s=one.time_s - one.time_s[0] + clock)
        clock = grid.recordings[i].time_s[-1] + pause_s


def walked_at_the_end(survey: Survey, grid: Grid, lines: list, numbers: Optional[list] = None) -> None:
    """Lines were left out at first and walked after the others, under their own numbers or under ``numbers``."""
    moved = [grid.recordings.pop(of_line(grid, line)) for line in lines]
    rows = [note_of(grid, line) for line in lines]
    at = 1 + max(i for i, one in enumerate(grid.recordings) if one.kind == "survey")
    grid.recordings[at:at] = [replace(one, line=n) for one, n in zip(moved, numbers or lines)]
    retimed(survey, grid)
    for row, number in zip(rows, numbers or lines):
        grid.notes.remove(row)
        row["line"] = number
    at = 1 + max(i for i, row in enumerate(grid.notes) if row["kind"] == "survey")
    grid.notes[at:at] = rows


def ties_first(survey: Survey, grid: Grid) -> None:
    """The ties were walked before the lines."""
    grid.recordings.sort(key=lambda one: {"dummy": 0 if one.line == 0 else 3, "tie": 1}.get(one.kind, 2))
    grid.notes.sort(key=lambda row: {"dummy": 0 if row["line"] == 0 else 3, "tie": 1}.get(row["kind"], 2))
    retimed(survey, grid)


def noted_as_second_recordings(survey: Survey, grid: Grid, behind: int) -> None:
    """Lines behind a number are noted as second recordings of the lines from 1 on, with their positions."""
    for note in grid.notes:
        if note["kind"] == "survey" and note["line"] > behind:
            note.update(position_m=0.5 * note["line"] - 0.25, run=2, line=note["line"] - behind)


def positions_noted(survey: Survey, grid: Grid) -> None:
    """All rows of lines have their position."""
    for note in grid.notes:
        if note["kind"] == "survey":
            note["position_m"] = 0.5 * note["line"] - 0.25


def second_file_is_the_first(survey: Survey, grid: Grid) -> None:
    """The first file was copied under the name of the second."""

    def change(folder: Path) -> None:
        (folder / f"{grid.name}_2.csv").write_bytes((folder / f"{grid.name}.csv").read_bytes())

    survey.afterwards.append(change)


def redo_last(survey: Survey, grid: Grid, line: int) -> None:
    """The second recording of a line was made after the last line, and its row stands there."""
    second = [i for i, one in enumerate(grid.recordings) if one.line == line][1]
    one = grid.recordings.pop(second)
    grid.recordings.insert(1 + max(i for i, r in enumerate(grid.recordings) if r.kind == "survey"), one)
    retimed(survey, grid)
    row = next(note for note in grid.notes if note["line"] == line and note["kind"] == "redo")
    grid.notes.remove(row)
    grid.notes.append(row)
