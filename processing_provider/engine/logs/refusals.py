"""Logs whose layout cannot be known, or that are no logs: refused with the row and what to do."""

from __future__ import annotations

import re
from typing import Sequence

import numpy as np

from ..core import EngineError, counted
from .column_roles import role_by_name
from .dialect import DELIMITERS, LIKELY, Shape, is_measured, value_fraction
from .fields import is_number, shorten
from .plan import split_row

TABLES = (
    ("the register", ("log", "length_m", "width_m", "spacing_m", "readings_per_m", "first_line", "pattern")),
    ("the notes", ("start_station", "stop_station", "position_m", "kind")),
    ("the corners", ("corner", "x", "y", "easting", "northing", "e", "n")),
)
"""Tables of a survey that are no logs, and the columns that give them away: two of them suffice, with the first of the
corners."""
LABELLED = re.compile(r"[^\W\d]\w*[\"']?\s*[=:]\s*[\"']?[+-]?\d.*[^\W\d]\w*[\"']?\s*[=:]\s*[\"']?[+-]?\d")
"""Two values with a name before each, such as ``L=1 S=-2``."""
WHOLE_LINE = 10
"""Values in a row without names, and fewer rows than values: a line a row (common practice, no source)."""
OTHER_ROWS = 3
"""Rows of numbers of another shape above the readings are named from this many on (common practice, no source)."""
WHOLE_CLOCK = re.compile(r"\d{1,2}:\d{2}:\d{2}")
FEWEST_ROWS = 3
"""Derived: two steps, between three rows, are the fewest that can be alike."""
ROUGH = 0.2
"""Mean step of a column as a fraction of its range from which it is no course of values. Derived: evenly spread digits
have a mean step of a third."""


def check_is_log(names: Sequence[str], name: str) -> None:
    """Raise EngineError when the names of the columns are those of another table of the survey."""
    found = {text.strip().lower() for text in names}
    for table, words in TABLES:
        if len(found & set(words)) >= 2 and ("corner" not in words or "corner" in found):
            columns = ", ".join(sorted(found & set(words)))
            raise EngineError(
                f"{name} is {table} of a survey and no log: its row of names has {columns}. "
                "Give the log that the logger wrote."
            )


def check_first_row(rows: Sequence[str], name: str) -> None:
    """Raise EngineError when the first row names the columns of another table of the survey."""
    first = next((row for row in rows if row.strip()), "")
    for delimiter in (";", ",", "tab", "|"):
        check_is_log([text.strip("\"'") for text in split_row(first, delimiter)], name)


def no_numbers(rows: Sequence[str], name: str) -> EngineError:
    """Return the error of a log in which no row of numbers was found."""
    number, row = next(((i, row) for i, row in enumerate(rows, 1) if LABELLED.search(row)), (0, ""))
    if number:
        return EngineError(
            f"In {name}, row {number} has a name before each of its values ({shorten(row)}). Export the log as a "
            "table: the names once, in the first row, and below them the values alone."
        )
    number, row = next(((i, row) for i, row in enumerate(rows, 1) if row.strip()), (0, ""))
    return EngineError(
        f"No rows of numbers were found in {name}, which begins with row {number} ({shorten(row)}). Check that it is a "
        "traverse log, or give its layout."
    )


def no_channel(rows: Sequence[str], shape: Shape, name: str) -> EngineError:
    """Return the error of a log none of whose columns seems to hold readings."""
    first = shape.data[0]
    return EngineError(
        f"No column of readings was found in {name}. Give the layout of the log: row {first + 1} is "
        f"{shorten(rows[first])}."
    )


def check_shape(rows: Sequence[str], shape: Shape, top: int, is_named: bool, name: str) -> None:
    """Raise EngineError for a line in a row, and for rows of numbers in another shape above row ``top`` (from 0)."""
    count = len(shape.split(rows[shape.data[0]]))
    first = shape.data[0]
    if count >= WHOLE_LINE and len(shape.data) < count and not is_named:
        raise EngineError(
            f"In {name}, row {first + 1} holds {count} values ({shorten(rows[first])}): a whole line in a row. "
            "Export the log with a row for each reading."
        )
    others = [i for i in range(top) if holds_values(rows[i], shape) or _holds_otherwise(rows[i])]
    if len(others) >= OTHER_ROWS:
        raise EngineError(
            f"In {name}, {len(others)} rows from row {others[0] + 1} on ({shorten(rows[others[0]])}) are written in "
            f"another way than those from row {first + 1} on. Split the log there, or set skip_rows in its "
            f"layout to {top}."
        )


def holds_values(row: str, shape: Shape) -> bool:
    """Return whether a row holds mostly numbers and times, as readings do, though perhaps more or fewer of them."""
    fields = split_row(row, shape.delimiter, shape.widths)
    return len(fields) > 1 and value_fraction(fields) >= LIKELY


def _holds_otherwise(row: str) -> bool:
    """Return whether a row holds three or more numbers and times, and nothing else, under any delimiter."""
    return any(
        len(fields) >= FEWEST_ROWS and all(map(is_measured, fields))
        for fields in (split_row(row, delimiter) for delimiter in DELIMITERS)
    )


def check_names(rows: Sequence[str], above: int, shape: Shape, count: int, name: str) -> None:
    """Raise EngineError when the row above the readings names columns, but not as many as there are."""
    names = shape.split(rows[above])
    known = [role for role in map(role_by_name, names) if role is not None and role.role]
    if shape.delimiter in (None, "space") or len(names) == count or len(known) < max(3, len(names) / 2):
        return
    raise EngineError(
        f"In {name}, row {above + 1} names {len(names)} columns ({shorten(rows[above])}), but the readings have "
        f"{count}: which name belongs to which cannot be known. Correct that row in a copy of the log, or give its "
        "layout."
    )


def check_count(shape: Shape, is_named: bool, name: str) -> None:
    """Raise EngineError when too few rows without names are there to show what their columns hold."""
    if len(shape.data) < FEWEST_ROWS and not is_named:
        raise EngineError(
            f"{name} holds {counted(len(shape.data), 'row')} of numbers (the first is row {shape.data[0] + 1}) and no "
            "names of columns: what they hold cannot be known. Give the layout of the log, or download it again."
        )


def check_commas(rows: Sequence[str], shape: Shape, above: Sequence[int], name: str) -> None:
    """Raise EngineError when commas part values and numbers alike, so that ``19,91`` is read as two values."""
    if shape.delimiter != "," or shape.decimal == ",":
        return
    table = [shape.split(rows[i]) for i in shape.data]
    heads = [head for head in (split_row(rows[i], ",") for i in above[-1:]) if len(head) > 1]
    if any(len(head) == len(table[0]) - 1 for head in heads) and _cut_clock(table, len(table[0])):
        raise EngineError(
            f"In {name}, row {shape.data[0] + 1} ({shorten(rows[shape.data[0]])}) has a decimal comma in its clock, "
            "between values that commas part. Export the log with another delimiter, such as ';'."
        )
    if any("." in text for fields in table for text in fields if is_number(text)):
        return
    count = len(table[0])
    shorter = any(1 < len(head) < count <= 2 * len(head) and not any(map(is_number, head)) for head in heads)
    if shorter or (not heads and _has_digits_behind(table, count)):
        raise EngineError(
            f"In {name}, row {shape.data[0] + 1} ({shorten(rows[shape.data[0]])}) seems to have decimal commas "
            "between values that commas part: which is which cannot be known. Export the log with another "
            "delimiter, such as ';'."
        )


def _cut_clock(table: Sequence[Sequence[str]], count: int) -> bool:
    """Return whether a column is the fraction of the clock before it, such as ``09:05:10,200``."""
    for k in range(1, count):
        clocks = [fields[k - 1] for fields in table if len(fields) > k]
        digits = [fields[k] for fields in table if len(fields) > k]
        if all(WHOLE_CLOCK.fullmatch(text) for text in clocks):
            return len(set(map(len, digits))) == 1 and all(re.fullmatch(r"\d{1,6}", text) for text in digits)
    return False


def _has_digits_behind(table: Sequence[Sequence[str]], count: int) -> bool:
    """Return whether a column looks like the digits behind the decimal mark of the column before it."""
    for k in range(1, count):
        texts = [fields[k] for fields in table if len(fields) > k]
        if not all(re.fullmatch(r"\d{1,6}", text) for text in texts):
            continue
        if any(re.fullmatch(r"0\d+", text) for text in texts) and not all(text.startswith("0") for text in texts):
            return True
        before = [fields[k - 1] for fields in table if len(fields) > k]
        if len(texts) > 5 and all(map(is_number, before)) and _is_rough(texts) and not _is_rough(before):
            return True
    return False


def _is_rough(texts: Sequence[str]) -> bool:
    values = np.array(texts, dtype=float)
    spread = float(np.ptp(values))
    return spread > 0 and float(np.mean(np.abs(np.diff(values)))) > ROUGH * spread
