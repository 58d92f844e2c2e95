"""Rows of a log to columns of values: at once where a block is clean, column by column where it is not."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from itertools import compress
from typing import Optional, Sequence

import numpy as np

from ..core import EngineError
from .layout import DELIMITER_WORDS, LogColumn, LogLayout
from .recordings import LARGEST_WHOLE
from .timestamps import (
    NUMBER_FORMATS,
    character_codes,
    check_time_format,
    guess_date_format,
    guess_time_format,
    quick_notation,
    split_date_time,
    strip_texts,
)

SPARE_CHARACTERS = 4
SAMPLE_ROWS = 2000
SHOWN_CHARACTERS = 60
COLUMN_END = "\x1f"
COMMA_NUMBER = re.compile(r"^\s*[+-]?\d+,\d+\s*$")


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
    """

    layout: LogLayout
    columns: tuple[Planned, ...]
    count: int
    date_form: str = ""

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
    character = DELIMITER_WORDS.get(delimiter, delimiter)
    if character is None:
        return text.split()
    if '"' in text:
        return [value.strip() for value in next(csv.reader([text], delimiter=character, skipinitialspace=True), [])]
    return [value.strip() for value in text.split(character)]


def make_plan(header: Optional[str], rows: Sequence[str], layout: LogLayout, name: str) -> Plan:
    """Return the plan for a log from its header row and its first rows with readings.

    Raises
    ------
    EngineError
        When the layout names a column that the log does not have, or a format that times cannot have.
    """
    split = [split_row(row, layout.delimiter, layout.widths) for row in rows[:SAMPLE_ROWS]]
    names = None if header is None else split_row(header, layout.delimiter, layout.widths)
    count = _value_count(names, split, layout)
    columns, date_form = [], ""
    for column in layout.columns:
        index = _column_index(column, names, count, name)
        texts = [fields[index] for fields in split if index < len(fields)]
        texts = [text for text in texts if text and text not in layout.missing]
        form = column.format
        if column.role == "time":
            form, stamp_form = quick_notation(check_time_format(form) or guess_time_format(texts))
            if form == "date-time":
                dates, _ = split_date_time(np.array(texts, dtype=str))
                date_form = stamp_form or guess_date_format(dates.tolist())
        elif column.role == "date":
            date_form = form = form or guess_date_format(texts)
        width = max(map(len, texts), default=0) + SPARE_CHARACTERS if _is_text(column.role, form) else 0
        columns.append(Planned(index, column, width, form))
    return Plan(layout, tuple(columns), count, date_form)


def _is_text(role: str, form: str) -> bool:
    return role in ("date", "mark", "grid") or (role == "time" and form not in NUMBER_FORMATS)


def _value_count(names: Optional[list[str]], split: list[list[str]], layout: LogLayout) -> int:
    if layout.widths is not None:
        return len(layout.widths)
    usual = Counter(len(fields) for fields in split).most_common(1)[0][0] if split else 0
    if names is None:
        return usual
    # A row may end in a delimiter that the header lacks; a header may not name fewer columns than there are values.
    ends_blank = all(not fields[-1] for fields in split if len(fields) == len(names) + 1)
    return usual if usual == len(names) + 1 and ends_blank else len(names)


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


def parse_rows(rows: list[str], plan: Plan) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return the columns of rows with readings by field, and (n,) bool which rows could be read.

    Numbers come as floats (NaN where missing), texts as str. Most logs are clean and read at once by numpy; where
    that fails, rows without a value are taken apart from the others, and what is left is read column by column.
    """
    columns = _parse_at_once(rows, plan)
    if columns is not None:
        return columns, np.ones(len(rows), bool)
    gaps = _rows_with_gaps(rows, plan.layout)
    if 0 < np.count_nonzero(gaps) < len(rows):
        return _parse_apart(rows, gaps, plan)
    return _parse_by_column(rows, plan)


def _parse_apart(rows: list[str], gaps: np.ndarray, plan: Plan) -> tuple[dict[str, np.ndarray], np.ndarray]:
    columns, readable = {}, np.ones(len(rows), bool)
    whole = list(compress(rows, ~gaps))
    parsed = _parse_at_once(whole, plan)
    if parsed is None:
        return _parse_by_column(rows, plan)
    with_gaps, readable[gaps] = _parse_by_column(list(compress(rows, gaps)), plan)
    for field, values in parsed.items():
        columns[field] = np.empty(len(rows), np.result_type(values, with_gaps[field]))
        columns[field][~gaps], columns[field][gaps] = values, with_gaps[field]
    return columns, readable


def _rows_with_gaps(rows: list[str], layout: LogLayout) -> np.ndarray:
    """Return which rows hold a mark for a missing value that is no number, or an empty value."""
    gaps = np.zeros(len(rows), bool)
    whole = "".join(rows)
    marks = [mark for mark in layout.missing if mark and not is_number(mark)]
    delimiter = DELIMITER_WORDS.get(layout.delimiter, layout.delimiter)
    if delimiter:
        marks += [delimiter * 2, delimiter + "\n"]
        if whole.startswith(delimiter) or "\n" + delimiter in whole:
            gaps |= [row.startswith(delimiter) for row in rows]
    for mark in marks:
        if mark in whole:
            gaps |= [mark in row for row in rows]
    return gaps


def _parse_at_once(rows: list[str], plan: Plan) -> Optional[dict[str, np.ndarray]]:
    """Return the columns by numpy's own reader, or None where it or its limits do not serve."""
    layout = plan.layout
    has_names = any(p.column.role == "grid" for p in plan.columns)
    if (layout.decimal == "," and has_names) or '"' in "".join(rows):
        return None
    delimiter = DELIMITER_WORDS.get(layout.delimiter, layout.delimiter)
    delimited = rows
    if layout.widths is not None:
        delimited, delimiter = _delimit(rows, layout.widths), COLUMN_END
    if not delimited:
        return None
    if layout.decimal == ",":
        delimited = [row.replace(",", ".") for row in delimited]
    try:
        table = np.loadtxt(delimited, dtype=plan.dtype, delimiter=delimiter, comments=None, ndmin=1)
    except ValueError:
        return None
    if len(table) != len(rows):
        return None
    columns = {p.field: np.ascontiguousarray(table[f"f{p.index}"]) for p in plan.columns}
    for planned in plan.columns:
        if planned.is_text:
            texts = columns[planned.field]
            if character_codes(texts).shape[1] >= planned.width:
                return None
            columns[planned.field] = strip_texts(texts)
    return columns


def _delimit(rows: list[str], widths: Sequence[int]) -> list[str]:
    """Return rows of fixed columns with a character between the columns; none when uneven or not ASCII."""
    ends = np.cumsum(widths)
    length = len(rows[0])
    text = "".join(rows)
    if len(text) != length * len(rows) or length <= ends[-1] or not text.isascii():
        return []
    codes = np.frombuffer(text.encode("ascii"), np.uint8).reshape(len(rows), length)
    if np.any(codes[:, -1] != ord("\n")):
        return []
    codes = np.insert(codes[:, : ends[-1]], ends, ord(COLUMN_END), axis=1)
    codes[:, -1] = ord("\n")
    return codes.tobytes().decode("ascii").split("\n")[:-1]


def _parse_by_column(rows: list[str], plan: Plan) -> tuple[dict[str, np.ndarray], np.ndarray]:
    split = [split_row(row, plan.layout.delimiter, plan.layout.widths) for row in rows]
    readable = np.array([_has_values(fields, plan) for fields in split], dtype=bool)
    blank = [""] * plan.count
    split = [fields if good else blank for fields, good in zip(split, readable)]
    columns = {}
    for planned in plan.columns:
        texts = [fields[planned.index] for fields in split]
        if planned.is_text:
            columns[planned.field] = np.array(texts, dtype=str)
        else:
            columns[planned.field], bad = _numbers(texts, planned, plan.layout)
            readable &= ~bad
    return columns, readable


def _has_values(fields: list[str], plan: Plan) -> bool:
    if len(fields) == plan.count:
        return True
    if len(fields) < plan.count:
        return len(fields) > max(p.index for p in plan.columns)
    return not any(fields[plan.count :])


def _numbers(texts: list[str], planned: Planned, layout: LogLayout) -> tuple[np.ndarray, np.ndarray]:
    if layout.decimal == ",":
        texts = [text.replace(",", ".") for text in texts]
    try:
        return np.array(list(map(float, texts))), np.zeros(len(texts), bool)
    except ValueError:
        values = [to_number(text, planned.column.role, layout) for text in texts]
    bad = np.array([value is None for value in values], dtype=bool)
    return np.array([np.nan if value is None else value for value in values], dtype=float), bad


def to_number(text: str, role: str, layout: LogLayout) -> Optional[float]:
    """Return a value as a number, NaN where it is missing, None where it cannot be read.

    A line or run may be written with letters before its number (``L12``).
    """
    if not text or text in layout.missing:
        return np.nan
    if role in ("line", "run"):
        text = re.sub(r"^[^\W\d]+[\s_.-]*(?=\d)", "", text)
    return float(text) if is_number(text) else None


def is_number(text: str) -> bool:
    """Return whether a text is a number with a decimal point."""
    try:
        float(text)
    except ValueError:
        return False
    return True


def explain_row(row: str, plan: Plan) -> str:
    """Return why a row could not be read, as the middle of a sentence."""
    fields = split_row(row, plan.layout.delimiter, plan.layout.widths)
    if not _has_values(fields, plan):
        return f"has {len(fields)} values where {plan.count} are expected"
    for planned in plan.columns:
        if planned.is_text:
            continue
        text, role = fields[planned.index], planned.column.role
        where = f"{shorten(text)} in column {planned.column.column} ({planned.field})"
        value = to_number(text.replace(",", ".") if plan.layout.decimal == "," else text, role, plan.layout)
        if value is None:
            return f"has {where}, which is no number"
        if role in ("line", "run") and not _is_whole(value):
            return f"has {where}, which is no whole number"
    return "has a time or date that cannot be read"


def shorten(text: str) -> str:
    """Return a text of a log in quotes, its end left out when it is long."""
    text = text.strip()
    return repr(text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 3] + "...")


def _is_whole(value: float) -> bool:
    return value == np.floor(value) and abs(value) < LARGEST_WHOLE


def comma_decimals(rows: Sequence[str], plan: Plan) -> bool:
    """Return whether most of the rows that failed have decimal commas where the layout says ``.``."""
    if plan.layout.decimal == ",":
        return False
    failed = [split_row(row, plan.layout.delimiter, plan.layout.widths) for row in rows]
    with_commas = [any(COMMA_NUMBER.match(text) for text in fields) for fields in failed]
    return sum(with_commas) > len(failed) / 2
