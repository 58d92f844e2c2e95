"""Gathers a log block by block: sorts its rows by kind and keeps what each says."""

from __future__ import annotations

import re
from enum import IntEnum
from itertools import compress
from typing import Callable, Optional

import numpy as np

from ..core import EngineError, counted
from .expressions import REACH
from .fields import holds_readings, is_number, parse_rows, shorten
from .layout import LogLayout
from .plan import Plan, make_plan, split_row
from .recordings import Opening, lines_by_stations, read_opening, turn_back
from .values import finish_columns

KEPT_ROWS = 200
"""Rows that cannot be read and are kept as text. Derived: the first ``SHOWN_ROWS`` of them are shown, and a majority
among 200 is known to 0.04, enough to say that most of them have decimal commas."""
SELDOM_NAMED = 0.5
"""Of a log that names lines only in their first rows, fewer than this fraction of the rows do (common practice, no
source)."""


START_WORDS = ("start", "begin", "sol", "start of line", "line start", "anfang", "début", "debut", "inicio")
"""Words in a column of marks at the start of a line, in small letters (common practice, no source)."""


class RowKind(IntEnum):
    """What a row of a log is."""

    READING = 0
    BLANK = 1
    HEADER = 2
    COMMENT = 3
    MARK = 4
    OPENING = 5


class LogGatherer:
    """What the blocks of one log have given so far.

    A row's ``place`` counts the rows with readings above it, readable or not: a reading that cannot be read was
    walked all the same, and the stations count on over it.

    Attributes
    ----------
    plan : Plan or None
        None until a row with readings was met.
    openings : list of Opening
    starts : list of Opening
        Readings that are marked as the start of a line.
    blocks : list of Opening
        Rows of names, in a log that names no lines: where they come again each opens one.
    marks : list of (place, openings)
        Of each fiducial row: the place of the reading below it, and how many opening rows stand above it.
    grids : dict of int
        Codes of the grids of a grid column.
    failed, blanked : list of (row, text)
        The first rows that could not be read, and the first that were read but for a channel or more;
        ``failed_count`` and ``blanked_count`` count all.
    headless : int or None
        Row with readings that stands where the layout says that the names of the columns are.
    bad_openings : list of (row, text)
        Opening rows whose numbers could not be read.
    carries : bool
        Whether the number of a line stands only in its first row.
    made : (lines,) int
        First row in the file of each line that was made of the stations; empty when the log names its lines.
    last : (row, text, readable)
        The last row with readings.
    """

    def __init__(self, layout: LogLayout, name: str) -> None:
        self.layout, self.name = layout, name
        self.plan: Optional[Plan] = None
        self.openings: list[Opening] = []
        self.marks: list[tuple[int, int]] = []
        self.grids: dict[str, int] = {}
        self.failed: list[tuple[int, str]] = []
        self.failed_count = 0
        self.blanked: list[tuple[int, str]] = []
        self.blanked_count = 0
        self.headless: Optional[int] = None
        self.blocks: list[Opening] = []
        self.starts: list[Opening] = []
        self.bad_openings: list[tuple[int, str]] = []
        self.last: tuple[int, str, bool] = (0, "", True)
        self.made = np.zeros(0, np.int64)
        self.count = 0
        self.carries = False
        self._carried: Optional[float] = None
        self.carries_grid = False
        self._named_grid: Optional[str] = None
        self._header: Optional[str] = None
        self._grid: Optional[str] = None
        self._parts: list[dict[str, np.ndarray]] = []
        self._tests = _row_tests(layout)

    def take(self, rows: list[str], first_row: int) -> None:
        """Take one block; ``first_row`` is the 1-based number of its first row in the file."""
        kinds = self.sort_rows(rows, first_row)
        ordinary = np.flatnonzero(kinds == RowKind.READING)
        if not len(ordinary):
            self._take_special_rows(rows, kinds, first_row)
            return
        readings = list(compress(rows, (kinds == RowKind.READING).tolist()))
        if self.plan is None:
            self.plan = make_plan(self._header or None, readings, self.layout, self.name)
        columns, readable = parse_rows(readings, self.plan)
        again = [] if readable.all() else self._names_again(readings, readable)
        if again:
            header, found = self._header or "", set(ordinary[again].tolist())
            self.take([header if i in found else row for i, row in enumerate(rows)], first_row)
            return
        self._take_special_rows(rows, kinds, first_row)
        self._carry_grid(columns)
        self._carry_line(columns)
        self._note_starts(columns)
        values, good = finish_columns(columns, self.plan, self.grids)
        good &= readable
        values["row"] = ordinary + first_row
        values["place"] = np.arange(self.count, self.count + len(ordinary))
        self._note_failures(readings, values["row"], good)
        self._check_order(readings, ~good, values["row"])
        self._note_blanks(readings, values, good)
        self._parts.append(values if good.all() else {field: column[good] for field, column in values.items()})
        self.count += len(ordinary)

    def open_blocks(self) -> str:
        """Take rows of names that come again for the opening rows of lines; return a sentence when there are such."""
        self.blocks = [block for block in self.blocks if block.before < self.count]
        if self.openings:
            return ""
        if len(self.starts) > 1 and self.layout.one("line") is None:
            self._open_at(self.starts)
            starts = len(self.starts)
            return f"{self.name} names no lines, but marks {starts} starts: each opens a line, counted from 1."
        if len(self.blocks) < 2:
            return ""
        self.openings = self.blocks
        return (
            f"{self.name} names no lines, but its row of names comes {len(self.blocks)} times: each opens a line, "
            "counted from 1."
        )

    def open_by_stations(self) -> None:
        """Make lines of stations that start again or turn in a clear pattern, in a log that names no lines."""
        columns = {} if self.openings or self.layout.one("line") is not None else self.columns()
        starts = lines_by_stations(columns["station"]) if "station" in columns else None
        if starts is None or len(starts) < 2:
            return
        befores = columns["place"][starts]
        self.made = columns["row"][starts]
        self._open_at([read_opening({}, int(before), number) for number, before in enumerate(befores, 1)])

    def _open_at(self, openings: list[Opening]) -> None:
        """Take openings that no row of their own says, and count those above each mark anew."""
        self.openings = openings
        befores = [opening.before for opening in openings]
        self.marks = [(place, int(np.searchsorted(befores, place, side="right"))) for place, _ in self.marks]

    def turn_back(self) -> str:
        """Let stations count down where the opening rows only say back and the far end; return a sentence about it."""
        turned = turn_back(self.openings, self.count)
        lines = [new.line for old, new in zip(self.openings, turned) if old.step != new.step]
        self.openings = turned
        if not lines:
            return ""
        return (
            f"{self.name}: the stations of {counted(len(lines), 'line')} (the first is {lines[0]}) count down: their "
            "opening rows say back and start at the far end."
        )

    def columns(self) -> dict[str, np.ndarray]:
        """Return the values of all readings by field, with ``row`` and ``place``; empty when none could be read."""
        names = self._parts[0] if self._parts else ()
        return {name: np.concatenate([part[name] for part in self._parts]) for name in names}

    def sort_rows(self, rows: list[str], first_row: int) -> np.ndarray:
        """Return the (n,) kind of each row of a block, as ``RowKind``."""
        kinds = np.zeros(len(rows), np.uint8)
        for kind, test in self._tests:
            kinds[np.fromiter(map(test, rows), bool, len(rows))] = kind
        if self.layout.header:
            ordinary = np.flatnonzero(kinds == RowKind.READING)
            if self._header is None and len(ordinary):
                self._header = rows[ordinary[0]]
                if holds_readings(self._header, self.layout):
                    self.headless, self._header = first_row + int(ordinary[0]), ""
            if self._header and self._header in rows:
                kinds[[row == self._header for row in rows]] = RowKind.HEADER
        return kinds

    def _names_again(self, readings: list[str], readable: np.ndarray) -> list[int]:
        """Return which unreadable rows hold the names of the columns in other capitals, or with other blanks."""
        if not self._header:
            return []
        names = self._split_lower(self._header)
        return [i for i in np.flatnonzero(~readable).tolist() if self._split_lower(readings[i]) == names]

    def _split_lower(self, row: str) -> list[str]:
        return [text.lower() for text in split_row(row, self.layout.delimiter, self.layout.widths)]

    def _take_special_rows(self, rows: list[str], kinds: np.ndarray, first_row: int) -> None:
        above = self.count + np.cumsum(kinds == RowKind.READING)
        headed = not self.layout.line_start and self.layout.one("line") is None
        for i in np.flatnonzero((kinds >= RowKind.MARK) | (headed & (kinds == RowKind.HEADER))):
            if kinds[i] == RowKind.HEADER:
                if not self.blocks or self.blocks[-1].before < above[i]:
                    self.blocks.append(read_opening({}, int(above[i]), len(self.blocks) + 1))
                continue
            if kinds[i] == RowKind.MARK:
                self.marks.append((int(above[i]), len(self.openings or self.blocks)))
                continue
            found = re.search(self.layout.line_start, rows[i][:REACH])
            groups = found.groupdict() if found else {}
            if groups.get("grid") and "line" in groups and not groups["line"]:
                self._grid = groups["grid"]
                continue
            if self._grid and not groups.get("grid"):
                groups["grid"] = self._grid
            try:
                self.openings.append(read_opening(groups, int(above[i]), len(self.openings) + 1))
            except ValueError:
                self.bad_openings.append((first_row + int(i), rows[i]))

    def _note_starts(self, columns: dict[str, np.ndarray]) -> None:
        """Note the readings beside which the column of marks has a word for the start of a line."""
        for i in np.flatnonzero(np.isin(np.char.lower(columns["mark"]), START_WORDS)) if "mark" in columns else ():
            self.starts.append(read_opening({}, self.count + int(i), len(self.starts) + 1))

    def _carry_grid(self, columns: dict[str, np.ndarray]) -> None:
        """Fill the grids of rows below the first of each, in a log that names a grid only there."""
        if "grid" not in columns:
            return
        known = columns["grid"] != ""
        if self._named_grid is None:
            self._named_grid = ""
            self.carries_grid = bool(known[:1].all() and np.count_nonzero(known) < SELDOM_NAMED * len(known))
        if self.carries_grid:
            named = np.append(columns["grid"], self._named_grid)
            columns["grid"] = named[np.maximum.accumulate(np.where(known, np.arange(len(known)), -1))]
            self._named_grid = str(columns["grid"][-1])

    def _carry_line(self, columns: dict[str, np.ndarray]) -> None:
        """Fill the lines of rows below the first of each, in a log that names a line only there."""
        if "line" not in columns:
            return
        known = np.isfinite(columns["line"])
        if self._carried is None:
            self.carries = bool(np.count_nonzero(known) < SELDOM_NAMED * len(known) and np.any(known))
            self._carried = np.nan
        if self.carries:
            index = np.maximum.accumulate(np.where(known, np.arange(len(known)), -1))
            columns["line"] = np.where(index < 0, self._carried, columns["line"][index])
            self._carried = float(columns["line"][-1])

    def _note_failures(self, readings: list[str], numbers: np.ndarray, good: np.ndarray) -> None:
        bad = np.flatnonzero(~good)
        self.failed_count += len(bad)
        self.failed += [(int(numbers[i]), readings[i]) for i in bad[: KEPT_ROWS - len(self.failed)]]
        self.last = (int(numbers[-1]), readings[-1], bool(good[-1]))

    def _note_blanks(self, readings: list[str], values: dict[str, np.ndarray], good: np.ndarray) -> None:
        channels = [values[c.field] for c in self.layout.columns if c.role == "channel"]
        blank = np.flatnonzero(good & np.any([np.isneginf(channel) for channel in channels], axis=0))
        self.blanked_count += len(blank)
        self.blanked += [(int(values["row"][i]), readings[i]) for i in blank[: KEPT_ROWS - len(self.blanked)]]

    def _check_order(self, readings: list[str], bad: np.ndarray, numbers: np.ndarray) -> None:
        """Raise EngineError where names of columns come again in another order, or some of them among others."""
        names = sorted(self._split_lower(self._header or ""))
        for i in np.flatnonzero(bad) if len(names) > 1 else ():
            fields = self._split_lower(readings[i])
            known = set(names) & set(fields) - {""}
            if len(known) < 2 or len(known) < len(names) / 2 or any(map(is_number, fields)):
                continue
            how = "in another order" if sorted(fields) == names else "and others"
            raise EngineError(
                f"In {self.name}, row {numbers[i]} names the columns {how} than the first header "
                f"({shorten(readings[i])}). Split the log above that row and read both parts."
            )


def _row_tests(layout: LogLayout) -> list[tuple[int, Callable[[str], object]]]:
    """Return the tests that recognise special rows; where several fit a row, the last one counts."""
    tests: list[tuple[int, Callable[[str], object]]] = [(RowKind.BLANK, str.isspace)]
    if layout.comment:
        tests.append((RowKind.COMMENT, re.compile(r"\s*" + re.escape(layout.comment)).match))
    if layout.mark:
        tests.append((RowKind.MARK, _finder(layout.mark)))
    if layout.line_start:
        tests.append((RowKind.OPENING, _finder(layout.line_start)))
    return tests


def _finder(expression: str) -> Callable[[str], object]:
    # An expression bound to the start of the row need not be tried at each of its characters.
    compiled = re.compile(expression)
    bound = re.match(r"(\(\?[a-z]+\))?\^", expression) and not _has_outer_choice(expression)
    tried = compiled.match if bound else compiled.search
    return lambda row: tried(row[:REACH])


def _has_outer_choice(expression: str) -> bool:
    inner = re.sub(r"\\.|\[[^\]]*\]", "", expression)
    while re.search(r"\([^()]*\)", inner):
        inner = re.sub(r"\([^()]*\)", "", inner)
    return "|" in inner
