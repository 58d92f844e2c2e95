"""Finds out how a log is written, and says in plain sentences what was taken for what."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Optional, Sequence, Union

from ..core import FIELD_ENDINGS, FIXED_FIELDS
from .clock_parts import join_clock
from .column_refusals import check_columns
from .column_roles import (
    FIRST_VALUES,
    OTHER_UNITS,
    UNIT_NAMES,
    Role,
    fits_date,
    holds_one_word,
    is_time,
    role_by_name,
    roles_by_behaviour,
    stands_still,
    without_lengths,
)
from .dialect import NUMBER, Shape, find_comment, find_marks, find_missing, find_openings, find_records, find_shape
from .layout import ROLES, LogColumn, LogLayout, field_name
from .log_findings import layout_remarks
from .position_columns import settle_positions
from .refusals import (
    check_commas,
    check_count,
    check_first_row,
    check_is_log,
    check_names,
    check_shape,
    holds_values,
    no_channel,
    no_numbers,
)
from .text import HEAD_BYTES, check_text, clean_rows, read_head, sniff_encoding, text_encoding
from .time_formats import named_time_format
from .timestamps import DATE_TIME, guess_date_format

HEADER_REACH = 3
"""So many rows above the first reading may be the row of names (common practice, no source)."""
QUOTED_REACH = 20
"""Rows at the top of a log in which a value may go on in the next row (common practice, no source)."""
SETTINGS_ROWS = 3
"""So many rows of numbers may stand above the names as settings of the logger (common practice, no source)."""


@dataclass(frozen=True)
class ColumnNames:
    """Names of the columns, and whether a row of its own (not a comment) gives them."""

    names: tuple[str, ...]
    row: Optional[int] = None


def detect_layout(path: Union[str, Path]) -> tuple[LogLayout, list[str]]:
    """Find out the layout of a log from its first rows.

    Parameters
    ----------
    path : path
        Opened read-only.

    Returns
    -------
    layout : LogLayout
    remarks : list of str
        A sentence each: what was taken for what, and why.

    Raises
    ------
    EngineError
        When there is no such file, it is empty or binary, or holds no rows of numbers.

    Notes
    -----
    See docs/methods/read.md, "How it is found out". Columns without blanks between them cannot be parted: such a log
    needs a layout.
    """
    path = Path(path)
    encoding, original = head_rows(path)
    rows = join_quoted(original)
    check_first_row(rows, path.name)
    shape = _shape_below_header(rows, path.name)
    special = _special_rows(rows, shape)
    columns = shape.columns(rows)
    above = [i for i in special.others if i < shape.data[0] and i not in set(special.comments)]
    check_commas(rows, shape, above, path.name)
    names = _find_names(rows, shape, special.others, special.comments, special.comment, len(columns))
    hidden = special.comment and names.row is not None and rows[names.row].lstrip().startswith(special.comment)
    if hidden or (names.row is not None and rows[names.row] != original[names.row]):
        # Names that begin as comments do, or go on in the next row of the file, cannot be found again by their row.
        names = ColumnNames(names.names)
    check_is_log(names.names, path.name)
    if above and names.row is None and not any(names.names):
        check_names(rows, above[-1], shape, len(columns), path.name)
    check_shape(rows, shape, shape.data[0] if names.row is None else names.row, any(names.names), path.name)
    check_count(shape, bool(any(names.names) or special.openings), path.name)
    roles = _find_roles(columns, names, bool(special.openings))
    check_columns(columns, names.names, roles, rows, shape, path.name)
    channels = [texts for texts, role in zip(columns, roles) if role.role == "channel"]
    if not channels:
        raise no_channel(rows, shape, path.name)
    layout = LogLayout(
        name=path.stem,
        encoding=encoding,
        delimiter=shape.delimiter,
        widths=shape.widths,
        decimal=shape.decimal,
        comment=special.comment,
        skip_rows=_rows_to_skip(original, shape, [*special.openings, *special.marks], special.comments, names),
        header=names.row is not None,
        line_start=special.line_start,
        mark=special.mark,
        missing=find_missing(channels, shape.decimal),
        columns=_layout_columns(columns, names, roles),
    )
    return layout, layout_remarks(layout, names.names, roles, len(special.openings), len(special.marks))


@dataclass(frozen=True)
class SpecialRows:
    """Rows without readings: expressions for those that open lines and mark, and which rows are what (from 0)."""

    line_start: str
    openings: list[int]
    mark: str
    marks: list[int]
    comment: str
    comments: list[int]
    others: list[int]


def _special_rows(rows: Sequence[str], shape: Shape) -> SpecialRows:
    others = [i for i in sorted(set(range(len(rows))) - set(shape.data)) if rows[i].strip()]
    line_start, openings = find_openings(rows, others, shape.data)
    others = [i for i in others if i not in set(openings)]
    mark, marks = find_marks(rows, others, shape.data)
    others = [i for i in others if i not in set(marks)]
    comment, comments = find_comment(rows, others, shape)
    if not mark:
        mark, marks, other, found = find_records(rows, others, shape)
        comment, comments = (comment, comments) if comment else (other, found)
        others = [i for i in others if i not in set(marks)]
    return SpecialRows(line_start, openings, mark, marks, comment, comments, others)


def head_rows(path: Path, encoding: str = "") -> tuple[str, list[str]]:
    """Return the encoding of a log, which its bytes show when none is given, and its first rows.

    Raises
    ------
    EngineError
        When there is no such file, or it is empty or binary.
    """
    head = read_head(path)
    encoding = text_encoding(head, encoding) if encoding else sniff_encoding(head)
    check_text(head, encoding, path.name)
    rows = list(io.StringIO(head.decode(encoding, errors="ignore"), newline=None))
    return encoding, clean_rows(rows[:-1] if len(head) == HEAD_BYTES and len(rows) > 1 else rows)


def guess_columns(rows: Sequence[str], shape: Shape) -> tuple[tuple[LogColumn, ...], bool]:
    """Return the columns that names and values show in rows of a known shape, and whether a row names them."""
    columns = shape.columns(rows)
    others = [i for i in range(shape.data[0]) if rows[i].strip()]
    names = _find_names(rows, shape, others, [], "", len(columns))
    return _layout_columns(columns, names, _find_roles(columns, names, False)), names.row is not None


def join_quoted(rows: Sequence[str]) -> list[str]:
    """Return rows in which a value in quotes that goes on in the next row is one; the rows that it took are blank."""
    if not any(row.count('"') % 2 for row in rows[:QUOTED_REACH]):
        return list(rows)
    joined, i = list(rows), 0
    while i < min(len(rows), QUOTED_REACH):
        end = i
        while joined[i].count('"') % 2 and end + 1 < len(rows) and end < i + QUOTED_REACH:
            end += 1
            joined[i] = f"{joined[i].rstrip()} {rows[end]}"
            joined[end] = "\n"
        if joined[i].count('"') % 2:
            return list(rows)
        i = end + 1
    return joined


def _shape_below_header(rows: Sequence[str], name: str) -> Shape:
    """Return the shape without the few rows of numbers that stand above a row of names: settings of the logger."""
    shape = find_shape(rows)
    if shape is None:
        raise no_numbers(rows, name)
    count = len(shape.split(rows[shape.data[0]]))
    for i in sorted(set(range(shape.data[0], shape.data[min(SETTINGS_ROWS, len(shape.data) - 1)])) - set(shape.data)):
        names = _as_names(rows[i], shape, count)
        above = any(row == rows[i] for row in rows[: shape.data[0]])
        if any(is_time(text) for k in shape.data if k < i for text in shape.split(rows[k])):
            continue  # Readings hold clock times, settings do not.
        if names and not above and sum(_names_role(name) for name in names) > len(names) / 2:
            return replace(shape, data=[k for k in shape.data if k > i])
    return shape


def _names_role(name: str) -> bool:
    role = role_by_name(name) if name else None
    return role is not None and bool(role.role)


def _is_unit(name: str) -> bool:
    return name.strip("[](){}<>").lower() in UNIT_NAMES


def _find_names(
    rows: Sequence[str], shape: Shape, others: Sequence[int], comments: Sequence[int], comment: str, count: int
) -> ColumnNames:
    first = shape.data[0]
    above = [i for i in others if i < first and i not in set(comments) and not holds_values(rows[i], shape)]
    reach = [_as_names(rows[i], shape, count) for i in above[-HEADER_REACH:]]
    pairs = sorted(zip(reach, reach[1:]), key=lambda pair: sum(map(_is_unit, pair[1])))
    # Below the names and their units there may be a row with the kind of each sample.
    for names, units in pairs[-1:]:
        if names and units and sum(map(_names_role, names)) > sum(_names_role(unit) for unit in units if unit):
            units = tuple(re.sub(r"[\[\](){}<>]", "", unit) for unit in units)
            return ColumnNames(tuple(f"{a} [{b}]" if re.search(r"\w", b) else a for a, b in zip(names, units)))
    for i in above[: -1 - HEADER_REACH : -1]:
        names = _as_names(rows[i], shape, count)
        # Farther up only names that are known count: a row of words below them hides no row of names.
        if names and (i == above[-1] or sum(map(_names_role, names)) > len(names) / 2):
            return ColumnNames(names, i if shape.widths is None else None)
    for i in [i for i in comments if i < first][-1:]:
        names = _as_names(rows[i].lstrip().lstrip(comment + " "), shape, count)
        if names:
            return ColumnNames(names)
    return ColumnNames(("",) * count)


def _as_names(row: str, shape: Shape, count: int) -> tuple[str, ...]:
    """Return the names in a header row; empty when it has not as many, or holds values."""
    names = row.split() if shape.widths is not None else shape.split(row)
    if len(names) == count - 1:
        names = [*names, ""]
    while len(names) > count and shape.widths is None and _is_beside(names[-1]):
        names = names[:-1]
    values = any(NUMBER.match(name) or is_time(name) for name in names)
    return tuple(names) if len(names) == count and not values and re.search(r"[^\W\d]", row) else ()


def _is_beside(name: str) -> bool:
    """Return whether a name is blank, or one of a column that no row need fill, such as a remark."""
    role = role_by_name(name) if name else None
    return not name or (role is not None and not role.role)


def _find_roles(columns: Sequence[Sequence[str]], names: ColumnNames, has_openings: bool) -> list[Role]:
    taken = [role_by_name(name) if name else None for name in names.names]
    if any(name.lower() in UNIT_NAMES for name in names.names):
        # Where units name the channels, other units name what stands beside them.
        other = Role("", "", "by its unit")
        taken = [other if name.lower() in OTHER_UNITS else role for name, role in zip(names.names, taken)]
    units = {role.unit for role in taken if role and role.role == "channel"} - {""}
    taken = [replace(role, role="channel") if role and role.unit in units else role for role in taken]
    for i, role in enumerate(taken):
        if role is None:
            continue
        if role.role == "date" and any(DATE_TIME.match(text) for text in columns[i]):
            taken[i] = role = Role("time", "", role.why)
        elif role.role == "date" and _are_day_fractions(columns[i]):
            taken[i] = role = Role("time", "", role.why)
        elif role.role == "channel" and holds_one_word(columns[i]):
            taken[i] = role = Role("", "", f"because it holds {columns[i][0]!r} throughout")
        elif role.role == "time" and stands_still(columns[i]):
            taken[i] = role = Role("", "", "because it never changes")
        elif role.role == "date" and not any(map(fits_date, columns[i][:FIRST_VALUES])):
            taken[i] = role = Role("", "", "because its values are no dates")
        first = next(k for k, r in enumerate(taken) if r is not None and r.role == role.role)
        if first < i and role.role not in ("channel", ""):
            taken[i] = Role("", "", f"because column {first + 1} is the {role.role}")
    named = [r.role for r in taken if r is not None]
    known = ["line"] if has_openings else []
    # A header that names lines or stations leaves little to guess: the others are channels unless they are plainly not.
    beside = "station" in named or "line" in named
    roles = without_lengths(names.names, roles_by_behaviour(columns, taken, known, beside=beside))
    return settle_positions(columns, join_clock(columns, names.names, roles))


def _are_day_fractions(texts: Sequence[str]) -> bool:
    known = [text for text in texts if text]
    return any("." in text for text in known) and all(re.fullmatch(r"\d{1,5}(\.\d*)?", text) for text in known)


def _rows_to_skip(
    rows: Sequence[str], shape: Shape, openings: Sequence[int], comments: Sequence[int], names: ColumnNames
) -> int:
    top = shape.data[0] if names.row is None else names.row
    opened = min([top, *openings])
    # A row that seems to open a line, with other rows between it and the names, is one of the settings.
    between = [i for i in range(opened, top) if rows[i].strip() and i not in {*openings, *comments}]
    first = top if between and names.row is not None else opened
    preamble = [i for i in range(first) if rows[i].strip() and i not in set(comments)]
    if names.row is None:
        # A row of numbers right above the first reading is a damaged reading, which is to be reported.
        preamble = [i for i in preamble if not holds_values(rows[i], shape)]
    return preamble[-1] + 1 if preamble else 0


def _layout_columns(
    columns: Sequence[Sequence[str]], names: ColumnNames, roles: Sequence[Role]
) -> tuple[LogColumn, ...]:
    found: list[LogColumn] = []
    fields: set[str] = set()
    lower = [name.lower() for name in names.names]
    for i, (texts, role) in enumerate(zip(columns, roles)):
        if not role.role:
            continue
        named = names.row is not None and names.names[i] and lower.count(lower[i]) == 1
        form = role.form
        if role.role == "time":
            form = form or named_time_format(names.names[i], [text for text in texts if text])
        elif role.role == "date":
            form = guess_date_format([text for text in texts if text])
        field = _free_name(names.names[i], i, fields) if role.role == "channel" else ""
        column = names.names[i] if named else i + 1
        found.append(LogColumn(column, role.role, field, role.unit, factor=role.factor, format=form))
    return tuple(found)


def _free_name(name: str, index: int, used: set[str]) -> str:
    """Return a name for a channel that no other column has, and note it."""
    field = field_name(name) if name else f"channel_{index + 1}"
    twin = any(ending and field.endswith(ending) for ending in FIELD_ENDINGS)
    if field in used or field in FIXED_FIELDS or field in ROLES or twin:
        field = f"{field}_{index + 1}"
    used.add(field)
    return field
