"""Corners of grids: from rows of a table to positions on the map, and grids that lie far from the others."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Collection, Mapping, Optional, Sequence

import numpy as np

from ..core import (
    FIRST_ROW,
    Code,
    EngineError,
    Finding,
    check_limits,
    number_or_none,
    numbered_rows,
    shown,
    text_of,
)

CORNERS = ("start", "baseline", "opposite", "head")
COORDINATES = (("x", "y"), ("easting", "northing"), ("east", "north"), ("e", "n"))
"""Names of the columns with easting and northing; a unit behind the name does not count. The first pair wins."""
EXPECTED_AXES = "the easting in x, the northing in y, whatever the axis order of the CRS"
EXCHANGE = "Exchange the two in the table of corners."
FAR_M = 5e3
"""Distance to the nearest other grid from which a grid is not of the survey: a site lies within an hour's walk, and a
wrong zone or one of the first digits displaces by more. Common practice, no source; a raster over two grids so far from
each other just fits at cells of 0.25 m."""


@dataclass(frozen=True)
class Corner:
    """One surveyed corner of a grid: map position in metres and where it was read."""

    grid: str
    corner: str
    x: float
    y: float
    where: str = ""


def coordinate_columns(row: Mapping[str, object]) -> Optional[tuple[str, str]]:
    """Return the names of a row's columns with easting and northing as they are in the table, None without."""
    bare = {re.sub(r"\s*[\[(].*$|_m$", "", name.strip().lower()): name for name in row}
    return next(((bare[x], bare[y]) for x, y in COORDINATES if x in bare and y in bare), None)


def corner_position(row: Mapping[str, object], where: str) -> tuple[float, float]:
    """Return easting and northing of a row of corners.

    Raises
    ------
    EngineError
        When the row has no such columns or no finite number in them.
    """
    columns = coordinate_columns(row)
    values = columns and [number_or_none(row, name, where) for name in columns]
    if values and values[0] is not None and values[1] is not None:
        return check_limits("x", values[0], f"in {where}"), check_limits("y", values[1], f"in {where}")
    found = f"Read as such: {columns[0]} and {columns[1]}." if columns else f"The columns found are: {', '.join(row)}."
    raise EngineError(
        f"No coordinate in {where}. Every corner needs easting and northing in metres, in columns x and y, Easting and "
        f"Northing, or E and N. {found}"
    )


def parse_corners(rows: Sequence[Mapping[str, object]], *, where: str = "corners") -> list[Corner]:
    """Return corners from table rows with the columns ``grid``, ``corner``, and a pair of ``COORDINATES``.

    Raises
    ------
    EngineError
        On unknown corners, missing coordinates or corners given twice, naming all such rows.
    """
    corners, bad = usable_corners(rows, where=where)
    if bad:
        raise EngineError(" ".join(sentence for sentences in bad.values() for sentence in sentences))
    return corners


def usable_corners(
    rows: Sequence[Mapping[str, object]], *, where: str = "corners"
) -> tuple[list[Corner], dict[str, list[str]]]:
    """Return the corners of the rows that can be read, and by grid what is wrong with those that cannot.

    Of a corner that stands twice neither row is used: nothing says which one is right.

    Raises
    ------
    EngineError
        When no columns hold coordinates.
    """
    corners: dict[tuple[str, str], Corner] = {}
    twice: set[tuple[str, str]] = set()
    bad: dict[str, list[str]] = {}
    if rows and coordinate_columns(rows[0]) is None:
        corner_position(rows[0], f"{where}, row {FIRST_ROW}")
    for number, row in numbered_rows(rows):
        grid = text_of(row, "grid")
        try:
            corner = _parse(row, grid, f"{where}, row {number}")
            before = corners.setdefault((grid, corner.corner), corner)
            if before is not corner:
                twice.add((grid, corner.corner))
                raise EngineError(
                    f"The {corner.corner} corner of grid {grid} stands twice: {before.where} and {corner.where}. Keep "
                    "the right one."
                )
        except EngineError as error:
            bad.setdefault(grid, []).append(str(error))
    return [corner for key, corner in corners.items() if key not in twice], bad


def corners_unreadable(bad: Mapping[str, Sequence[str]]) -> list[Finding]:
    """Return a finding a grid about the rows that ``usable_corners`` could not use."""
    advice = "Ask the books for these rows of the corners. Correct them; the other rows were used."
    code = Code.CORNER_UNREADABLE
    return [code.finding(" ".join(sentences), "", advice, grid=grid) for grid, sentences in bad.items()]


def _parse(row: Mapping[str, object], grid: str, where: str) -> Corner:
    name = text_of(row, "corner").lower()
    if name not in CORNERS:
        raise EngineError(
            f"Invalid corner in {where}: {shown(name)} was given. It must be one of: {', '.join(CORNERS)}."
        )
    return Corner(grid, name, *corner_position(row, where), where)


def in_degrees(positions: np.ndarray, size_m: float) -> bool:
    """Whether positions (n, 2) of a grid that is ``size_m`` across are longitudes and latitudes.

    A degree is about 1e5 m, so a grid given in degrees comes out a hundred thousand times too small.
    """
    in_range = bool((np.abs(positions[:, 0]) <= 360).all() and (np.abs(positions[:, 1]) <= 90).all())
    across = np.hypot(*(positions[:, None] - positions[None]).T).max(initial=0.0)
    return in_range and len(positions) > 1 and float(across) < 0.01 * size_m


def far_grids(corners: Mapping[str, Sequence[Corner]], outside: Collection[str] = ()) -> list[Finding]:
    """Return an error for each grid that lies farther than ``FAR_M`` from the others.

    The others are the largest group of grids in which each has a neighbour within ``FAR_M``; of two as large, the one
    with the grid named first. Grids outside the area of the CRS do not count. No raster is to be made over
    both, so a grid that is reported is left out of a run.

    Parameters
    ----------
    corners : mapping of sequences of Corner
        By grid; grids without corners are passed over.
    outside : collection of str
        Names of grids that lie outside the area of the CRS.

    Returns
    -------
    list of Finding
        ``axes-exchanged`` where easting and northing exchanged put the grid among the others, else ``grid-far``.
    """
    centres = {name: np.mean([(c.x, c.y) for c in mine], axis=0) for name, mine in corners.items() if mine}
    if len(centres) < 2:
        return []
    names, positions = list(centres), np.array(list(centres.values()))
    group = _groups(positions)
    size = np.bincount(group, weights=[name not in outside for name in names])
    # The first of the largest groups: groups are numbered by their first grid, and argmax takes the first.
    others = np.flatnonzero(group == np.argmax(size))
    unsure = size.max() * 2 <= size.sum()
    findings = []
    for i in np.flatnonzero(group != group[others[0]]):
        distances, exchanged = (np.hypot(*(positions[others] - p).T) for p in (positions[i], positions[i][::-1]))
        nearest = names[others[np.argmin(distances)]]
        found = f"It lies {distances.min() / 1000:,.0f} km from grid {nearest}, the nearest of the others"
        either = f" If it is right, grid {nearest} is wrong." if unsure else ""
        if exchanged.min() <= FAR_M:
            findings.append(Code.AXES_EXCHANGED.finding(
                f"{found}, and {exchanged.min() / 1000:.1f} km with easting and northing exchanged.{either}",
                EXPECTED_AXES, f"Ask the books for easting and northing of grid {names[i]}. {EXCHANGE}",
                grid=names[i]))  # fmt: skip
        else:
            findings.append(Code.GRID_FAR.finding(
                f"{found}, and is left out.{either}", f"at most {FAR_M / 1000:.0f} km",
                f"Ask the books for the coordinates of grid {names[i]}. Correct the corners, or process the grid "
                "alone.", grid=names[i]))  # fmt: skip
    return findings


def _groups(positions: np.ndarray) -> np.ndarray:
    """Return the group of each position (n, 2), numbered by first member: all that are linked within ``FAR_M``."""
    group = np.full(len(positions), -1)
    for first in range(len(positions)):
        if group[first] >= 0:
            continue
        new, number = [first], group.max() + 1
        group[first] = number
        while new:
            here = positions[new.pop()]
            near = np.flatnonzero((group < 0) & (np.hypot(*(positions - here).T) <= FAR_M))
            group[near] = number
            new.extend(near.tolist())
    return group
