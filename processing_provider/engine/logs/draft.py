"""A layout while it is edited: it may be none yet. What of a log it shows, and what reading by it gives."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Callable, Mapping, Optional, Sequence, Union

from ..core import EngineError, Finding, Progress, questioned_layouts_first
from .assemble import LogGatherer, RowKind
from .column_roles import role_by_name
from .detect import detect_layout, guess_columns, head_rows
from .dialect import DELIMITERS, find_shape, shape_with
from .layout import LogColumn, LogLayout
from .plan import MOST_COLUMNS, SAMPLE_ROWS, split_row
from .reader import read_log
from .recordings import Traverse, traverses_of

SHOWN_ROWS = 200
"""First rows of a log that are shown (common practice, no source): several lines of most logs, or a long preamble."""
KIND_WORDS = {
    RowKind.READING: "reading", RowKind.BLANK: "blank", RowKind.HEADER: "names", RowKind.COMMENT: "comment",
    RowKind.MARK: "mark", RowKind.OPENING: "opens a line",
}  # fmt: skip
SKIPPED, UNREADABLE = "passed over", "cannot be read"
ROW_WORDS = (*KIND_WORDS.values(), SKIPPED, UNREADABLE)
"""What a row of a log is taken for."""
PARTED = (KIND_WORDS[RowKind.READING], KIND_WORDS[RowKind.HEADER], UNREADABLE)
"""Kinds of rows whose values stand in columns."""


PLACEHOLDER = (LogColumn(1, "channel"),)
"""Derived: a layout has a channel at least; which column it is plays no part where rows are only cut."""
SCALED_ROLES = ("station", "channel", "temperature", "easting", "northing")
"""Roles of numbers in units of their own: a factor and an offset of one are those of another, too."""
SEVERAL = ("", "channel", "time_part")
"""Roles that many columns may have."""


@dataclass(frozen=True)
class DraftColumn:
    """What the draft says of one column; as in ``LogColumn``, with an empty role for a column that is not used.

    ``reference`` is how the layout that the draft began with names the column; 0 = it does not.
    """

    role: str = ""
    name: str = ""
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    format: str = ""
    reference: Union[str, int] = 0


@dataclass(frozen=True)
class LayoutDraft:
    """A layout that is being edited for one log.

    Attributes
    ----------
    base : LogLayout
        Everything but the columns.
    names : tuple of str
        Names of the log's columns as its header has them; empty texts without one.
    columns : tuple of DraftColumn
        One for each column of the log.
    """

    base: LogLayout
    names: tuple[str, ...]
    columns: tuple[DraftColumn, ...]

    def layout(self) -> LogLayout:
        """Return the layout.

        Raises
        ------
        EngineError
            When it is none yet, saying what is missing or stands twice.
        """
        columns = tuple(
            LogColumn(self._reference(i), c.role, c.name, c.unit, c.factor, c.offset, c.format)
            for i, c in enumerate(self.columns)
            if c.role
        )
        return replace(self.base, columns=columns)

    def field(self, index: int) -> str:
        """Return the name that a channel in column ``index`` gets when none is given."""
        reference = self._reference(index)
        return LogColumn(reference, "channel").field if isinstance(reference, int) or reference.strip() else ""

    def as_seen(self) -> LogLayout:
        """Return the layout; while it is none, one that cuts the rows alike."""
        try:
            return self.layout()
        except EngineError:
            return replace(self.base, columns=PLACEHOLDER)

    def with_role(self, index: int, role: str) -> LayoutDraft:
        """Return the draft with another role of column ``index`` (from 0; empty = not used).

        A role that stands once is taken from the column that had it.
        """
        if role not in SEVERAL:
            others = tuple(DraftColumn() if c.role == role and i != index else c for i, c in enumerate(self.columns))
            if others != self.columns:
                return replace(self, columns=others).with_role(index, role)
        found = role_by_name(self.names[index]) if role == "channel" and self.names[index] else None
        unit = found.unit if found is not None and found.role == "channel" else ""
        old = self.columns[index]
        keeps = role == old.role or {role, old.role} <= set(SCALED_ROLES)
        scaled = (old.factor, old.offset) if keeps else (1.0, 0.0)
        return self._with(index, DraftColumn(role, "", unit, *scaled, reference=old.reference))

    def with_words(self, index: int, words: Mapping[str, str]) -> LayoutDraft:
        """Return the draft with other words for ``name``, ``unit`` or ``format`` of column ``index``."""
        old = self.columns[index]
        name, unit, form = (words.get(word, getattr(old, word)) for word in ("name", "unit", "format"))
        return self._with(index, replace(old, name=name, unit=unit, format=form))

    def with_factor(self, index: int, factor: float) -> LayoutDraft:
        """Return the draft with another factor of column ``index``, such as the seconds of a part of the time."""
        return self._with(index, replace(self.columns[index], factor=factor))

    def _with(self, index: int, column: DraftColumn) -> LayoutDraft:
        return replace(self, columns=(*self.columns[:index], column, *self.columns[index + 1 :]))

    def _reference(self, index: int) -> Union[str, int]:
        reference, name = self.columns[index].reference, self.names[index].strip()
        if reference and (self.base.header or isinstance(reference, int)):
            return reference
        lower = [other.strip().lower() for other in self.names]
        return name if self.base.header and name and lower.count(name.lower()) == 1 else index + 1


def begin_draft(path: Path, layout: Optional[LogLayout] = None) -> tuple[LayoutDraft, list[str]]:
    """Begin to edit the layout of a log.

    Parameters
    ----------
    path : path
        Of one log; opened read-only.
    layout : LogLayout, optional
        What to begin with; found out from the log when None.

    Returns
    -------
    draft : LayoutDraft
    refused : list of str
        Why the layout cannot be known by itself, or which columns of the given one the log does not have; the draft is
        then what comes nearest.

    Raises
    ------
    EngineError
        When the log cannot be read as text at all.
    """
    _, rows = head_rows(path, layout.encoding if layout else "")
    if layout is not None:
        return _draft_of(rows, layout)
    try:
        return _draft_of(rows, detect_layout(path)[0])
    except EngineError as error:
        return _nearest(rows, LogLayout(name=path.stem, columns=PLACEHOLDER), False), [str(error)]


def parted_otherwise(
    path: Path, draft: LayoutDraft, options: Mapping[str, object], progress: Progress = None
) -> LayoutDraft:
    """Return a draft whose rows are cut in another way.

    Parameters
    ----------
    path : path
        Of the log.
    draft : LayoutDraft
    options : mapping
        ``delimiter`` or ``widths``, ``decimal``, ``skip_rows``, ``header``, ``line_start``, ``mark`` or ``confirmed``
        of a ``LogLayout``. Another delimiter or other widths have the roles guessed anew; else they stay.
    progress : callable, optional
        Called while a regular expression is checked; what it raises ends that.

    Raises
    ------
    EngineError
        When the log cannot be read, or an option is none that a layout can have.
    """
    if options.keys() & {"delimiter", "widths"}:
        options = {"widths": None, "delimiter": None, **options}
    base = replace(draft.base, **options, columns=PLACEHOLDER, progress=progress)  # type: ignore[arg-type]
    _, rows = head_rows(path, base.encoding)
    if (base.delimiter, base.widths) != (draft.base.delimiter, draft.base.widths):
        return _nearest(rows, base, True)
    names = column_names(rows, base)
    kept = (*draft.columns, *[DraftColumn()] * len(names))[: len(names)]
    return LayoutDraft(base, names, kept)


def _draft_of(rows: Sequence[str], layout: LogLayout) -> tuple[LayoutDraft, list[str]]:
    """Return the draft of a layout for the rows of a log, and a sentence for each column that they do not have."""
    names = column_names(rows, layout)
    lower = [name.strip().lower() for name in names]
    columns, lost = [DraftColumn()] * len(names), []
    for c in layout.columns:
        index = c.column - 1 if isinstance(c.column, int) else _index(lower, c.column.strip().lower())
        if 0 <= index < len(columns):
            columns[index] = DraftColumn(c.role, c.name, c.unit, c.factor, c.offset, c.format, c.column)
        else:
            lost.append(
                f"The layout takes {c.role} from the column {c.column!r}, which the log does not have: left out here. "
                "Give the role to another column, or check delimiter and rows to skip."
            )
    return LayoutDraft(layout, names, tuple(columns)), lost


def _index(names: Sequence[str], name: str) -> int:
    return names.index(name) if name in names else -1


def _nearest(rows: Sequence[str], base: LogLayout, is_cut: bool) -> LayoutDraft:
    """Return what comes nearest to a layout for rows whose layout is not known; ``is_cut``: they are cut as it says."""
    below = rows[base.skip_rows :]
    shape = shape_with(below, base.delimiter, base.widths) if is_cut else find_shape(below)
    if shape is None:
        if not is_cut:
            base = replace(base, delimiter=max(DELIMITERS, key=lambda word: value_count(below, word)), widths=None)
        count = value_count(below, base.delimiter, base.widths)
        return LayoutDraft(replace(base, header=False), ("",) * count, (DraftColumn(),) * count)
    columns, header = guess_columns(below, shape)
    base = replace(base, delimiter=shape.delimiter, widths=shape.widths, decimal=shape.decimal, header=header)
    usable = any(column.role == "channel" for column in columns)
    return _draft_of(rows, replace(base, columns=columns if usable else PLACEHOLDER))[0]


@dataclass(frozen=True)
class ShownRow:
    """A row of a log.

    Attributes
    ----------
    number : int
        Row in the file, from 1.
    kind : str
        One of ``ROW_WORDS``.
    values : tuple of str
        What stands in its columns; the whole row as one text where it has none.
    """

    number: int
    kind: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class LayoutTrial:
    """What the reader makes of a log by a layout.

    Attributes
    ----------
    sentences : tuple of str
        How much was read, and what is not in the log.
    findings : tuple of Finding
    traverses : tuple of Traverse
        The recordings, in the order of the log.
    refusal : str
        Why the layout cannot read the log; empty when it can.
    """

    sentences: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    traverses: tuple[Traverse, ...] = ()
    refusal: str = ""


def shown_rows(path: Path, layout: LogLayout) -> list[ShownRow]:
    """Return the first rows of a log as a layout sees them.

    Raises
    ------
    EngineError
        When the log cannot be read as text at all.
    """
    rows = head_rows(path, layout.encoding)[1][:SHOWN_ROWS]
    below = rows[layout.skip_rows :]
    gathered = LogGatherer(layout, path.name)
    words = [SKIPPED] * (len(rows) - len(below)) + [KIND_WORDS[RowKind(k)] for k in gathered.sort_rows(below, 1)]
    try:
        gathered = LogGatherer(layout, path.name)
        gathered.take(below, len(rows) - len(below) + 1)
    except EngineError:
        # What does not fit as a whole is said by ``try_layout``.
        gathered.failed = []
    for number, _ in gathered.failed:
        words[number - 1] = UNREADABLE
    return [ShownRow(n, word, _values(row, word, layout)) for n, (row, word) in enumerate(zip(rows, words), 1)]


def _values(row: str, word: str, layout: LogLayout) -> tuple[str, ...]:
    if word not in PARTED:
        return (row.strip("\r\n"),)
    return tuple(split_row(row, layout.delimiter, layout.widths)[:MOST_COLUMNS])


def column_names(rows: Sequence[str], layout: LogLayout) -> tuple[str, ...]:
    """Return the names that the header of a log gives its columns, an empty text for each column without."""
    below = list(rows[layout.skip_rows :][:SAMPLE_ROWS])
    kinds = LogGatherer(layout, "").sort_rows(below, 1)
    readings = [row for row, kind in zip(below, kinds) if kind == RowKind.READING]
    header = next((row for row, kind in zip(below, kinds) if kind == RowKind.HEADER), None)
    names = [] if header is None else split_row(header, layout.delimiter, layout.widths)
    count = max(len(names), value_count(readings, layout.delimiter, layout.widths))
    return (*names, *[""] * count)[: min(count, MOST_COLUMNS)]


def value_count(rows: Sequence[str], delimiter: Optional[str], widths: Optional[tuple[int, ...]] = None) -> int:
    """Return how many values most rows have."""
    if widths is not None:
        return len(widths)
    counts = Counter(len(split_row(row, delimiter)) for row in rows[:SAMPLE_ROWS] if row.strip())
    return min(counts.most_common(1)[0][0], MOST_COLUMNS) if counts else 0


def try_layout(
    path: Path, make_layout: Callable[[], LogLayout], progress: Optional[Callable[[float], None]] = None
) -> LayoutTrial:
    """Read a log by a layout and return what comes of it; what cannot be is a refusal, not an error.

    Parameters
    ----------
    path : path
        Of one log; opened read-only.
    make_layout : callable
        Returns the layout, such as ``LayoutDraft.layout``.
    progress : callable, optional
        Called with the fraction done; what it raises ends the reading.
    """
    try:
        result = read_log(path, make_layout(), progress=progress)
    except EngineError as error:
        return LayoutTrial(refusal=str(error))
    sentences = (result.sentence(), *result.remarks)
    return LayoutTrial(
        sentences, tuple(questioned_layouts_first(result.findings)), tuple(traverses_of(result.readings))
    )
