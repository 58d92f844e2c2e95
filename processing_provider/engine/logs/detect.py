"""Finds out how a log is written, and says in plain sentences what was taken for what."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Optional, Sequence, Union

from ..core import FIXED_FIELDS, EngineError
from .column_roles import Role, is_time, role_by_name, roles_by_behaviour
from .dialect import NUMBER, Shape, find_comment, find_marks, find_missing, find_openings, find_shape
from .layout import ROLES, LogColumn, LogLayout, field_name
from .text import HEAD_BYTES, check_text, read_head, sniff_encoding
from .timestamps import DATE_TIME, guess_date_format, guess_time_format


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
    head = read_head(path)
    encoding = sniff_encoding(head)
    check_text(head, encoding, path.name)
    rows = _rows(head, encoding)
    shape = find_shape(rows)
    if shape is None:
        raise EngineError(
            f"No rows of numbers were found in {path.name}. Check that it is a traverse log, or give its layout."
        )
    others = sorted(set(range(len(rows))) - set(shape.data))
    others = [i for i in others if rows[i].strip()]
    line_start, openings = find_openings(rows, others, shape.data)
    others = [i for i in others if i not in set(openings)]
    mark, marks = find_marks(rows, others, shape.data)
    comment, comments = find_comment(rows, [i for i in others if i not in set(marks)])
    columns = shape.columns(rows)
    names = _find_names(rows, shape, others, comments, comment, len(columns))
    roles = _find_roles(columns, names, bool(openings))
    channels = [texts for texts, role in zip(columns, roles) if role.role == "channel"]
    if not channels:
        raise EngineError(f"No column of readings was found in {path.name}. Give the layout of the log.")
    layout = LogLayout(
        name=path.stem,
        encoding=encoding,
        delimiter=shape.delimiter,
        widths=shape.widths,
        decimal=shape.decimal,
        comment=comment,
        skip_rows=_rows_to_skip(rows, shape, openings, comments, names),
        header=names.row is not None,
        line_start=line_start,
        mark=mark,
        missing=find_missing(channels, shape.decimal),
        columns=_layout_columns(columns, names, roles),
    )
    return layout, _remarks(layout, names, roles, len(openings), len(marks))


def _rows(head: bytes, encoding: str) -> list[str]:
    rows = list(io.StringIO(head.decode(encoding, errors="ignore"), newline=None))
    return rows[:-1] if len(head) == HEAD_BYTES and len(rows) > 1 else rows


def _find_names(
    rows: Sequence[str], shape: Shape, others: Sequence[int], comments: Sequence[int], comment: str, count: int
) -> ColumnNames:
    first = shape.data[0]
    above = [i for i in others if i < first and i not in set(comments)]
    for i in above[-1:]:
        names = _as_names(rows[i], shape, count)
        if names:
            return ColumnNames(names, i if shape.widths is None else None)
    for i in [i for i in comments if i < first][-1:]:
        names = _as_names(rows[i].lstrip()[len(comment) :].lstrip(" "), shape, count)
        if names:
            return ColumnNames(names)
    return ColumnNames(("",) * count)


def _as_names(row: str, shape: Shape, count: int) -> tuple[str, ...]:
    """Return the names in a header row; empty when it has not as many, or holds values."""
    names = row.split() if shape.widths is not None else shape.split(row)
    if len(names) == count - 1:
        names = [*names, ""]
    values = any(NUMBER.match(name) or is_time(name) for name in names)
    return tuple(names) if len(names) == count and not values and re.search(r"[^\W\d]", row) else ()


def _find_roles(columns: Sequence[Sequence[str]], names: ColumnNames, has_openings: bool) -> list[Role]:
    taken = [role_by_name(name) if name else None for name in names.names]
    for i, role in enumerate(taken):
        if role is None:
            continue
        if role.role == "date" and any(DATE_TIME.match(text) for text in columns[i]):
            taken[i] = role = Role("time", "", role.why)
        first = next(k for k, r in enumerate(taken) if r is not None and r.role == role.role)
        if first < i and role.role not in ("channel", ""):
            taken[i] = Role("", "", f"because column {first + 1} is the {role.role}")
    named = [r.role for r in taken if r is not None]
    known = ["line"] if has_openings else []
    # A header that names the columns of use leaves nothing to guess: the others are channels.
    if "station" in named or "line" in named:
        known += ["line", "time", "station"]
    return roles_by_behaviour(columns, taken, known)


def _rows_to_skip(
    rows: Sequence[str], shape: Shape, openings: Sequence[int], comments: Sequence[int], names: ColumnNames
) -> int:
    first = min([shape.data[0], *openings, *([names.row] if names.row is not None else [])])
    preamble = [i for i in range(first) if rows[i].strip() and i not in set(comments)]
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
        form = ""
        if role.role == "time":
            form = guess_time_format([text for text in texts if text])
        elif role.role == "date":
            form = guess_date_format([text for text in texts if text])
        field = _free_name(names.names[i], i, fields) if role.role == "channel" else ""
        found.append(LogColumn(names.names[i] if named else i + 1, role.role, field, role.unit, format=form))
    return tuple(found)


def _free_name(name: str, index: int, used: set[str]) -> str:
    """Return a name for a channel that no other column has, and note it."""
    field = field_name(name) if name else f"channel_{index + 1}"
    if field in used or field in FIXED_FIELDS or field in ROLES:
        field = f"{field}_{index + 1}"
    used.add(field)
    return field


def _remarks(layout: LogLayout, names: ColumnNames, roles: Sequence[Role], openings: int, marks: int) -> list[str]:
    how = (
        f"fixed columns of {', '.join(map(str, layout.widths))}" if layout.widths else f"delimiter {layout.delimiter!r}"
    )
    remarks = [f"The log is {layout.encoding} text with {how} and decimal mark {layout.decimal!r}."]
    if layout.skip_rows:
        remarks.append(f"The first {layout.skip_rows} rows are a preamble and passed over.")
    if layout.comment:
        remarks.append(f"Rows that start with {layout.comment!r} are comments.")
    if openings:
        remarks.append(f"Rows such as the {openings} found in the first part of the log open a traverse.")
    if marks:
        remarks.append(f"Rows such as the {marks} found in the first part of the log are fiducial marks.")
    if layout.missing:
        remarks.append(f"{', '.join(map(repr, layout.missing))} stands where a value is missing.")
    forms = {column.role: column.format for column in layout.columns}
    for number, (name, role) in enumerate(zip(names.names, roles), 1):
        which = f"Column {number} {name!r}" if name else f"Column {number}"
        if not role.role:
            remarks.append(f"{which} is not used, {role.why}.")
            continue
        unit = f" in {role.unit}" if role.unit else ""
        form = f", written as {forms[role.role]}" if role.role in ("time", "date") else ""
        article = "a channel" if role.role == "channel" else f"the {role.role}"
        remarks.append(f"{which} is {article}{unit}{form}, {role.why}.")
    return remarks
