"""Logs whose layout cannot be known, or that are no logs: refused with the row and what to do."""

from __future__ import annotations

import re
from typing import Sequence

import numpy as np

from ..core import EngineError
from .column_roles import Role
from .dialect import LIKELY, Shape, value_fraction
from .fields import is_number, shorten
from .plan import split_row

TABLES = (
    ("the register", ("log", "length_m", "width_m", "spacing_m", "readings_per_m", "first_line", "pattern")),
    ("the notes", ("start_station", "stop_station", "position_m", "kind")),
    ("the corners", ("corner", "x", "y")),
)
"""Tables of a survey that are no logs, and the columns that give them away; two of them suffice."""
JOINED = re.compile(r"[^\W\d]*\d+\s*[/:|_-]\s*[+-]?\d+")
WHOLE_LINE = 10
"""Values in a row without names, and fewer rows than values: a line a row (common practice, no source)."""
OTHER_ROWS = 3
"""Rows of numbers of another shape above the readings are named from this many on (common practice, no source)."""
ROUGH = 0.2
"""Mean step of a column as a fraction of its range from which it is no course of values. Derived: evenly spread digits
have a mean step of a third."""


def check_is_log(names: Sequence[str], name: str) -> None:
    """Raise EngineError when the names of the columns are those of another table of the survey."""
    found = {text.strip().lower() for text in names}
    for table, words in TABLES:
        if len(found & set(words)) >= 2:
            columns = ", ".join(sorted(found & set(words)))
            raise EngineError(
                f"{name} is {table} of a survey and no log: its row of names has {columns}. "
                "Give the log that the logger wrote."
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
    others = [i for i in range(top) if holds_values(rows[i], shape)]
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


def check_commas(rows: Sequence[str], shape: Shape, above: Sequence[int], name: str) -> None:
    """Raise EngineError when commas part values and numbers alike, so that ``19,91`` is read as two values."""
    if shape.delimiter != "," or shape.decimal == ",":
        return
    table = [shape.split(rows[i]) for i in shape.data]
    if any("." in text for fields in table for text in fields if is_number(text)):
        return
    count = len(table[0])
    heads = [split_row(rows[i], ",") for i in above[-1:]]
    shorter = any(1 < len(head) < count <= 2 * len(head) and not any(map(is_number, head)) for head in heads)
    if shorter or (not heads and _has_digits_behind(table, count)):
        raise EngineError(
            f"In {name}, row {shape.data[0] + 1} ({shorten(rows[shape.data[0]])}) seems to have decimal commas "
            "between values that commas part: which is which cannot be known. Export the log with another "
            "delimiter, such as ';'."
        )


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


def check_joined(
    columns: Sequence[Sequence[str]], roles: Sequence[Role], rows: Sequence[str], shape: Shape, name: str
) -> None:
    """Raise EngineError when a column that is of no use holds line and station in one text, such as ``3/17``."""
    for texts, role in zip(columns, roles):
        if role.role or len(set(texts)) < 0.5 * len(texts):
            continue
        if sum(bool(JOINED.fullmatch(text)) for text in texts) > 0.9 * len(texts):
            raise EngineError(
                f"In {name}, row {shape.data[0] + 1} holds two numbers in one value ({shorten(texts[0])}), probably "
                "line and station. Export them in two columns, or replace the sign between them by the delimiter."
            )
