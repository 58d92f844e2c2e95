"""How the rows of one log are read: where its columns are, and how times and dates are written."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import LIMITS, EngineError
from .layout import LogColumn, LogLayout, delimiter_of
from .time_formats import NUMBER_FORMATS, guess_time_format, quick_notation
from .timestamps import guess_date_format, split_date_time, zone_seconds

SPARE_CHARACTERS = 4
"""A text may be so much longer than the longest of the first rows before a block is read column by column. Derived: a
clock time grows by this much when it gets a fraction (``.125``); more costs memory, and less only time."""
SAMPLE_ROWS = 2000
"""Rows from which the notation of times and dates is learnt. Derived: at ten readings a second these are 200 s, longer
than the minute after which ``HHMMSS`` can be known from plain seconds."""
WRITTEN = ("date", "time", "mark", "grid")
"""Roles whose columns are read as texts, whose notation or length must be known."""
MOST_COLUMNS = int(LIMITS["column"][1])
"""Values of a row. Derived: the last column that a layout may name."""
LONGEST_TEXT = 64
"""Characters of a time, date, mark or name of a grid that are kept. Derived: the longest notation of a date with a time
has fewer than 40; 100,000 rows of a block then take 26 MB a column."""


@dataclass(frozen=True)
class Planned:
    """A column to read.

    Attributes
    ----------
    index : int
        Where it is, from 0.
    column : LogColumn
        What the layout says of it.
    width : int
        Characters that a text may have when rows are read at once; 0 for a column of numbers.
    form : str
        How times or dates are written.
    """

    index: int
    column: LogColumn
    width: int = 0
    form: str = ""

    @property
    def is_text(self) -> bool:
        """Whether the values are kept as text."""
        return self.width > 0

    @property
    def field(self) -> str:
        """Name of the column's values."""
        return self.column.field


@dataclass(frozen=True)
class Plan:
    """How the rows of one log are read: the layout, with columns found and notations known.

    Attributes
    ----------
    layout : LogLayout
    columns : tuple of Planned
    count : int
        Values that a row has.
    date_form : str
        How dates are written; empty when there are none.
    zone : float
        Offset of the clock from universal time in the first row, seconds; NaN when it is not written.
    """

    layout: LogLayout
    columns: tuple[Planned, ...]
    count: int
    date_form: str = ""
    zone: float = np.nan

    @property
    def dtype(self) -> np.dtype:
        """Record of one row for the reading at once; a column of no use is read as one character."""
        kinds = ["U1"] * self.count
        for planned in self.columns:
            kinds[planned.index] = f"U{planned.width}" if planned.is_text else "f8"
        return np.dtype([(f"f{i}", kind) for i, kind in enumerate(kinds)])


def split_row(row: str, delimiter: Optional[str], widths: Optional[Sequence[int]] = None) -> list[str]:
    """Return the values of one row as stripped texts; ``delimiter`` and ``widths`` as a layout has them."""
    text = row.rstrip("\r\n")
    if widths is not None:
        ends = np.cumsum(widths).tolist()
        # Blanks at the end of a row may be left out, but not in a last row that has no end itself.
        reach = len(text) if text == row else ends[-1]
        return [text[end - width : end].strip() for width, end in zip(widths, ends) if end - width < reach]
    character = delimiter_of(delimiter)
    if character is None:
        return text.split()
    if '"' in text:
        return [value.strip() for value in next(csv.reader([text], delimiter=character, skipinitialspace=True), [])]
    return list(map(str.strip, text.split(character)))


def _split_rows(rows: Sequence[str], layout: LogLayout) -> list[list[str]]:
    """Return the values of rows, as ``split_row`` does but for blanks around them."""
    character = delimiter_of(layout.delimiter)
    if layout.widths is not None or character is None or any('"' in row for row in rows):
        return [split_row(row, layout.delimiter, layout.widths) for row in rows]
    return [row.rstrip("\r\n").split(character) for row in rows]


def make_plan(header: Optional[str], rows: Sequence[str], layout: LogLayout, name: str) -> Plan:
    """Return the plan for a log from its header row and its first rows with readings.

    Raises
    ------
    EngineError
        When the layout names a column that the log does not have, or a format that times cannot have.
    """
    if layout.delimiter == layout.decimal and not any('"' in row for row in rows[:SAMPLE_ROWS]):
        raise EngineError(
            f"The layout says that commas part the values of {name} and that its numbers have decimal commas, but no "
            "value stands in quotes, so that they cannot be kept from each other. Export the log with another "
            "delimiter, such as ';'."
        )
    split = _split_rows(rows[:SAMPLE_ROWS], layout)
    names = None if header is None else split_row(header, layout.delimiter, layout.widths)
    count = _value_count(names, split, layout)
    if count > MOST_COLUMNS:
        raise EngineError(
            f"The rows of {name} have {count} values; no more than {MOST_COLUMNS} are read. Check the delimiter, or "
            "export a row for each reading."
        )
    columns, date_form, zone = [], "", np.nan
    for column in layout.columns:
        index = _column_index(column, names, count, name)
        texts = [fields[index].strip() for fields in split if index < len(fields)] if column.role in WRITTEN else []
        texts = [text for text in texts if text and text not in layout.missing]
        form = column.format
        if column.role == "time":
            form, stamp_form = quick_notation(form or guess_time_format(texts))
            if form == "date-time":
                dates, _ = split_date_time(np.array(texts, dtype=str))
                zone = float(zone_seconds(np.array(texts[:1], dtype=str)).sum()) if texts else np.nan
                date_form = stamp_form or guess_date_format(dates.tolist())
        elif column.role == "date":
            date_form = form = form or guess_date_format(texts)
        width = (
            min(max(map(len, texts), default=0), LONGEST_TEXT) + SPARE_CHARACTERS if _is_text(column.role, form) else 0
        )
        columns.append(Planned(index, column, width, form))
    return Plan(layout, tuple(columns), count, date_form, zone)


def _is_text(role: str, form: str) -> bool:
    return role in ("date", "mark", "grid") or (role == "time" and form not in NUMBER_FORMATS)


def _value_count(names: Optional[list[str]], split: list[list[str]], layout: LogLayout) -> int:
    if layout.widths is not None:
        return len(layout.widths)
    most = Counter(map(len, split)).most_common(1)[0][0] if split else 0
    if names is None:
        return most
    # A row may end in a delimiter that the header lacks; a header that names one column too few is
    # believed when the layout goes by number there.
    ends_blank = all(not fields[-1].strip() for fields in split if len(fields) == len(names) + 1)
    by_number = max((c.column for c in layout.columns if isinstance(c.column, int)), default=0)
    return most if most == len(names) + 1 and (ends_blank or by_number == most) else len(names)


def _column_index(column: LogColumn, names: Optional[list[str]], count: int, name: str) -> int:
    if isinstance(column.column, int):
        if column.column > count:
            raise EngineError(
                f"The layout takes {column.role} from column {column.column}, but the rows of {name} have {count} "
                "values. Check the delimiter and the number of the column in the layout."
            )
        return column.column - 1
    wanted = column.column.strip().lower()
    lower = [text.lower() for text in names or ()]
    if wanted not in lower:
        raise EngineError(
            f"The layout takes {column.role} from the column {column.column!r}, but the header of {name} names: "
            f"{', '.join(names or ())}. Check the delimiter, the rows to skip and the name of the column in the layout."
        )
    return lower.index(wanted)
