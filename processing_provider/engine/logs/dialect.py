"""The shape of a log's rows: which hold readings, what parts their values, which open lines, mark or comment."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from typing import Optional, Sequence

import numpy as np

from .column_roles import is_date, is_time
from .fields import without_groups
from .layout import delimiter_of
from .number_courses import STEADY
from .overrange import FULL_REGISTER, OVERRANGE_WORDS
from .plan import split_row

LIKELY = 0.6
"""A row may hold readings when at least this fraction of its values are numbers, times or missing marks (common
practice, no source)."""
CLEARLY_MORE = 1.1
"""Fixed columns are preferred to blanks when they read so many times the rows (common practice, no source)."""
WIDEST_ROW = 1000
"""Characters of a row in fixed columns. Derived: a hundred columns of ten characters."""
FIXED_ROW = re.compile(r"[\s\d.,:*+-]*\d[\s\d.,:*+-]*", re.ASCII)
TEXTS_KEPT = 1 << 14
"""How many texts are known to be a value or not. Derived: whole rows come again under every delimiter that they do not
have, and the rows of one log that are looked at are a few thousand; some megabytes at most."""
DELIMITERS = ("tab", ";", "|", ",", "space")
COMMENT_MARKS = ("#", "//", "%", "!", ";", "/", ">", "*")
MISSING_WORDS = re.compile(r"^(\*+|-+|\?+|#+|nan|n/?a|null|none|nil|ovr|over|x+)$", re.IGNORECASE)
NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
COMMA_VALUE = re.compile(r"^[NSEWnsew]?\s*[+-]?[\d\s'\u2019]+,\d+([eE][+-]?\d+)?\s*[NSEWnsew]?$")
"""A number with a decimal comma, also a position with its letter or one whose thousands are parted."""

LINE_WORDS = "line|traverse|trav|transect|profile|linie|zeile|profil|ligne|linea|línea|l|t"
OPENING_WORDS = r"(?:begin|start|new|open|beginn|début|inicio)\s+(?:of\s+)?"
OPENING_START = rf"\W*(?:{OPENING_WORDS})?(?:{LINE_WORDS})(?:-(?=\d)|[\s:=#_.]*)(?P<line>-?\d+)\b"
OPENING_PARTS = (
    r".*?\b(?:start[ _]?station|station|stn|sta|start|from|begin|von|ab|desde)[\s:=]*"
    r"(?P<station>[+-]?\d+(?:[.,]\d+)?)(?![\d:])",
    r".*?\b(?:step|increment|incr|inc|schritt|pas|by|delta)[\s:=]*(?P<step>[+-]?\d+(?:[.,]\d+)?)",
    r".*?\b(?P<step>(?:in|de)creas(?:ing|e)|(?:a|de)scending|(?:ab|auf)steigend|(?:dé)?croissant)\b",
    r".*?\b(?:to|till|until|end|stop|bis|jusqu'?[aà]|hasta)[\s:=]*(?P<end>[+-]?\d+(?:[.,]\d+)?)(?![\d:])",
    r"[\s,;|\"]+(?P<station>[+-]?\d+(?:[.,]\d+)?)[\s,;|\"]+[+-]?\d+(?:[.,]\d+)?\W*$",
    r"[\s,;|\"]+[+-]?\d+(?:[.,]\d+)?[\s,;|\"]+(?P<step>[+-]?\d+(?:[.,]\d+)?)\W*$",
    r".*?(?<![\d:])(?P<time>\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)",
    r".*?\b(?:heading|head|hdg|direction|dir|richtung|sens)[\s:=]*(?P<heading>[^\s,;]+)",
    r".*?[\s,;](?P<heading>[NSEW]|north|south|east|west|out|back|up|down)\b",
    r".*?\bgrid[\s:=]*(?P<grid>\w+)",
)
GRID_ROW = r"\W*(?:grid|raster|square|block)[\s:=#_.]+(?P<grid>[\w-]+)\W*$"
MARK_NAMES = "mark|marker|marke|marque|marca|fid|fiducial"
MARK_WORDS = rf"(?i)^\W*(?:{MARK_NAMES})\b"
MARK_LAST = rf"[\s,;|]\W?(?:{MARK_NAMES})\W?\s*$"
"""Such a word in place of the last value of a row."""
MARK_KINDS = ("M", "MK", "F", "FID", "MARK")
"""Kinds of fiducial rows in logs in which each row begins with its kind."""
MARK_ALONE = MARK_WORDS + r"\W*\d*\W*$"
"""The same with nothing but a number behind it: above the first reading other rows may begin with such a word."""


@dataclass(frozen=True)
class Shape:
    """How rows with readings are written, and which rows they are.

    Attributes
    ----------
    delimiter : str or None
    widths : tuple of int or None
    decimal : str
    data : list of int
        Indices of the rows with readings.
    """

    delimiter: Optional[str]
    widths: Optional[tuple[int, ...]]
    decimal: str
    data: list[int]

    def split(self, row: str) -> list[str]:
        """Return the values of a row as stripped texts."""
        return split_row(row, self.delimiter, self.widths)

    def columns(self, rows: Sequence[str]) -> list[list[str]]:
        """Return the columns of the rows with readings, with decimal points."""
        table = [self.split(rows[i]) for i in self.data]
        count = max(map(len, table))
        columns = [[fields[k] if k < len(fields) else "" for fields in table] for k in range(count)]
        if self.decimal == ",":
            columns = [[t.replace(",", ".") if COMMA_VALUE.match(t) else t for t in texts] for texts in columns]
        return [list(map(without_groups, texts)) for texts in columns]


def find_shape(rows: Sequence[str]) -> Optional[Shape]:
    """Return the shape of a log's rows, or None when no rows of numbers were found."""
    best, best_score, undivided = None, (0.0, 0), False
    for delimiter in DELIMITERS:
        character = delimiter_of(delimiter)
        if character is not None and not any(character in row for row in rows):
            # Rows are one value each under every delimiter that none of them has.
            if undivided:
                continue
            undivided = True
        shape, score = _try_delimiter(rows, delimiter)
        # Blanks also part what tabs part, and a date from its clock besides.
        if score > best_score and (delimiter != "space" or score[0] > best_score[0]):
            best, best_score = shape, score
    if best is None or best.delimiter == "space":
        fixed = _try_widths(rows)
        if fixed is not None and (best is None or len(fixed.data) > CLEARLY_MORE * len(best.data)):
            return fixed
        if fixed is not None and best is not None and _fills_gaps(fixed, best, rows):
            return fixed
    return best


def _fills_gaps(fixed: Shape, blanks: Shape, rows: Sequence[str]) -> bool:
    """Return whether fixed columns also read the rows that have a gap where blanks part the values."""
    more = set(fixed.data) - set(blanks.data)
    if not more or not set(blanks.data) <= set(fixed.data) or fixed.widths is None:
        return False
    count = len(blanks.split(rows[blanks.data[0]]))
    return count == len(fixed.widths) and all(len(blanks.split(rows[i])) < count for i in more)


_is_clock = lru_cache(maxsize=TEXTS_KEPT)(is_time)


@lru_cache(maxsize=TEXTS_KEPT)
def _is_value(text: str) -> bool:
    number = NUMBER.match(text) or NUMBER.match(without_groups(text))
    return bool(number or not text or MISSING_WORDS.match(text)) or _is_clock(text) or is_date(text)


@lru_cache(maxsize=TEXTS_KEPT)
def is_measured(text: str) -> bool:
    """Return whether a text is a number or a clock time."""
    return bool(NUMBER.match(text)) or _is_clock(text)


def shape_with(
    rows: Sequence[str], delimiter: Optional[str], widths: Optional[tuple[int, ...]] = None
) -> Optional[Shape]:
    """Return the shape of a log's rows cut in a given way, or None when no rows of numbers were found."""
    if delimiter is not None:
        return _try_delimiter(rows, delimiter)[0]
    table = [split_row(row, None, widths) for row in rows]
    data = [i for i, fields in enumerate(table) if value_fraction(fields) >= LIKELY]
    return Shape(None, widths, _decimal(table, data), data) if data else None


def _try_delimiter(rows: Sequence[str], delimiter: str) -> tuple[Optional[Shape], tuple[float, int]]:
    table = [split_row(row, delimiter) for row in rows]
    values = [value_fraction(fields) for fields in table]
    likely = [i for i, fraction in enumerate(values) if fraction >= LIKELY]
    if not likely:
        return None, (0.0, 0)
    count = Counter(len(table[i]) for i in likely).most_common(1)[0][0]
    likely = [i for i in likely if len(table[i]) == count]
    score = sum(values[i] for i in likely)
    known = [[table[i][k] for i in likely if table[i][k]] for k in range(count)]
    steady = [k for k, texts in enumerate(known) if sum(map(_is_value, texts)) > STEADY * len(texts)]
    clocks = [k for k, texts in enumerate(known) if sum(map(_is_clock, texts)) > STEADY * len(texts)]
    data = [
        i
        for i in likely
        if all(_is_value(table[i][k]) for k in steady) and not any(NUMBER.match(table[i][k]) for k in clocks)
    ]
    return Shape(delimiter, None, _decimal(table, data), data), (score, count)


def value_fraction(fields: Sequence[str]) -> float:
    """Return how many of the values of a row are numbers, times or missing; 0 when none is a number or a time."""
    if not any(map(is_measured, fields)):
        return 0.0
    return sum(map(_is_value, fields)) / len(fields)


def _decimal(table: Sequence[Sequence[str]], data: Sequence[int]) -> str:
    texts = [text for i in data for text in table[i]]
    commas = sum(bool(COMMA_VALUE.match(text)) for text in texts)
    # Between commas only a number in quotes keeps a comma of its own.
    return "," if commas > sum("." in t and bool(NUMBER.match(t)) for t in texts) else "."


def _try_widths(rows: Sequence[str]) -> Optional[Shape]:
    """Return the shape in fixed columns parted by blanks that stand in all rows of numbers."""
    data = [i for i, row in enumerate(rows) if len(row) <= WIDEST_ROW and FIXED_ROW.fullmatch(row)]
    texts = [rows[i].rstrip("\r\n") for i in data]
    if len(texts) < 3:
        return None
    length = max(map(len, texts))
    codes = np.array(texts, dtype=f"S{length}").view(np.uint8).reshape(len(texts), length)
    used = np.any(codes > ord(" "), axis=0)
    ends = [k + 1 for k in range(length) if used[k] and (k + 1 == length or not used[k + 1])]
    widths = tuple(end - start for start, end in zip([0, *ends], ends))
    table = [split_row(rows[i], None, widths) for i in data]
    if len(widths) < 2 or not all(_is_value(text) for fields in table for text in fields):
        return None
    return Shape(None, widths, _decimal(table, range(len(data))), data)


def find_openings(rows: Sequence[str], others: Sequence[int], data: Sequence[int]) -> tuple[str, list[int]]:
    """Return the expression of rows that open a line, and which of ``others`` (rows without readings) do.

    Where rows begin with a word of their kind, the delimiter stands between it and the number of the line.
    """
    first = re.match(r"\W*([^\W\d]+)\W?\s*[,;|\t]", rows[data[0]])
    if first and first[1].lower() not in LINE_WORDS.split("|"):
        return _find_openings(rows, others, data, OPENING_START.replace("#_.]", '#_.,;|"]'))
    return _find_openings(rows, others, data, OPENING_START)


def _find_openings(
    rows: Sequence[str], others: Sequence[int], data: Sequence[int], start: str
) -> tuple[str, list[int]]:
    grids = [i for i in others if i < data[-1] and re.match(GRID_ROW, rows[i], re.IGNORECASE)]
    begin = re.compile(start, re.IGNORECASE)
    opened = {i: begin.match(rows[i]) for i in others if i < data[-1]}
    ends = {i: match.end() for i, match in opened.items() if match}
    # One row with the name of a grid is a title; the grid of a single log is given by who reads it.
    has_grids = len({rows[i].strip() for i in grids}) > 1
    if not ends:
        return (f"(?i)^{GRID_ROW}", grids) if has_grids else ("", [])
    parts = ""
    groups = {"grid"} if has_grids else set()
    for part in OPENING_PARTS:
        compiled = re.compile(part, re.IGNORECASE)
        group = next(iter(compiled.groupindex))
        if group not in groups and any(compiled.match(rows[i], behind) for i, behind in ends.items()):
            parts += rf"(?:(?={part})|)"
            groups.add(group)
    if has_grids:
        return f"(?i)^(?:{GRID_ROW}|{start}{parts})", [*ends, *grids]
    return f"(?i)^{start}{parts}", list(ends)


def find_marks(rows: Sequence[str], others: Sequence[int], data: Sequence[int]) -> tuple[str, list[int]]:
    """Return the expression of fiducial rows, and which of ``others`` they are: a word for it, or a sign alone."""
    inside = [i for i in others if data[0] < i]
    worded = [i for i in others if re.match(MARK_WORDS if data[0] < i else MARK_ALONE, rows[i])]
    last = re.compile(MARK_LAST, re.IGNORECASE)
    if any(map(last.search, (rows[i] for i in inside))) and not any(map(last.search, rows[: data[0]])):
        return f"{MARK_WORDS}|{MARK_LAST}", sorted({*worded, *(i for i in inside if last.search(rows[i]))})
    if worded:
        return MARK_WORDS, worded
    signs = [i for i in inside if re.fullmatch(r"\s*([^\w\s,;|])\1{0,2}\s*", rows[i])]
    texts = sorted({rows[i].strip() for i in signs})
    if len(signs) == 1 and MISSING_WORDS.match(texts[0]):  # what is left of a damaged row
        return "", []
    return (rf"^\s*(?:{'|'.join(map(re.escape, texts))})\s*$", signs) if len(texts) == 1 else ("", [])


def find_records(rows: Sequence[str], others: Sequence[int], shape: Shape) -> tuple[str, list[int], str, list[int]]:
    """Return what shows rows of other kinds, where each row begins with a letter or word of its kind.

    Returns
    -------
    mark : str
        Expression of fiducial rows, empty when there are none.
    marks : list of int
        Those of ``others`` which they are.
    comment : str
        What rows of another kind begin with, empty when there are none or of several kinds.
    comments : list of int
    """
    delimiter = delimiter_of(shape.delimiter)
    kind = shape.split(rows[shape.data[0]])[0]
    if not delimiter or not kind.isalpha() or any(shape.split(rows[i])[0] != kind for i in shape.data):
        return "", [], "", []
    inside: dict[str, list[int]] = {}
    for i in others:
        kind = shape.split(rows[i])[0]
        if shape.data[0] < i < shape.data[-1] and kind.isalpha():
            inside.setdefault(kind, []).append(i)
    found = next((kind for kind in inside if kind.upper() in MARK_KINDS), "")
    marks = inside.pop(found, [])
    mark = rf'^\s*"?{re.escape(found)}"?\s*{re.escape(delimiter)}' if marks else ""
    if len(inside) != 1:
        return mark, marks, "", []
    kind, comments = inside.popitem()
    return mark, marks, kind + delimiter, comments


def find_comment(rows: Sequence[str], others: Sequence[int], shape: Shape) -> tuple[str, list[int]]:
    """Return what rows of comment start with, and no row of numbers does; and which of ``others`` do."""
    for mark in (mark for mark in COMMENT_MARKS if mark != shape.delimiter):
        found = [i for i in others if rows[i].lstrip().startswith(mark)]
        # Readings whose first character was damaged are no comments.
        worded = any(re.search(r"[^\W\d_]{2}", rows[i]) for i in found)
        if worded and not any(rows[i].lstrip().startswith(mark) for i in shape.data):
            return mark, found
    return "", []


def find_missing(texts: Sequence[Sequence[str]], decimal: str) -> tuple[str, ...]:
    """Return the marks for missing values in the columns of channels: words, and lone numbers such as -9999.

    The same above zero (9999, 32767) is beyond the range of the instrument, see ``overrange``.
    """
    found: dict[str, None] = {}
    for column in texts:
        words = (t for t in dict.fromkeys(column) if MISSING_WORDS.match(t) and not OVERRANGE_WORDS.match(t))
        found.update(dict.fromkeys(t for t in words if t.lower() != "nan"))
        numbers = {t: float(t) for t in dict.fromkeys(column) if NUMBER.match(t) and "," not in t}
        marks = {t: v for t, v in numbers.items() if re.fullmatch(rf"-?(?:{FULL_REGISTER})(\.0*)?", t)}
        largest = max((abs(v) for t, v in numbers.items() if t not in marks), default=0.0)
        found.update(dict.fromkeys(t for t, v in marks.items() if v < -2 * largest))
    return tuple(t.replace(".", decimal) if decimal == "," and NUMBER.match(t) else t for t in found)
