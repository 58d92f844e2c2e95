"""Draws small surveys and plants mistakes in them, as the case files beside it say.

Ground and walks are drawn apart from the models that the engine fits: geology of plane waves with random phases, pits
with sharp sides, a bent ditch; paces that are lognormal by stretches of a few metres; values rounded as a logger does.

A case file names the survey, what was done wrong (``plant``), and what a person should be asked to do (``expect``).
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Callable, Optional

import numpy as np

RATE = 8
"""Readings a metre."""
READINGS_PER_S = 8.0
ORIGIN = (500100.0, 6000100.0)
OVERRUN = 4
"""Readings beyond either edge of the grid."""
CRS = "EPSG:32631"


@dataclass(frozen=True)
class Recording:
    """One recording of a line: what the log calls it, and what was truly walked.

    ``u_m`` and ``v_m`` (n,) are where the readings were taken, ``station`` (n,) what the logger counted.
    """

    line: int
    station: np.ndarray
    time_s: np.ndarray
    u_m: np.ndarray
    v_m: np.ndarray
    value: np.ndarray
    kind: str = "survey"
    heading: int = 1

    def take(self, rows) -> Recording:
        """Return some of the readings, in their order."""
        return replace(self, **{k: getattr(self, k)[rows] for k in ("station", "time_s", "u_m", "v_m", "value")})


@dataclass
class Grid:
    """A grid as it was walked, and what the crew wrote down."""

    name: str
    size_m: float
    east_m: float
    recordings: list[Recording]
    register: dict
    corners: dict
    notes: list[dict] = field(default_factory=list)


@dataclass
class Survey:
    """Grids of a site, with the ground below them."""

    ground: Callable
    grids: dict[str, Grid]
    rng: np.random.Generator
    corner_columns: tuple = ("grid", "corner", "x", "y")
    afterwards: list = field(default_factory=list)
    """What happens to the files once they are written, each a function of their folder."""


def ground_of(rng: np.random.Generator, size_m: float, width_m: float) -> Callable:
    """Return conductivity in mS/m at metres east and north of the site's corner."""
    waves = [(rng.uniform(3, 15), rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)) for _ in range(14)]
    pits = [(rng.uniform(0, width_m), rng.uniform(0, size_m), rng.uniform(0.4, 1.1), rng.uniform(1.5, 5.0))
            for _ in range(int(width_m * size_m / 9))]  # fmt: skip
    bend, across, depth = rng.uniform(0.03, 0.1), rng.uniform(0.3, 0.7) * size_m, rng.uniform(2.0, 4.0)

    def at(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        z = np.full(np.shape(x), 21.0)
        for length, way, phase in waves:
            z = z + 0.18 * length**0.5 * np.cos(2 * np.pi * (x * np.cos(way) + y * np.sin(way)) / length + phase)
        for x0, y0, radius, height in pits:
            z = z + height / (1 + ((x - x0) ** 2 + (y - y0) ** 2) ** 2 / radius**4)
        ditch = y - across - bend * (x - width_m / 2) ** 2 / 2
        return z + depth / (1 + (ditch / 0.6) ** 4)

    return at


def walk_line(survey: Survey, grid: Grid, number: int, start_s: float, *, index: Optional[int] = None, heading=None,
              first=None, count=None, kind="survey", position_m=None, tie_v_m=None) -> Recording:  # fmt: skip
    """Walk one line as it should be: ``index`` counts lines across from 0, ``first`` and ``count`` in readings."""
    rng, index = survey.rng, number - 1 if index is None else index
    heading = (1 if index % 2 == 0 else -1) if heading is None else heading
    inside = round(grid.size_m * RATE)
    first = -OVERRUN if first is None else first
    count = inside + 2 * OVERRUN + int(rng.integers(-1, 3)) if count is None else count
    step = np.arange(first, first + count)
    pace = np.exp(np.repeat(rng.normal(0, 0.03, count // 16 + 1), 16)[:count])
    along = (step + 0.5) / RATE + (np.cumsum(pace) - np.arange(1, count + 1)) / RATE + rng.normal(0, 0.04)
    v = along if heading > 0 else grid.size_m - along
    station = step + 1 if heading > 0 else inside - step
    u = (index + 0.5) * 0.5 if position_m is None else position_m
    u = np.full(count, u) + rng.normal(0, 0.02)
    if tie_v_m is not None:
        u, v = v, np.full(count, tie_v_m) + rng.normal(0, 0.02)
    time = start_s + np.arange(count) / READINGS_PER_S
    value = survey.ground(grid.east_m + u, v) + 0.25 * heading + 0.2 * rng.normal() + rng.normal(0, 0.12, count)
    return Recording(number, station.astype(float), time, u, v, np.round(value, 2), kind, heading)


def draw(seed: int, grids: str = "A", size_m: float = 10.0, ties: int = 0) -> Survey:
    """Walk a survey without a mistake: dummies at both ends of every grid, lines out and back, full notes."""
    rng = np.random.default_rng([2026, seed])
    survey = Survey(ground_of(rng, size_m, size_m * len(grids)), {}, rng)
    clock = 9 * 3600.0
    for k, name in enumerate(grids):
        lines = round(size_m / 0.5)
        register = {"grid": name, "log": f"{name}.csv", "length_m": size_m, "width_m": size_m, "spacing_m": 0.5,
                    "readings_per_m": RATE}  # fmt: skip
        local = {"start": (0, 0), "baseline": (size_m, 0), "opposite": (size_m, size_m), "head": (0, size_m)}
        corners = {n: [ORIGIN[0] + k * size_m + u, ORIGIN[1] + v] for n, (u, v) in local.items()}
        grid = Grid(name, size_m, k * size_m, [], register, corners)
        survey.grids[name] = grid
        for number in [0, *range(1, lines + 1), *range(201, 201 + ties), 99]:
            kind = "dummy" if number in (0, 99) else "tie" if number > 200 else "survey"
            where = {"index": 0 if number == 0 else lines - 1, "heading": 1} if kind == "dummy" else {}
            note = {"grid": name, "line": number, "kind": kind}
            if kind == "tie":
                v = round(size_m * (number - 200) / (ties + 1), 2)
                where = {"tie_v_m": v, "heading": 1}
                note.update(position_m=v)
            one = walk_line(survey, grid, number, clock, kind=kind, **where)
            note.update(start_station=one.station[0], stop_station=one.station[-1])
            note.update(heading="out" if one.heading > 0 else "back")
            grid.recordings.append(one)
            grid.notes.append(note)
            clock = one.time_s[-1] + 9.0 + rng.uniform(0, 4)
    return survey


def write(survey: Survey, folder: Path) -> None:
    """Write logs, register, corners and notes of a survey into a folder."""
    for grid in survey.grids.values():
        rows = []
        for one in grid.recordings:
            for s, t, z in zip(one.station, one.time_s, one.value):
                clock = f"{int(t // 3600):02d}:{int(t % 3600 // 60):02d}:{t % 60:06.3f}"
                rows.append([one.line, int(s), clock, f"{z:.2f}"])
        _write(folder / f"{grid.name}.csv", ["line", "station", "time", "cond"], rows)
    grids = list(survey.grids.values())
    _write_dicts(folder / "register.csv", [grid.register for grid in grids])
    corners = [{"grid": g.name, "corner": n, "x": x, "y": y} for g in grids for n, (x, y) in g.corners.items()]
    _write(folder / "corners.csv", list(survey.corner_columns), [list(row.values()) for row in corners])
    columns = ["grid", "line", "run", "start_station", "stop_station", "position_m", "heading", "kind", "comment"]
    _write_dicts(folder / "notes.csv", [note for grid in grids for note in grid.notes], columns)
    for change in survey.afterwards:
        change(folder)


def _write(path: Path, header: list, rows: list) -> None:
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *rows])


def _write_dicts(path: Path, rows: list[dict], columns: Optional[list] = None) -> None:
    columns = columns or list(dict.fromkeys(name for row in rows for name in row))
    _write(path, columns, [[row.get(name, "") for name in columns] for row in rows])


# What can go wrong, one function each; a case file names it and gives its arguments.


def of_line(grid: Grid, line: int) -> int:
    """Return the index of the first recording with that number."""
    return next(i for i, one in enumerate(grid.recordings) if one.line == line)


def note_of(grid: Grid, line: int) -> dict:
    """Return the note about a line."""
    return next(note for note in grid.notes if note.get("line") == line)


def reversed_count(survey: Survey, grid: Grid, line: int) -> None:
    """The direction was not set: stations count the other way; the notes say what was walked."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    inside = round(grid.size_m * RATE)
    grid.recordings[i] = replace(one, station=inside + 1 - one.station)


def counted_from(survey: Survey, grid: Grid, line: int, by: int) -> None:
    """The start station was not set anew: all stations of the line are off by so many; the notes are right."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    grid.recordings[i] = replace(one, station=one.station + by)


def started_late(survey: Survey, grid: Grid, line: int, readings: int) -> None:
    """The button was pressed late: the first readings of the line are not there; notes as walked."""
    i = of_line(grid, line)
    grid.recordings[i] = grid.recordings[i].take(slice(readings, None))
    if "start_station" in note_of(grid, line):
        note_of(grid, line)["start_station"] = grid.recordings[i].station[0]


def stopped_early(survey: Survey, grid: Grid, line: int, readings: int, noted: bool = True) -> None:
    """The line was stopped early; the note says so or keeps what was planned."""
    i = of_line(grid, line)
    grid.recordings[i] = grid.recordings[i].take(slice(None, -readings))
    if noted:
        note_of(grid, line)["stop_station"] = grid.recordings[i].station[-1]


def left_gap(survey: Survey, grid: Grid, line: int, first: int, readings: int, kept: bool = True) -> None:
    """Readings inside a line are not there: stations go on (``kept``) as if they were, or close up."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    keep = np.r_[0:first, first + readings : len(one.station)]
    left = one.take(keep)
    if not kept:
        left = replace(left, station=one.station[: len(keep)])
    grid.recordings[i] = left


def not_recorded(survey: Survey, grid: Grid, line: int) -> None:
    """A line is not in the log, although noted."""
    del grid.recordings[of_line(grid, line)]


def numbered(survey: Survey, grid: Grid, line: int, number: int) -> None:
    """A line was recorded under another number; the notes are right."""
    i = of_line(grid, line)
    grid.recordings[i] = replace(grid.recordings[i], line=number)


def numbers_skip(survey: Survey, grid: Grid, line: int) -> None:
    """The logger jumped over a number: from this line on all survey lines carry one more, in log and notes."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey" and one.line >= line:
            grid.recordings[i] = replace(one, line=one.line + 1)
    for note in grid.notes:
        if note["kind"] == "survey" and note["line"] >= line:
            note["line"] += 1


def exchanged(survey: Survey, grid: Grid, a: int, b: int) -> None:
    """Two lines carry each other's number in the log."""
    i, j = of_line(grid, a), of_line(grid, b)
    grid.recordings[i] = replace(grid.recordings[i], line=b)
    grid.recordings[j] = replace(grid.recordings[j], line=a)


def walked_again(survey: Survey, grid: Grid, line: int, noted: str = "") -> None:
    """A line was walked a second time right after the first; ``noted`` as redo, void, or not at all."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    again = walk_line(survey, grid, line, one.time_s[-1] + 6.0)
    for later in range(i + 1, len(grid.recordings)):
        rec = grid.recordings[later]
        grid.recordings[later] = replace(rec, time_s=rec.time_s + len(again.time_s) / READINGS_PER_S + 12.0)
    grid.recordings.insert(i + 1, again)
    heading = "out" if again.heading > 0 else "back"
    row = {"grid": grid.name, "line": line, "start_station": again.station[0], "stop_station": again.station[-1],
            "heading": heading}  # fmt: skip
    if noted == "redo":
        grid.notes.append({**row, "run": 2, "kind": "redo"})
    elif noted == "void":
        note_of(grid, line).update(run=1, kind="void")
    elif noted == "without run":
        grid.notes.insert(grid.notes.index(note_of(grid, line)) + 1, {**row, "kind": "survey"})


def split_by_pause(survey: Survey, grid: Grid, line: int, at: int, back: int) -> None:
    """The walk paused at a reading and went on from some readings back, with new readings of the same ground."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    first, second = one.take(slice(None, at)), one.take(slice(at - back, None))
    second = replace(second, time_s=second.time_s + 35.0 + back / READINGS_PER_S,
                     value=np.round(second.value + survey.rng.normal(0, 0.1, len(second.value)), 2))  # fmt: skip
    for later in range(i + 1, len(grid.recordings)):
        rec = grid.recordings[later]
        grid.recordings[later] = replace(rec, time_s=rec.time_s + 36.0 + back / READINGS_PER_S)
    grid.recordings[i] = first
    grid.recordings.insert(i + 1, second)


def not_stopped(survey: Survey, grid: Grid, line: int) -> None:
    """The recording was not stopped at the end of a line: the next one follows under the same number, counting on."""
    i = of_line(grid, line)
    one, other = grid.recordings[i], grid.recordings[i + 1]
    step = 1 if one.heading > 0 else -1
    on = one.station[-1] + step * np.arange(1, len(other.station) + 1)
    grid.recordings[i + 1] = replace(other, line=line, station=on)


def copied(survey: Survey, grid: Grid, line: int, other: int) -> None:
    """A line holds the readings of another one (downloaded twice)."""
    i, j = of_line(grid, line), of_line(grid, other)
    count = min(len(grid.recordings[i].value), len(grid.recordings[j].value))
    grid.recordings[i] = replace(grid.recordings[i].take(slice(0, count)), value=grid.recordings[j].value[:count])


def stuck(survey: Survey, grid: Grid, line: int) -> None:
    """The instrument repeats one value for a whole line."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    grid.recordings[i] = replace(one, value=np.full(len(one.value), one.value[0]))


def rate_was(survey: Survey, grid: Grid, lines: list, rate: int) -> None:
    """Some lines (all when the list is empty) were logged with another rate; register and notes keep the planned."""
    step = RATE // rate
    for i, one in enumerate(grid.recordings):
        if not lines or one.line in lines:
            taken = one.take(slice(None, None, step))
            inside = round(grid.size_m * rate)
            count = np.arange(len(taken.station)) - OVERRUN // step
            station = count + 1 if one.heading > 0 else inside - count
            grid.recordings[i] = replace(taken, station=station.astype(float))


def one_way(survey: Survey, grid: Grid) -> None:
    """All lines were walked away from the baseline; the register says nothing of it, and neither do the notes."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey" and one.heading < 0:
            again = walk_line(survey, grid, one.line, one.time_s[0], heading=1)
            note = note_of(grid, one.line)
            note.update(start_station=again.station[0], stop_station=again.station[-1])
            note.pop("heading")
            grid.recordings[i] = again
        elif one.kind == "survey":
            note_of(grid, one.line).pop("heading")


def same_way(survey: Survey, grid: Grid, line: int, noted: bool) -> None:
    """One line was walked the way the line before was; the log counts as walked."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    again = walk_line(survey, grid, line, one.time_s[0], heading=-one.heading)
    grid.recordings[i] = again
    if noted:
        heading = "out" if again.heading > 0 else "back"
        note_of(grid, line).update(start_station=again.station[0], stop_station=again.station[-1], heading=heading)


def on_other_ground(survey: Survey, grid: Grid, line: int, position_m: float) -> None:
    """A line was walked elsewhere along the baseline than its number says; the notes say nothing of it."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    grid.recordings[i] = walk_line(survey, grid, line, one.time_s[0], position_m=position_m)


def half_walked(survey: Survey, grid: Grid, lines: int) -> None:
    """Only the first lines were walked and noted; the register names the whole grid."""
    keep = [one for one in grid.recordings if one.kind == "dummy" or one.line <= lines]
    grid.recordings[:] = keep
    grid.notes[:] = [note for note in grid.notes if note["kind"] == "dummy" or note["line"] <= lines]


def from_zero(survey: Survey, grid: Grid) -> None:
    """All stations count from 0 where the register says 1; notes as logged."""
    for i, one in enumerate(grid.recordings):
        grid.recordings[i] = replace(one, station=one.station - 1)
    for note in grid.notes:
        for name in ("start_station", "stop_station"):
            note[name] -= 1


def registered(survey: Survey, grid: Grid, **values) -> None:
    """The register says something else of the grid."""
    grid.register.update(values)


def files_exchanged(survey: Survey, grid: Grid, other: str) -> None:
    """The register names each other's log for two grids."""
    there = survey.grids[other]
    grid.register["log"], there.register["log"] = there.register["log"], grid.register["log"]


def corner_at(survey: Survey, grid: Grid, corner: str, dx: float = 0.0, dy: float = 0.0) -> None:
    """A corner was typed wrong."""
    grid.corners[corner] = [grid.corners[corner][0] + dx, grid.corners[corner][1] + dy]


def corners_exchanged(survey: Survey, grid: Grid, a: str, b: str) -> None:
    """Two corners carry each other's name."""
    grid.corners[a], grid.corners[b] = grid.corners[b], grid.corners[a]


def grid_mirrored(survey: Survey, grid: Grid) -> None:
    """The baseline was walked from its other end: start and baseline, head and opposite are exchanged."""
    corners_exchanged(survey, grid, "start", "baseline")
    corners_exchanged(survey, grid, "head", "opposite")


def axes_exchanged(survey: Survey, grid: Grid) -> None:
    """Easting and northing of the corners are exchanged."""
    for name, (x, y) in grid.corners.items():
        grid.corners[name] = [y, x]


def noted_as(survey: Survey, grid: Grid, line: int, **values) -> None:
    """A note says something else."""
    note_of(grid, line).update(values)


def also_noted(survey: Survey, grid: Grid, **values) -> None:
    """There is one more row in the notes."""
    grid.notes.append({"grid": grid.name, **values})


def not_noted(survey: Survey, grid: Grid, line: int) -> None:
    """The notes lack a line."""
    grid.notes.remove(note_of(grid, line))


def exceptions_only(survey: Survey, grid: Grid) -> None:
    """The notes name only what is out of the ordinary."""
    grid.notes[:] = [note for note in grid.notes if note["kind"] != "survey"]


def clock_jumps(survey: Survey, grid: Grid, line: int, seconds: float) -> None:
    """The clock was set on between two lines."""
    i = of_line(grid, line)
    for later in range(i, len(grid.recordings)):
        rec = grid.recordings[later]
        grid.recordings[later] = replace(rec, time_s=rec.time_s + seconds)


def over_range(survey: Survey, grid: Grid, line: int, first: int, readings: int, value: float) -> None:
    """Some readings stand at the end of the scale."""
    i = of_line(grid, line)
    values = grid.recordings[i].value.copy()
    values[first : first + readings] = value
    grid.recordings[i] = replace(grid.recordings[i], value=values)


def walked_only(survey: Survey, grid: Grid, first: int, last: int) -> None:
    """Only some lines in a row were walked and noted; the register names the whole grid."""
    grid.recordings[:] = [one for one in grid.recordings if one.kind == "dummy" or first <= one.line <= last]
    grid.notes[:] = [note for note in grid.notes if note["kind"] == "dummy" or first <= note["line"] <= last]


def numbered_by_two(survey: Survey, grid: Grid) -> None:
    """Lines are numbered 1, 3, 5 in log and notes; the register says nothing of it."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey":
            grid.recordings[i] = replace(one, line=2 * one.line - 1)
    for note in grid.notes:
        if note["kind"] == "survey":
            note["line"] = 2 * note["line"] - 1


def redo_stopped_early(survey: Survey, grid: Grid, line: int, readings: int) -> None:
    """The second recording of a line was stopped early, and noted so."""
    i = [k for k, one in enumerate(grid.recordings) if one.line == line][1]
    grid.recordings[i] = grid.recordings[i].take(slice(None, -readings))
    for note in grid.notes:
        if note.get("line") == line and note.get("run") == 2:
            note["stop_station"] = grid.recordings[i].station[-1]


def restarted_after_pause(survey: Survey, grid: Grid, line: int, at: int) -> None:
    """The walk paused at a reading; the logger went on from there, but counts from the start of the line again."""
    split_by_pause(survey, grid, line, at, 0)
    i = of_line(grid, line)
    first, second = grid.recordings[i], grid.recordings[i + 1]
    grid.recordings[i + 1] = replace(second, station=second.station - second.station[0] + first.station[0])


def stuck_for(survey: Survey, grid: Grid, line: int, first: int, readings: int) -> None:
    """The instrument repeats one value within a line."""
    i = of_line(grid, line)
    values = grid.recordings[i].value.copy()
    values[first : first + readings] = values[first]
    grid.recordings[i] = replace(grid.recordings[i], value=values)


def walked_last(survey: Survey, grid: Grid, line: int) -> None:
    """A line was left out at first and walked after the last one; log and notes say so."""
    recording, note = grid.recordings.pop(of_line(grid, line)), note_of(grid, line)
    last = max(i for i, one in enumerate(grid.recordings) if one.kind == "survey")
    shift = grid.recordings[last].time_s[-1] + 20.0 - recording.time_s[0]
    recording = replace(recording, time_s=recording.time_s + shift)
    for later in range(last + 1, len(grid.recordings)):
        rec = grid.recordings[later]
        grid.recordings[later] = replace(rec, time_s=rec.time_s + 40.0)
    grid.recordings.insert(last + 1, recording)
    grid.notes.remove(note)
    grid.notes.insert(max(i for i, row in enumerate(grid.notes) if row["kind"] == "survey") + 1, note)


def first_line_back(survey: Survey, grid: Grid) -> None:
    """Lines were walked back and out, the first one towards the baseline; the register says so, and the notes do."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey":
            again = walk_line(survey, grid, one.line, one.time_s[0], heading=-one.heading)
            heading = "out" if again.heading > 0 else "back"
            note = note_of(grid, one.line)
            note.update(start_station=again.station[0], stop_station=again.station[-1], heading=heading)
            grid.recordings[i] = again
    grid.register["first_heading"] = "back"


def corners_moved(survey: Survey, grid: Grid, dx: float = 0.0, dy: float = 0.0) -> None:
    """All corners of a grid were typed with the same error."""
    for name, (x, y) in grid.corners.items():
        grid.corners[name] = [x + dx, y + dy]


def corner_not_given(survey: Survey, grid: Grid, corner: str) -> None:
    """A corner was not surveyed."""
    del grid.corners[corner]


def corners_called(survey: Survey, grid: Grid, columns: list) -> None:
    """The columns of the corners have other names."""
    survey.corner_columns = tuple(columns)


def notes_called(survey: Survey, grid: Grid, name: str) -> None:
    """The notes give the grid another name."""
    for note in grid.notes:
        note["grid"] = name


def plant(path: Path, draw: Callable = draw, mistakes: Optional[dict] = None) -> tuple[Survey, dict]:
    """Draw the survey of a case file, plant its mistakes, and return it with what the file expects."""
    case, mistakes = json.loads(path.read_text("utf-8")), mistakes or globals()
    survey = draw(**case["survey"])
    for item in case["plant"]:
        given = dict(item)
        mistake, grid = mistakes[given.pop("what")], survey.grids[given.pop("grid", "A")]
        mistake(survey, grid, **given)
    return survey, case
