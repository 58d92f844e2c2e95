"""Log layouts: how one logger set-up writes its rows, as people keep it in a JSON file."""

from __future__ import annotations

import codecs
import json
import re
from dataclasses import MISSING, InitVar, asdict, dataclass, fields
from typing import Mapping, Optional, Union

from ..core import (
    FIXED_FIELDS,
    LEAST_FACTOR,
    LIMITS,
    EngineError,
    Progress,
    check_choice,
    check_finite,
    check_limits,
    is_whole_within,
    limits_in_words,
    shown,
)
from .expressions import check_expression
from .time_formats import check_time_format

EXTRA_ROLES = ("temperature", "easting", "northing", "longitude", "latitude")
ROLES = ("line", "run", "station", "time", "time_part", "date", "mark", "grid", *EXTRA_ROLES, "channel")
GROUPS = ("line", "station", "end", "step", "time", "heading", "grid")
NOT_OF_FILES = ("idna", "punycode", "raw-unicode-escape", "unicode-escape", "undefined", "utf-7")
"""Encodings of names, of source texts and of mail, which no logger writes. Source: Python, codecs, text encodings (from
memory)."""
DELIMITER_WORDS: Mapping[str, Optional[str]] = {"tab": "\t", "space": None}


@dataclass(frozen=True)
class LogColumn:
    """What one column of a log holds.

    Attributes
    ----------
    column : str or int
        Name in the header row (capitals do not matter) or 1-based number.
    role : str
        One of ``ROLES``.
    name : str
        Name of a channel; empty = made from the column's name.
    unit : str
        Unit of a channel, such as ``mS/m``.
    factor, offset : float
        A number in the file times ``factor`` plus ``offset`` is the value in ``unit``. They count for channels,
        stations, parts of the time (in seconds, added to ``time``) and the roles of ``EXTRA_ROLES``.
    format : str
        For ``time``: ``s``, ``ms``, ``day``, ``HHMMSS``, ``min``, ``h``, ``HH:MM:SS``, ``MM:SS``, ``date-time`` or a
        format of Python's ``strptime``; for ``date`` a format of ``strptime``. Empty = found out.
        For ``longitude`` and ``latitude``: ``ddmm``, degrees and minutes as one number (4806.5); empty = degrees.
    """

    column: Union[str, int]
    role: str
    name: str = ""
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    format: str = ""

    def __post_init__(self) -> None:
        check_choice(f"role of column {self.column!r}", self.role, ROLES)
        if self.role == "time" and isinstance(self.format, str):
            object.__setattr__(self, "format", check_time_format(self.format, f"time in column {self.column!r}"))
        if self.role in ("longitude", "latitude"):
            check_choice(f"format of {self.role} in column {self.column!r}", self.format, ("", "ddmm"))
        if not is_whole_within("column", self.column) and not (isinstance(self.column, str) and self.column.strip()):
            raise EngineError(
                f"Invalid column of a log layout: {shown(self.column)} was given. "
                f"It must be a name in the header row or a number {limits_in_words('column')}."
            )
        for option in ("name", "unit", "format"):
            value = getattr(self, option)
            if not isinstance(value, str):
                raise EngineError(
                    f"Invalid {option} of column {self.column!r}: {shown(value)} was given. It must be a text."
                )
        for option in ("factor", "offset"):
            where = f"of column {self.column!r}"
            number = check_finite(f"{option} {where}", getattr(self, option))
            object.__setattr__(self, option, check_limits(option, number, where))
        if abs(self.factor) < LEAST_FACTOR:
            raise EngineError(
                f"Invalid factor of column {self.column!r}: {self.factor:g} was given. It must be other than zero, "
                f"{LEAST_FACTOR:g} or more with either sign."
            )

    @property
    def field(self) -> str:
        """Name under which the values are kept: the channel's name, or the role."""
        if self.role == "time_part":
            return f"time_part_{self.column}"
        if self.role != "channel":
            return self.role
        if self.name:
            return self.name
        return f"channel_{self.column}" if isinstance(self.column, int) else field_name(self.column)


@dataclass(frozen=True)
class LogLayout:
    """How a logger writes its rows.

    Attributes
    ----------
    name : str
    encoding : str
        As Python names it.
    delimiter : str or None
        ``tab``, ``space`` (any stretch of blanks) or one character; None with ``widths``. Default is the comma.
    widths : tuple of int or None
        Characters of each fixed column.
    decimal : str
        ``.`` or ``,``.
    comment : str
        What a row to be passed over starts with; empty = no such rows.
    skip_rows : int
        Rows before the header (or the first row that counts).
    header : bool
        Whether a row names the columns. Where it comes again further down it is passed over.
    line_start : str
        Regular expression found in a row that opens a traverse; named groups ``line``, ``station``, ``end`` (the last
        station, which gives the sign of the step where there is none), ``step``, ``time``, ``heading`` and ``grid``,
        all optional. Empty = no such rows.
    mark : str
        Regular expression found in a fiducial row; it marks the reading below.
    missing : tuple of str
        What stands where there is no value. Numbers are compared as numbers. An empty value is always missing.
    columns : tuple of LogColumn
    confirmed : bool
        A person has seen that logs are read right by it, however questionable they look.
    progress : callable, optional
        Called while the expressions are checked; what it raises ends that. No part of the layout.
    """

    name: str = ""
    encoding: str = "utf-8"
    delimiter: Optional[str] = None
    widths: Optional[tuple[int, ...]] = None
    decimal: str = "."
    comment: str = ""
    skip_rows: int = 0
    header: bool = True
    line_start: str = ""
    mark: str = ""
    missing: tuple[str, ...] = ()
    columns: tuple[LogColumn, ...] = ()
    confirmed: bool = False
    progress: InitVar[Progress] = None

    def __post_init__(self, progress: Progress) -> None:
        if self.widths is None and self.delimiter is None:
            object.__setattr__(self, "delimiter", ",")
        if self.widths is not None:
            object.__setattr__(self, "widths", tuple(self.widths))
        object.__setattr__(self, "missing", tuple(str(mark).strip() for mark in self.missing))
        object.__setattr__(self, "columns", tuple(self.columns))
        _check_text(self)
        _check_splitting(self)
        _check_columns(self)
        check_expression("line_start", self.line_start, GROUPS, progress)
        check_expression("mark", self.mark, (), progress)

    def one(self, role: str) -> Optional[LogColumn]:
        """Return the column of a role that stands once, or None."""
        return next((c for c in self.columns if c.role == role), None)


def delimiter_of(word: Optional[str]) -> Optional[str]:
    """Return the character that parts the values of a row; None for any stretch of blanks."""
    return word if word is None else DELIMITER_WORDS.get(word, word)


def field_name(text: str) -> str:
    """Return a column's name as a field name: without its unit in brackets, only letters, digits and ``_``."""
    bare = re.sub(r"[(\[].*?[)\]]", "", text)
    return re.sub(r"\W+", "_", bare).strip("_") or "channel"


def layout_from_dict(values: Mapping[str, object], *, progress: Progress = None) -> LogLayout:
    """Return the layout that a mapping describes; ``progress`` as ``LogLayout`` has it.

    Raises
    ------
    EngineError
        On an unknown option or a value that cannot be, saying what was given and what is allowed.
    """
    if not isinstance(values, Mapping):
        raise EngineError(f"Invalid log layout: a {type(values).__name__} was given. It must be a set of options.")
    options = dict(_known(values, LogLayout, "log layout"))
    columns = options.pop("columns", ())
    for option in ("columns", "missing", "widths"):
        value = values.get(option)
        if value is not None and not isinstance(value, (list, tuple)):
            raise EngineError(f"Invalid {option} of a log layout: {shown(value)} was given. It must be a list.")
    parsed = []
    for column in columns:
        if not isinstance(column, Mapping) or not {"column", "role"} <= set(column):
            raise EngineError(
                f"Invalid column of a log layout: {shown(column)} was given. It must have a column and a role."
            )
        parsed.append(LogColumn(**_known(column, LogColumn, "column of a log layout")))
    return LogLayout(**options, columns=tuple(parsed), progress=progress)


def layout_from_json(text: str, name: str = "", *, progress: Progress = None) -> LogLayout:
    """Return the layout that a JSON text describes.

    Parameters
    ----------
    text : str
    name : str
        Of its file, for the sentences.
    progress : callable, optional
        Called while regular expressions are checked; what it raises ends that.

    Raises
    ------
    EngineError
        When the text is no JSON, and as ``layout_from_dict``.
    """
    try:
        values = json.loads(text)
    except (ValueError, RecursionError) as error:
        where = f" {name}" if name else ""
        what = "too many brackets inside brackets" if isinstance(error, RecursionError) else str(error)
        raise EngineError(
            f"The log layout{where} is no JSON: {what}. Check commas, quotes and brackets there."
        ) from None
    try:
        return layout_from_dict(values, progress=progress)
    except EngineError as error:
        raise EngineError(f"Layout {name}: {error}" if name else str(error)) from None


def layout_to_json(layout: LogLayout) -> str:
    """Return the layout as JSON in the order of its options; what stands at its default in a column is left out."""
    values = asdict(layout)
    defaults = {f.name: f.default for f in fields(LogColumn) if f.default is not MISSING}
    columns = values.pop("columns")
    values["columns"] = [
        {option: value for option, value in column.items() if option not in defaults or value != defaults[option]}
        for column in columns
    ]
    for option in ("delimiter", "widths"):
        if values[option] is None:
            del values[option]
    return json.dumps(values, indent=2, ensure_ascii=False) + "\n"


def _known(values: Mapping, kind: type, what: str) -> Mapping:
    allowed = [f.name for f in fields(kind)]
    for option in values:
        if option not in allowed:
            raise EngineError(
                f"Invalid option of a {what}: {shown(option)} was given. It must be: {', '.join(allowed)}."
            )
    return values


def _check_text(layout: LogLayout) -> None:
    try:
        name = codecs.lookup(layout.encoding).name
        bytes(4).decode(layout.encoding)  # whole characters in every encoding of texts
        is_text = name.replace("_", "-") not in NOT_OF_FILES
    except (LookupError, TypeError, ValueError, OSError):
        is_text = False
    if not is_text:
        raise EngineError(
            f"Invalid encoding of a log layout: {shown(layout.encoding)} was given. It must be one of texts, such as "
            "utf-8 or latin-1."
        ) from None
    check_choice("decimal mark of a log layout", layout.decimal, (".", ","))
    for option in ("name", "comment"):
        if not isinstance(getattr(layout, option), str):
            raise EngineError(
                f"Invalid {option} of a log layout: {shown(getattr(layout, option))} was given. It must be a text."
            )
    for option in ("header", "confirmed"):
        value = getattr(layout, option)
        if not isinstance(value, bool):
            raise EngineError(f"Invalid {option} of a log layout: {shown(value)} was given. It must be true or false.")
    if not is_whole_within("skip_rows", layout.skip_rows):
        raise EngineError(
            f"Invalid skip_rows of a log layout: {shown(layout.skip_rows)} was given. It must be a whole number "
            f"{limits_in_words('skip_rows')}."
        )


def _check_splitting(layout: LogLayout) -> None:
    if layout.widths is not None:
        if layout.delimiter is not None:
            raise EngineError(
                f"Invalid log layout: the delimiter {layout.delimiter!r} and widths were both given. "
                "It must have the one or the other."
            )
        most = int(LIMITS["column"][1])
        if not 0 < len(layout.widths) <= most or not all(is_whole_within("widths", width) for width in layout.widths):
            raise EngineError(
                f"Invalid widths of a log layout: {shown(list(layout.widths))} was given. They must be whole numbers "
                f"{limits_in_words('widths')}, of at most {most} columns."
            )
        return
    delimiter = layout.delimiter
    if not isinstance(delimiter, str) or (delimiter not in DELIMITER_WORDS and len(delimiter) != 1):
        raise EngineError(
            f"Invalid delimiter of a log layout: {shown(delimiter)} was given. It must be tab, space or one character."
        )


def _check_columns(layout: LogLayout) -> None:
    roles = [c.role for c in layout.columns]
    if "channel" not in roles:
        raise EngineError(
            f"Invalid columns of a log layout: the roles {', '.join(roles) or 'none'} were given. "
            "At least one column must be a channel."
        )
    for role in ROLES[:-1]:
        if roles.count(role) > 1 and role != "time_part":
            raise EngineError(
                f"Invalid columns of a log layout: {roles.count(role)} columns have the role {role}. One may have it."
            )
    names = [c.field for c in layout.columns if c.role == "channel"]
    for name in names:
        if names.count(name) > 1 or name in FIXED_FIELDS or name in ROLES:
            raise EngineError(
                f"Invalid name of a channel in a log layout: {shown(name)} was given. "
                "It must differ from the other channels, the roles and the fields of readings: give the column another "
                "name."
            )
    for column in layout.columns:
        if isinstance(column.column, str) and not layout.header:
            raise EngineError(
                f"Invalid column of a log layout without a header: {shown(column.column)} was given. "
                "It must be a number from 1."
            )
