"""Field notes: one row a remark about a line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Iterator, Mapping, Optional, Sequence

from .errors import EngineError
from .findings import Code, Finding
from .scheme import HEADINGS

FIRST_ROW = 2
"""Number of the first row below the header of a table. Derived: a spreadsheet counts the header as row 1."""
KINDS = ("survey", "redo", "void", "dummy", "tie", "base", "obstacle")


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
        Where the line (or the obstacle) starts and stops, in the log's stations.
    position_m : float or None
        u of the line; v of a tie line; metres.
    heading : int
        1 out, -1 back, 0 not noted.
    kind : str
        One of ``KINDS``.
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
    def direction(self) -> int:
        """1 out or -1 back as noted by a word or by the two stations; 0 when the note does not say."""
        if self.heading or self.start_station is None or self.stop_station is None:
            return self.heading
        return int(self.stop_station > self.start_station) - int(self.stop_station < self.start_station)


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
        raise EngineError(" ".join(sentence for _, sentence in bad))
    return notes


def numbered_rows(rows: Sequence[Mapping[str, object]]) -> Iterator[tuple[int, Mapping[str, object]]]:
    """Yield the rows of a table in which something stands, each with its number as a spreadsheet counts it."""
    for number, row in enumerate(rows, FIRST_ROW):
        if any(value is not None and str(value).strip() not in ("", "NULL") for value in row.values()):
            yield number, row


def usable_notes(rows: Sequence[Mapping[str, object]], *, where: str = "notes") -> tuple[list[Note], list[Finding]]:
    """Return the notes of the rows that can be read, and a finding a grid about those that cannot."""
    notes, bad = _parsed(rows, where)
    sentences: dict[str, list[str]] = {}
    for grid, sentence in bad:
        sentences.setdefault(grid, []).append(sentence)
    advice = "Ask the books for these rows of the notes. Correct them; the other rows were used."
    return notes, [Code.NOTE_UNREADABLE.finding(" ".join(s), "", advice, grid=g) for g, s in sentences.items()]


def _parsed(rows: Sequence[Mapping[str, object]], where: str) -> tuple[list[Note], list[tuple[str, str]]]:
    """Return the notes, and (grid, what is wrong) of each row that is none."""
    notes, bad = [], []
    for number, row in numbered_rows(rows):
        try:
            notes.append(_parse(row, f"{where}, row {number}"))
        except EngineError as error:
            bad.append((str(row.get("grid") or "").strip(), str(error)))
    return notes, bad


def _parse(row: Mapping[str, object], where: str) -> Note:
    kind = str(row.get("kind") or "survey").strip().lower()
    if kind not in KINDS:
        raise EngineError(f"Invalid kind in {where}: {kind!r} was given. It must be one of: {', '.join(KINDS)}.")
    heading = str(row.get("heading") or "").strip().lower()
    if heading not in ("", *HEADINGS):
        raise EngineError(f"Invalid heading in {where}: {heading!r} was given. It must be out, back or empty.")
    line = _whole_or_none(row, "line", where)
    run = _whole_or_none(row, "run", where)
    if line is None and kind != "obstacle":
        raise EngineError(f"No line number in {where}. Every note but an obstacle needs the line that it is about.")
    return Note(
        grid=str(row.get("grid") or "").strip(),
        line=line,
        run=run,
        start_station=number_or_none(row, "start_station", where),
        stop_station=number_or_none(row, "stop_station", where),
        position_m=number_or_none(row, "position_m", where),
        heading=HEADINGS.get(heading, 0),
        kind=kind,
        comment=str(row.get("comment") or "").strip(),
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
        raise EngineError(f"Invalid {column} in {where}: {value!r} was given. It must be a number or empty.")
    return number


def _whole_or_none(row: Mapping[str, object], column: str, where: str) -> Optional[int]:
    number = number_or_none(row, column, where)
    if number is not None and number != int(number):
        value = row[column]
        raise EngineError(f"Invalid {column} in {where}: {value!r} was given. It must be a whole number or empty.")
    return None if number is None else int(number)


def notes_for(notes: Sequence[Note], grid: str) -> list[Note]:
    """Return the notes of one grid; notes without a grid name count for every grid."""
    return [note for note in notes if note.grid in ("", grid)]
