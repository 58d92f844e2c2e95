"""Rows of a log to columns of values: at once where a block is clean, column by column where it is not."""

from __future__ import annotations

import re
from itertools import compress
from typing import Optional, Sequence

import numpy as np

from ..core import counted
from .layout import EXTRA_ROLES, LogLayout, delimiter_of
from .overrange import OVERRANGE, OVERRANGE_WORDS, UNREADABLE
from .plan import LONGEST_TEXT, Plan, Planned, split_row
from .recordings import LARGEST_WHOLE
from .timestamps import character_codes, strip_texts

SHOWN_CHARACTERS = 60
"""Characters of a row that a sentence shows (common practice, no source): about as many as fit on a line beside it."""
COLUMN_END = "\x1f"
GROUPED = re.compile(r"([+-]?\d{1,3}(?:[' \u2019\u00a0\u202f]\d{3})+)((?:[.,]\d*)?)")
"""A number whose thousands are parted by an apostrophe or a blank."""
SIGNS = {"N": 1.0, "S": -1.0, "E": 1.0, "W": -1.0}
"""Signs of degrees by the letter of the half of the globe. Common practice, no source."""
DEGREES = re.compile(
    r"([NSEW])?\s*([+-]?\d+(?:\.\d*)?)(?:[°ºd:\s]\s*(?:(\d+(?:\.\d*)?)(?:['′’m:\s]\s*"
    r"(?:(\d+(?:\.\d*)?)\s*(?:[\"″”s]|'')?)?)?)?)?\s*([NSEW])?",
    re.IGNORECASE,
)
BELOW_ZERO = re.compile(r"\((\d+[.,]\d+)\)|(\d+[.,]\d+)-")
"""A negative number in round brackets, or with its minus behind it."""
COMMA_NUMBER = re.compile(r"^\s*[+-]?\d+,\d+\s*$")


def parse_rows(rows: list[str], plan: Plan) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return the columns of rows with readings by field, and (n,) bool which rows could be read.

    Numbers come as floats (NaN where missing), texts as str. Most logs are clean and read at once by numpy; where
    that fails, rows with a gap are read by themselves, and the others are read column by column.
    """
    columns = _parse_at_once(rows, plan)
    if columns is not None:
        return columns, np.ones(len(rows), bool)
    gaps = _rows_with_gaps(rows, plan.layout)
    if 0 < np.count_nonzero(gaps) < len(rows):
        return _parse_around_gaps(rows, gaps, plan)
    return _parse_by_column(rows, plan)


def _parse_around_gaps(rows: list[str], gaps: np.ndarray, plan: Plan) -> tuple[dict[str, np.ndarray], np.ndarray]:
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
    delimiter = delimiter_of(layout.delimiter)
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
    delimiter = delimiter_of(layout.delimiter)
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
            columns[planned.field] = np.array([text[:LONGEST_TEXT] for text in texts], dtype=str)
            continue
        values, bad = _numbers(texts, planned, plan.layout)
        if planned.column.role == "channel":
            values[bad] = UNREADABLE
        elif planned.column.role in EXTRA_ROLES:
            values[bad] = np.nan
        else:
            readable &= ~bad
        columns[planned.field] = values
    return columns, readable & ~_is_all_words(columns, plan) & ~_is_nowhere(columns, plan)


def _is_all_words(columns: dict[str, np.ndarray], plan: Plan) -> np.ndarray:
    """Return which rows hold no number but in columns that are not used for anything: a row of words."""
    no_value = np.all([columns[p.field] == UNREADABLE for p in plan.columns if p.column.role == "channel"], axis=0)
    beside = [columns[p.field] for p in plan.columns if p.column.role in ("line", "station", "time")]
    known = [values != "" if values.dtype.kind == "U" else np.isfinite(values) for values in beside]
    return no_value & ~(np.any(known, axis=0) if known else np.zeros(len(no_value), bool))


def _is_nowhere(columns: dict[str, np.ndarray], plan: Plan) -> np.ndarray:
    """Return which rows have neither station nor time where the log has columns of both, such as a mean of a line."""
    both = [columns[p.field] for p in plan.columns if p.column.role in ("station", "time")]
    if len(both) < 2:
        return np.zeros(len(both[0]) if both else 1, bool)
    return np.all([values == "" if values.dtype.kind == "U" else np.isnan(values) for values in both], axis=0)


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

    A line or run may be written with letters before its number (``L12``), or the direction behind it (``12N``).
    """
    if not text or text in layout.missing:
        return np.nan
    if role in ("line", "run"):
        text = re.sub(r"^[^\W\d]+[\s_.-]*(?=\d)", "", text)
        text = re.sub(r"(?<=\d)[\s_.-]*[NSEWnsew]$", "", text)
    if role == "channel" and OVERRANGE_WORDS.match(text):
        return OVERRANGE
    if role == "channel":
        text = without_groups(text)
    if is_number(text):
        return float(text)
    return degrees_of(text) if role in ("longitude", "latitude") else None


def holds_readings(row: str, layout: LogLayout) -> bool:
    """Return whether a row has numbers in all columns of numbers of a layout that goes by numbers of columns."""
    fields = split_row(row, layout.delimiter, layout.widths)
    texts = []
    for column in layout.columns:
        if isinstance(column.column, str) or column.column > len(fields):
            return False
        if column.role in ("line", "run", "station", "channel"):
            texts.append((fields[column.column - 1], column.role))
    if layout.decimal == ",":
        texts = [(text.replace(",", "."), role) for text, role in texts]
    values = [to_number(text, role, layout) for text, role in texts]
    return None not in values and bool(np.any(np.isfinite(np.array(values, float))))


def without_groups(text: str) -> str:
    """Return a number without what parts its thousands and with its minus in front; any other text as it is.

    Spreadsheets write (1.5) below zero, and old systems 1.5-.

    Examples
    --------
    >>> [without_groups(text) for text in ("1'011.31", "12 345", "1 25", "7:10", "(1.5)", "1.5-")]
    ['1011.31', '12345', '1 25', '7:10', '-1.5', '-1.5']
    """
    match = GROUPED.fullmatch(text)
    if match:
        return re.sub(r"[^\d+-]", "", match[1]) + match[2]
    below = BELOW_ZERO.fullmatch(text)
    return f"-{below[1] or below[2]}" if below else text


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
        return f"has {counted(len(fields), 'value')} where {plan.count} are expected"
    for planned in plan.columns:
        if planned.is_text:
            continue
        text, role = fields[planned.index], planned.column.role
        where = f"{shorten(text)} in column {planned.column.column} ({planned.field})"
        value = to_number(text.replace(",", ".") if plan.layout.decimal == "," else text, role, plan.layout)
        if value is None or (role == "station" and np.isinf(value)):
            return f"has {where}, which is no number"
        if role in ("line", "run") and not _is_whole(value):
            return f"has {where}, which is no whole number"
    blank = [not fields[p.index] for p in plan.columns if p.column.role in ("station", "time")]
    return (
        "has neither a station nor a time"
        if len(blank) == 2 and all(blank)
        else "has a time or date that cannot be read"
    )


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


def degrees_of(text: str) -> Optional[float]:
    r"""Return a position as a number, negative in the south and west; None when it is none.

    Examples
    --------
    >>> [round(degrees_of(t), 6) for t in ('48°06\'36.0"N', "W 11 30.0", "4806.6N", "-48.11")]
    [48.11, -11.5, 4806.6, -48.11]
    """
    match = DEGREES.fullmatch(text.strip())
    if match is None or (match[1] and match[5]):
        return None
    degrees, minutes, seconds = (float(match[k] or 0) for k in (2, 3, 4))
    if minutes >= 60 or seconds >= 60:
        return None
    letter = (match[1] or match[5] or "N").upper()
    sign = SIGNS[letter] * (-1.0 if match[2].startswith("-") else 1.0)
    return sign * (abs(degrees) + minutes / 60 + seconds / 3600)


def without_minutes(values: np.ndarray) -> np.ndarray:
    """Return (n,) degrees of positions with degrees and minutes as one number.

    Examples
    --------
    >>> without_minutes(np.array([4806.6, -1130.0])).round(6).tolist()
    [48.11, -11.5]
    """
    size = np.abs(values)
    degrees = np.floor(size / 100)
    return np.sign(values) * (degrees + (size - 100 * degrees) / 60)
