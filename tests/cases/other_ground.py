"""Draws surveys on another ground and with another walk than ``planting``, for the cases in ``evenings``.

The ground is a gradient, brown noise, ridges that end somewhere, and pits. The walk is timed by a beat: its speed
drifts along a line, beats are missed, and the walker pauses while the logger waits. Noise has long tails, and the zero
wanders.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Callable, Optional

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
import books  # noqa: E402 (it stands beside this file)
import planting  # noqa: E402 (it stands beside this file)
from planting import OVERRUN, RATE, READINGS_PER_S, Grid, Recording, Survey, note_of, of_line  # noqa: E402

write = planting.write
STEP_M = 0.25
"""Lattice of the brown noise."""


def brown(rng: np.random.Generator, size: int) -> np.ndarray:
    """Return noise (size, size) whose amplitude falls with the wavenumber to the power of 1.5, scaled to 1."""
    k = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij"))
    k[0, 0] = np.inf
    noise = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(size, size))) / k**1.5, s=(size, size))
    return noise / noise.std()


def ground_of(rng: np.random.Generator, size_m: float, width_m: float) -> Callable:
    """Return conductivity in mS/m at metres east and north of the site's corner."""
    lattice = 1.8 * brown(rng, 256)
    slope, level = rng.normal(0, 0.12, 2), rng.uniform(12, 40)
    area = width_m * size_m
    ridges = [(rng.uniform(0, width_m), rng.uniform(0, size_m), rng.uniform(0, np.pi), rng.uniform(0.35, 0.9),
               rng.uniform(1.5, 6), rng.uniform(-2, 5)) for _ in range(max(4, int(area / 14)))]  # fmt: skip
    pits = [(rng.uniform(0, width_m), rng.uniform(0, size_m), rng.uniform(0.4, 1.2), rng.uniform(1, 6))
            for _ in range(int(area / 12))]  # fmt: skip

    def at(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        i, j = (np.asarray(x) + 4) / STEP_M, (np.asarray(y) + 4) / STEP_M
        i0, j0 = np.floor(i).astype(int), np.floor(j).astype(int)
        p, q = i - i0, j - j0
        z = level + slope[0] * x + slope[1] * y
        for di, dj, w in ((0, 0, (1 - p) * (1 - q)), (1, 0, p * (1 - q)), (0, 1, (1 - p) * q), (1, 1, p * q)):
            z = z + w * lattice[(i0 + di) % 256, (j0 + dj) % 256]
        for x0, y0, way, width, length, height in ridges:
            along = (x - x0) * np.cos(way) + (y - y0) * np.sin(way)
            across = -(x - x0) * np.sin(way) + (y - y0) * np.cos(way)
            z = z + height * np.exp(-((across / width) ** 2) / 2 - np.maximum(np.abs(along) - length, 0) ** 2)
        for x0, y0, radius, height in pits:
            z = z + height / (1 + np.exp((np.hypot(x - x0, y - y0) - radius) / 0.12))
        return z

    return at


def steps_of(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return how far along each reading lies from where the beat says, metres (count,)."""
    drift = rng.normal(0, 0.012) * np.linspace(-1, 1, count) * count / RATE
    wander = np.cumsum(rng.normal(0, 0.008, count))
    missed = np.zeros(count)
    for at in rng.integers(8, max(count - 8, 9), rng.poisson(0.4)):
        missed[at:] += rng.choice([-0.12, 0.12])
    return drift + wander - wander.mean() + missed


def walk_line(survey: Survey, grid: Grid, number: int, start_s: float, *, index: Optional[int] = None, heading=None,
              kind="survey", position_m=None, tie_v_m=None) -> Recording:  # fmt: skip
    """Walk one line as it should be; ``index`` counts lines across from 0."""
    rng, index = survey.rng, number - 1 if index is None else index
    heading = (1 if index % 2 == 0 else -1) if heading is None else heading
    inside = round(grid.size_m * RATE)
    first = -OVERRUN + int(rng.integers(-1, 2))
    count = inside - first + OVERRUN + int(rng.integers(-1, 3))
    step = np.arange(first, first + count)
    along = (step + 0.5) / RATE + steps_of(rng, count) + rng.normal(0, 0.05)
    v = along if heading > 0 else grid.size_m - along
    station = step + 1 if heading > 0 else inside - step
    u = np.full(count, (index + 0.5) * 0.5 if position_m is None else position_m)
    u = u + rng.normal(0, 0.025) + 0.03 * np.sin(np.linspace(0, rng.uniform(1, 6), count))
    if tie_v_m is not None:
        u, v = v, np.full(count, tie_v_m) + rng.normal(0, 0.02)
    time = start_s + np.arange(count) / (READINGS_PER_S * rng.uniform(0.92, 1.06))
    if rng.uniform() < 0.08:
        time[rng.integers(10, count - 10) :] += rng.uniform(3, 15)
    zero = 0.3 * np.sin(start_s / 500) + 0.15 * rng.normal() + 0.2 * heading
    value = survey.ground(grid.east_m + u, v) + zero + 0.1 * rng.standard_t(4, count)
    return Recording(number, station.astype(float), time, u, v, np.round(value, 2), kind, heading)


def still(survey: Survey, grid: Grid, number: int, start_s: float) -> Recording:
    """Read for two seconds on the start peg."""
    count = 16
    value = survey.ground(np.full(count, grid.east_m), np.zeros(count)) + 0.1 * survey.rng.standard_t(4, count)
    time = start_s + np.arange(count) / READINGS_PER_S
    return Recording(
        number, np.arange(1.0, count + 1), time, np.zeros(count), np.zeros(count), np.round(value, 2), "base"
    )


def row_of(grid: Grid, one: Recording, **values) -> dict:
    """Return the row of the notes that tells a recording as it was walked."""
    return {"grid": grid.name, "line": one.line, "start_station": one.station[0], "stop_station": one.station[-1],
            "heading": "out" if one.heading > 0 else "back", "kind": one.kind, **values}  # fmt: skip


def draw(seed: int, grids: str = "A", size_m: float = 10.0, ties: int = 0, bases: bool = False) -> Survey:
    """Walk a survey without a mistake: dummies at both ends of every grid, lines out and back, full notes."""
    rng = np.random.default_rng([431, seed])
    survey = Survey(ground_of(rng, size_m, size_m * len(grids)), {}, rng)
    clock = 13.5 * 3600.0
    for k, name in enumerate(grids):
        lines = round(size_m / 0.5)
        register = {"grid": name, "log": f"{name}.csv", "length_m": size_m, "width_m": size_m, "spacing_m": 0.5,
                    "readings_per_m": RATE}  # fmt: skip
        local = {"start": (0, 0), "baseline": (size_m, 0), "opposite": (size_m, size_m), "head": (0, size_m)}
        origin = planting.ORIGIN
        corners = {n: [origin[0] + k * size_m + u + round(rng.normal(0, 0.015), 3),
                       origin[1] + v + round(rng.normal(0, 0.015), 3)] for n, (u, v) in local.items()}  # fmt: skip
        grid = survey.grids[name] = Grid(name, size_m, k * size_m, [], register, corners)
        for number in ([0] + [301] * bases + list(range(1, lines + 1)) + list(range(201, 201 + ties))
                       + [301] * bases + [99]):  # fmt: skip
            if number == 301:
                one = still(survey, grid, number, clock)
                run = 1 + sum(other.line == 301 for other in grid.recordings)
                note = row_of(grid, one, run=run, heading="", comment="on the start peg")
            elif number > 200:
                v = round(size_m * (number - 200) / (ties + 1), 2)
                one = walk_line(survey, grid, number, clock, index=0, heading=1, kind="tie", tie_v_m=v)
                note = row_of(grid, one, position_m=v)
            elif number in (0, 99):
                index = 0 if number == 0 else lines - 1
                one = walk_line(survey, grid, number, clock, index=index, heading=1, kind="dummy")
                note = row_of(grid, one)
            else:
                one = walk_line(survey, grid, number, clock)
                note = row_of(grid, one)
            grid.recordings.append(one)
            grid.notes.append(note)
            clock = one.time_s[-1] + 7.0 + rng.uniform(0, 9)
    return survey


# What can go wrong; what is not here stands in ``planting``.


def walked_as(survey: Survey, grid: Grid, line: int, heading: int, noted: bool, counted: bool) -> None:
    """A line was walked the other way; ``noted`` so, and ``counted`` so by the logger, or both as was planned."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    again = walk_line(survey, grid, line, one.time_s[0], heading=heading)
    if not counted:
        again = replace(again, station=round(grid.size_m * RATE) + 1 - again.station)
    grid.recordings[i] = again
    if noted:
        note_of(grid, line).update(row_of(grid, again))


def all_one_way(survey: Survey, grid: Grid) -> None:
    """All lines were walked away from the baseline."""
    for one in list(grid.recordings):
        if one.kind == "survey":
            walked_as(survey, grid, one.line, 1, True, True)


def first_back(survey: Survey, grid: Grid) -> None:
    """All lines were walked the other way round, the first one towards the baseline, noted and registered."""
    for one in list(grid.recordings):
        if one.kind == "survey":
            walked_as(survey, grid, one.line, -one.heading, True, True)
    grid.register["first_heading"] = "back"


def again(survey: Survey, grid: Grid, line: int, readings: Optional[int] = None, number: Optional[int] = None,
          note: Optional[dict] = None) -> None:  # fmt: skip
    """A line was walked a second time, ``readings`` of it, recorded as ``number``; ``note``: what a row says of it."""
    i = of_line(grid, line)
    second = walk_line(survey, grid, line, grid.recordings[i].time_s[-1] + 8.0)
    second = replace(second, line=line if number is None else number).take(slice(None, readings))
    for later in range(i + 1, len(grid.recordings)):
        one = grid.recordings[later]
        grid.recordings[later] = replace(one, time_s=one.time_s + 28.0)
    grid.recordings.insert(i + 1, second)
    if note is not None:
        row = row_of(grid, second, **note)
        grid.notes.insert(grid.notes.index(note_of(grid, line)) + 1, {k: v for k, v in row.items() if v is not None})


def counted_on(survey: Survey, grid: Grid, line: int) -> None:
    """The counter was not reset: it counts on upwards from where the line before ended; the notes are as planned."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    from_here = grid.recordings[i - 1].station[-1]
    grid.recordings[i] = replace(one, station=from_here + np.arange(1.0, len(one.station) + 1))


def copied_note(survey: Survey, grid: Grid, line: int) -> None:
    """Start and stop were copied into the notes from the display of the logger."""
    one = grid.recordings[of_line(grid, line)]
    note_of(grid, line).update(start_station=one.station[0], stop_station=one.station[-1])


def stopped_at(survey: Survey, grid: Grid, line: int, station: int, noted: bool) -> None:
    """A line was not walked beyond a station; the row of the line says so or keeps what was planned."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    keep = one.station <= station if one.heading > 0 else one.station >= station
    grid.recordings[i] = one.take(np.flatnonzero(keep))
    if noted:
        copied_note(survey, grid, line)


def jumped(survey: Survey, grid: Grid, lines: list, first: int, last: int) -> None:
    """Some lines have no readings between two stations; the count goes on behind them."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey" and one.line in lines:
            grid.recordings[i] = one.take(np.flatnonzero((one.station < first) | (one.station > last)))


def numbers_from(survey: Survey, grid: Grid, line: int, by: int, noted: bool) -> None:
    """From a line on, all lines were recorded under a number that is off; ``noted`` so."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey" and one.line >= line:
            grid.recordings[i] = replace(one, line=one.line + by)
    if noted:
        for note in grid.notes:
            if note["kind"] == "survey" and note["line"] >= line:
                note["line"] += by


def rows_exchanged(survey: Survey, grid: Grid, a: int, b: int) -> None:
    """Two rows of the notes were written into each other's place."""
    one, other = note_of(grid, a), note_of(grid, b)
    one["line"], other["line"] = b, a


def rows_called(survey: Survey, grid: Grid, lines: list, name: str) -> None:
    """Some rows of the notes carry another grid's name."""
    for note in grid.notes:
        if note["line"] in lines:
            note["grid"] = name


def removed(survey: Survey, grid: Grid, line: int, recording: bool = True, note: bool = True) -> None:
    """A recording, its row in the notes, or both are not there."""
    if note:
        grid.notes.remove(note_of(grid, line))
    if recording:
        del grid.recordings[of_line(grid, line)]


def second_book(survey: Survey, grid: Grid, lines: list, **values) -> None:
    """A second field book has its own rows about some lines, which say something else."""
    for line in lines:
        grid.notes.append({**note_of(grid, line), **values})


def unfinished(survey: Survey, grid: Grid, last: int, station: Optional[int] = None) -> None:
    """The day ended after a line, or within it at a station; nothing is noted of later lines."""
    grid.recordings[:] = [one for one in grid.recordings if one.kind == "dummy" or one.line <= last]
    grid.notes[:] = [note for note in grid.notes if note["kind"] == "dummy" or note["line"] <= last]
    if station is not None:
        stopped_at(survey, grid, last, station, True)


def log_ends(survey: Survey, grid: Grid, line: int, readings: int) -> None:
    """The log breaks off so many readings into a line; the notes are complete."""
    i = of_line(grid, line)
    grid.recordings[i] = grid.recordings[i].take(slice(None, readings))
    del grid.recordings[i + 1 :]


def same_log(survey: Survey, grid: Grid, other: str, copied: bool = False) -> None:
    """The register names the log of another grid, or the file holds the other grid's readings."""
    if copied:
        grid.recordings[:] = list(survey.grids[other].recordings)
    else:
        grid.register["log"] = survey.grids[other].register["log"]


def walk_pauses(survey: Survey, grid: Grid, line: int, at: int, seconds: float) -> None:
    """The walk paused within a line; the count went on behind it."""
    i = of_line(grid, line)
    one = grid.recordings[i]
    grid.recordings[i] = replace(one, time_s=one.time_s + seconds * (np.arange(len(one.time_s)) >= at))
    for later in range(i + 1, len(grid.recordings)):
        rec = grid.recordings[later]
        grid.recordings[later] = replace(rec, time_s=rec.time_s + seconds)


def corner_turned(survey: Survey, grid: Grid, corner: str) -> None:
    """Easting and northing of one corner are exchanged."""
    grid.corners[corner] = grid.corners[corner][::-1]


def on_in_the_other_log(survey: Survey, grid: Grid, other: str, last: int) -> None:
    """The logger was not switched: the first lines of the other grid follow in the log of this one."""
    there = survey.grids[other]
    moved = [one for one in there.recordings if one.line <= last]
    there.recordings[:] = [one for one in there.recordings if one.line > last]
    grid.recordings.extend(moved)


def first_at_the_edge(survey: Survey, grid: Grid, registered: bool) -> None:
    """The first line lies on the edge of the grid and so does the last, which is one more; the register says so."""
    grid.recordings[:] = [one for one in grid.recordings if one.kind != "survey"]
    grid.notes[:] = [note for note in grid.notes if note["kind"] != "survey"]
    for index in range(round(grid.size_m / 0.5) + 1):
        one = walk_line(survey, grid, index + 1, 0.0, index=index, position_m=index * 0.5)
        grid.recordings.insert(index + 1, one)
        grid.notes.insert(index + 1, row_of(grid, one))
    books.retimed(survey, grid)
    if registered:
        grid.register["first_offset_m"] = 0


def all_back(survey: Survey, grid: Grid) -> None:
    """All lines were walked towards the baseline, and registered so."""
    for one in list(grid.recordings):
        if one.kind == "survey":
            walked_as(survey, grid, one.line, -1, True, True)
    grid.register.update(pattern="one-way", first_heading="back")


def from_the_last_line(survey: Survey, grid: Grid, turned: bool) -> None:
    """The last line was walked first, and so on; ``turned``: away from the baseline, where the plan has it back."""
    lines = [one for one in grid.recordings if one.kind == "survey"]
    if turned:
        for one in lines:
            walked_as(survey, grid, one.line, -one.heading, True, True)
        lines = [one for one in grid.recordings if one.kind == "survey"]
    at = next(i for i, one in enumerate(grid.recordings) if one.kind == "survey")
    grid.recordings[at : at + len(lines)] = lines[::-1]
    rows = [note for note in grid.notes if note["kind"] == "survey"]
    at = grid.notes.index(rows[0])
    grid.notes[at : at + len(rows)] = rows[::-1]
    books.retimed(survey, grid)


def other_way_from(survey: Survey, grid: Grid, line: int, noted: bool, counted: bool) -> None:
    """From a line on, all lines were walked the other way; ``noted`` and ``counted`` so."""
    for one in list(grid.recordings):
        if one.kind == "survey" and one.line >= line:
            walked_as(survey, grid, one.line, -one.heading, noted, counted)


def other_count_from(survey: Survey, grid: Grid, line: int, to: int = 10**6) -> None:
    """The logger counts some lines against the way that they were walked; the notes are right."""
    for i, one in enumerate(grid.recordings):
        if one.kind == "survey" and line <= one.line <= to:
            grid.recordings[i] = replace(one, station=round(grid.size_m * RATE) + 1 - one.station)


def dummy_within(survey: Survey, grid: Grid, after: int, number: int, noted: bool) -> None:
    """A dummy was recorded between two lines, on the ground of the first one; ``noted`` so."""
    i = of_line(grid, after)
    one = walk_line(survey, grid, number, 0.0, index=after - 1, heading=1, kind="dummy")
    grid.recordings.insert(i + 1, one)
    books.retimed(survey, grid)
    if noted:
        grid.notes.insert(grid.notes.index(note_of(grid, after)) + 1, row_of(grid, one))


def false_start(survey: Survey, grid: Grid, line: int, readings: int, note: Optional[dict] = None) -> None:
    """A line was begun, left after some readings and begun again; ``note``: what a row says of the first."""
    i = of_line(grid, line)
    one = walk_line(survey, grid, line, 0.0).take(slice(0, readings))
    grid.recordings.insert(i, one)
    books.retimed(survey, grid)
    if note is not None:
        grid.notes.insert(grid.notes.index(note_of(grid, line)), {**row_of(grid, one), **note})


def plant(path: Path) -> tuple[Survey, dict]:
    """Draw the survey of a case file, plant its mistakes, and return it with what the file expects."""
    return planting.plant(path, draw, {**vars(planting), **vars(books), **globals()})
