"""Field notes: one row a remark about a line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Iterator, Mapping, Optional, Sequence

from .checks import check_limits, shown
from .columns import NOT_IN_TEXT
from .errors import EngineError
from .findings import Code, Finding
from .scheme import HEADINGS

FIRST_ROW = 2
"""Number of the first row below the header of a table. Derived: a spreadsheet counts the header as row 1."""
KINDS = ("survey", "redo", "void", "dummy", "tie", "base", "obstacle", "reset")
ON_THE_LINE = ("obstacle", "reset")
"""Kinds of rows about what stood or happened on a line: they say nothing of how a recording of it was walked."""
UNREADABLE = "unreadable"
"""Kind of what stands for a row that cannot be read and may say that its line does not count: the line is placed, and
flagged as void. No row has it."""
SAYS = ("line", "run", "start_station", "stop_station", "position_m", "heading", "kind")
"""Columns of which one is filled in where a row is about a line or an obstacle; a comment without is a mere remark."""
COUNTS = ("survey", "obstacle")
"""Kinds of rows that say nothing of whether the readings of a line count for the map."""


@dataclass(frozen=True)
class Note:
    """One row of the notes.

    Attributes
    ----------
    grid : str
    line : int or None
        None for an obstacle that concerns every line of the grid.
    run : int or None
        Recording meant; None = the only one, or all of the line.
    start_station, stop_station : float or None
        Where the line (or the obstacle) starts and stops, in the log's stations. The start of a ``reset`` is where the
        instrument was set to zero anew or changed; None = before the line.
    position_m : float or None
        u of the line; v of a tie line; metres.
    heading : int
        1 out, -1 back, 0 not noted.
    kind : str
        One of ``KINDS``, or ``UNREADABLE``.
    comment : str
    where : str
        File and row, for messages.
    """

    grid: str
    line: Optional[int] = None
    run: Optional[int] = None
    start_station: Optional[float] = None
    stop_station: Optional[float] = None
    position_m: Optional[float] = None
    heading: int = 0
    kind: str = "survey"
    comment: str = ""
    where: str = ""

    @property
    def of_recording(self) -> bool:
        """Whether the note says how a recording of its line was walked, or what it is for."""
        return self.kind not in ON_THE_LINE

    @property
    def direction(self) -> int:
        """1 out or -1 back as noted by a word or by the two stations; 0 when the note does not say."""
        if self.heading or self.start_station is None or self.stop_station is None:
            return self.heading
        return int(self.stop_station > self.start_station) - int(self.stop_station < self.start_station)


@dataclass(frozen=True)
class Reset:
    """Where the notes say that the instrument was set to zero anew or changed: levels before and after differ.

    Attributes
    ----------
    grid : str
    line, run : int
    seq : int
        First reading of the recording after it.
    station : float or None
        As noted; None = before the recording.
    time_s : float or None
        Of that reading; None where the log has no times.
    """

    grid: str
    line: int
    run: int
    seq: int = 0
    station: Optional[float] = None
    time_s: Optional[float] = None

    @property
    def where(self) -> str:
        """Where it is, in words."""
        return (
            f"before line {self.line}" if self.station is None else f"at station {self.station:g} of line {self.line}"
        )


def parse_notes(rows: Sequence[Mapping[str, object]], *, where: str = "notes") -> list[Note]:
    """Return notes from table rows (texts, numbers or None by column name).

    Parameters
    ----------
    rows : sequence of mappings
        Columns as the notes table names them; ``grid`` and, but for obstacles, ``line`` are needed.
    where : str
        Name of the table for messages.

    Raises
    ------
    EngineError
        On values that cannot be read, naming all such rows, as a spreadsheet counts them (``FIRST_ROW``).
    """
    notes, bad = _parsed(rows, where)
    if bad:
        raise EngineError(" ".join(row.sentence for row in bad))
    return notes


def numbered_rows(rows: Sequence[Mapping[str, object]]) -> Iterator[tuple[int, Mapping[str, object]]]:
    """Yield the rows of a table in which something stands, each with its number as a spreadsheet counts it."""
    for number, row in enumerate(rows, FIRST_ROW):
        if any(value is not None and str(value).strip() not in ("", "NULL") for value in row.values()):
            yield number, row


def usable_notes(rows: Sequence[Mapping[str, object]], *, where: str = "notes") -> tuple[list[Note], list[Finding]]:
    """Return the notes of the rows that can be read, and a finding a grid about those that cannot."""
    notes, bad = _parsed(rows, where)
    return notes, _unreadable_rows(bad)


def notes_of_book(rows: Sequence[Mapping[str, object]], *, where: str = "notes") -> tuple[list[Note], list[Finding]]:
    """Return what ``usable_notes`` does, with a note of kind ``UNREADABLE`` for each other row that may count.

    These are the rows that cannot be read and may say that their line does not count. A row whose kind is ``survey`` or
    ``obstacle`` does not, and one whose line cannot be read is about no line that is known: both are in the findings
    alone.
    """
    notes, bad = _parsed(rows, where)
    return [*notes, *(row.note for row in bad if row.note is not None)], _unreadable_rows(bad)


@dataclass(frozen=True)
class _BadRow:
    """A row of the notes that cannot be read: what is wrong with it, and what it may be about all the same."""

    grid: str
    where: str
    sentence: str
    may_not_count: bool
    line: Optional[int] = None
    run: Optional[int] = None

    @property
    def note(self) -> Optional[Note]:
        """What stands for the row where its line may not count."""
        if not self.may_not_count or self.line is None:
            return None
        return Note(self.grid, self.line, self.run, kind=UNREADABLE, where=self.where)


def _unreadable_rows(bad: Sequence[_BadRow]) -> list[Finding]:
    by_grid: dict[str, list[_BadRow]] = {}
    for row in bad:
        by_grid.setdefault(row.grid, []).append(row)
    return [_unreadable(grid, mine) for grid, mine in by_grid.items()]


def _unreadable(grid: str, bad: Sequence[_BadRow]) -> Finding:
    """Return the finding about the rows of a grid."""
    advice = "Ask the books for these rows of the notes. Correct them; the other rows were used."
    lines = sorted({row.line for row in bad if row.may_not_count and row.line is not None})
    if lines:
        named = f"Line {lines[0]} is" if len(lines) == 1 else f"Lines {', '.join(map(str, lines))} are"
        advice += f" {named} left out of the maps until then, as the row may be a void, redo or reset."
    somewhere = [row.where for row in bad if row.may_not_count and row.line is None]
    if somewhere:
        advice += f" Which line {' and '.join(somewhere)} is about is not known: one on the maps may be void, redone or"
        advice += " reset."
    return Code.NOTE_UNREADABLE.finding(" ".join(row.sentence for row in bad), "", advice, grid=grid)


def _parsed(rows: Sequence[Mapping[str, object]], where: str) -> tuple[list[Note], list[_BadRow]]:
    """Return the notes, and the rows that are none."""
    notes, bad = [], []
    for number, row in numbered_rows(rows):
        if text_of(row, "comment") and all(text_of(row, column) in ("", "NULL") for column in SAYS):
            continue
        place = f"{where}, row {number}"
        try:
            notes.append(_parse(row, place))
        except EngineError as error:
            may_not_count = _word(row, "kind") not in ("", *COUNTS)
            line, run = (_readable(row, column) for column in ("line", "run"))
            bad.append(_BadRow(text_of(row, "grid"), place, str(error), may_not_count, line, run))
    return notes, bad


def _readable(row: Mapping[str, object], column: str) -> Optional[int]:
    """Return the whole number of a row that cannot be read as a whole; None where that is not to be read either."""
    try:
        return _whole_or_none(row, column, "")
    except EngineError:
        return None


def text_of(row: Mapping[str, object], column: str) -> str:
    """Return the text of a cell without blanks around it; what has no form in UTF-8 becomes ``_``."""
    value = row.get(column)
    return NOT_IN_TEXT.sub("_", str("" if value is None else value)).strip()


def _word(row: Mapping[str, object], column: str) -> str:
    return text_of(row, column).lower()


def _parse(row: Mapping[str, object], where: str) -> Note:
    kind = _word(row, "kind") or "survey"
    if kind not in KINDS:
        raise EngineError(f"Invalid kind in {where}: {shown(kind)} was given. It must be one of: {', '.join(KINDS)}.")
    heading = _word(row, "heading")
    if heading not in ("", *HEADINGS):
        raise EngineError(f"Invalid heading in {where}: {shown(heading)} was given. It must be out, back or empty.")
    line = _whole_or_none(row, "line", where)
    run = _whole_or_none(row, "run", where)
    if line is None and kind != "obstacle":
        raise EngineError(f"No line number in {where}. Every note but an obstacle needs the line that it is about.")
    return Note(
        grid=text_of(row, "grid"),
        line=line,
        run=run,
        start_station=_limited(row, "start_station", where),
        stop_station=_limited(row, "stop_station", where),
        position_m=_limited(row, "position_m", where),
        heading=HEADINGS.get(heading, 0),
        kind=kind,
        comment=text_of(row, "comment"),
        where=where,
    )


def number_or_none(row: Mapping[str, object], column: str, where: str) -> Optional[float]:
    """Return a table value as a float, None when it is empty; a decimal comma is understood.

    Raises
    ------
    EngineError
        When the value is there but is no number.
    """
    value = row.get(column)
    if value is None or str(value).strip() in ("", "NULL"):
        return None
    try:
        number = float(str(value).strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise EngineError(f"Invalid {column} in {where}: {shown(value)} was given. It must be a number or empty.")
    return number


def _limited(row: Mapping[str, object], column: str, where: str) -> Optional[float]:
    """Return a table value as ``number_or_none`` does, if it lies within the limits of its column."""
    number = number_or_none(row, column, where)
    return None if number is None else check_limits(column, number, f"in {where}")


def _whole_or_none(row: Mapping[str, object], column: str, where: str) -> Optional[int]:
    number = _limited(row, column, where)
    if number is not None and number != int(number):
        raise EngineError(
            f"Invalid {column} in {where}: {shown(row[column])} was given. It must be a whole number or empty."
        )
    return None if number is None else int(number)


def notes_for(notes: Sequence[Note], grid: str) -> list[Note]:
    """Return the notes of one grid; notes without a grid name count for every grid."""
    return [note for note in notes if note.grid in ("", grid)]
