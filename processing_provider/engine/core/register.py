"""The register: a row a grid, with its scheme and its logs."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from dataclasses import dataclass
from typing import Collection, Mapping, Sequence

from .errors import EngineError
from .notes import number_or_none, numbered_rows, text_of
from .scheme import Scheme

NEEDED = ("length_m", "width_m", "spacing_m", "readings_per_m")
LAYOUT = "layout"
DELIMITERS = ",;\t"


@dataclass(frozen=True)
class GridEntry:
    """One row of the register.

    Attributes
    ----------
    scheme : Scheme
        Its ``grid`` is the grid's name.
    logs : tuple of str
        Paths as written, relative to the register or the log folder.
    layout : str
        Path of the log layout as written; empty = find it out.
    comment, where : str
    """

    scheme: Scheme
    logs: tuple[str, ...]
    layout: str = ""
    comment: str = ""
    where: str = ""


def parse_register(
    rows: Sequence[Mapping[str, object]], *, where: str = "register"
) -> tuple[list[GridEntry], dict[str, str]]:
    """Return the grids of a register, and what is wrong with those that cannot be used.

    Parameters
    ----------
    rows : sequence of mappings
        Table rows; ``grid``, ``log``, ``length_m``, ``width_m``, ``spacing_m`` and ``readings_per_m`` are needed,
        other columns take the default of ``Scheme`` when missing or empty.
    where : str
        Name of the table for messages.

    Returns
    -------
    entries : list of GridEntry
    problems : dict
        Sentence by grid name (by ``row N`` where there is no name).

    Raises
    ------
    EngineError
        When the table is empty or has no column that a register needs.
    """
    if not rows:
        raise EngineError(f"The {where} is empty. It must have a row a grid.")
    absent = [name for name in ("grid", "log", *NEEDED) if name not in rows[0]]
    if absent:
        raise EngineError(
            f"The {where} has no column {', '.join(absent)}. It must have: grid, log, {', '.join(NEEDED)}."
        )
    named = defaultdict(list)
    for number, row in numbered_rows(rows):
        named[text_of(row, "grid")].append((row, f"{where}, row {number}"))
    entries, problems = [], {}
    for name, found in named.items():
        if not name:
            problems.update({place: f"There is no grid name in {place}. Give the grid a name." for _, place in found})
        elif len(found) > 1:
            rows_of_it = " and ".join(place for _, place in found)
            remedy = "Give each grid its own name, or delete the row that is too many."
            problems[name] = f"Grid {name} stands more than once: {rows_of_it}. {remedy}"
        else:
            try:
                entries.append(_parse(*found[0]))
            except EngineError as error:
                where = found[0][1]
                problems[name] = str(error) if where in str(error) else f"{error} It stands in {where}."
    return entries, problems


def registered_name(name: str, names: Collection[str]) -> str:
    """Return the name of a grid as ``names`` have it, where just one of them is the same but for case and blanks."""
    if name in names:
        return name
    same = [other for other in names if _folded(other) == _folded(name)]
    return same[0] if len(same) == 1 else name


def with_registered_names(
    rows: Sequence[Mapping[str, object]], names: Collection[str]
) -> Sequence[Mapping[str, object]]:
    """Return rows of a table whose grids are called as ``names`` have them (see ``registered_name``)."""
    known = {text: registered_name(text, names) for text in {text_of(row, "grid") for row in rows}}
    if all(text == name for text, name in known.items()):
        return rows
    return [{**row, "grid": known[text_of(row, "grid")]} for row in rows]


def _folded(name: str) -> str:
    return "".join(name.split()).casefold()


def _parse(row: Mapping[str, object], where: str) -> GridEntry:
    logs = tuple(part.strip() for part in text_of(row, "log").split(";") if part.strip())
    if not logs:
        raise EngineError(f"No log in {where}. Name the grid's log file, or several separated by a semicolon.")
    return GridEntry(
        scheme=_scheme(row, where),
        logs=logs,
        layout=text_of(row, LAYOUT),
        comment=text_of(row, "comment"),
        where=where,
    )


def _scheme(row: Mapping[str, object], where: str) -> Scheme:
    def needed(name: str) -> float:
        value = number_or_none(row, name, where)
        if value is None:
            raise EngineError(f"No {name} in {where}. Every grid needs {', '.join(NEEDED)}.")
        return value

    def number(name: str, default: float) -> float:
        value = number_or_none(row, name, where)
        return default if value is None else value

    def whole(name: str, default: int) -> int:
        value = number(name, default)
        if value != int(value):
            raise EngineError(f"Invalid {name} in {where}: {value:g} was given. It must be a whole number.")
        return int(value)

    def word(name: str, default: str) -> str:
        return text_of(row, name).lower() or default

    return Scheme(
        length_m=needed("length_m"),
        width_m=needed("width_m"),
        spacing_m=needed("spacing_m"),
        readings_per_m=needed("readings_per_m"),
        grid=text_of(row, "grid"),
        first_offset_m=number_or_none(row, "first_offset_m", where),
        first_line=whole("first_line", Scheme.first_line),
        line_step=whole("line_step", Scheme.line_step),
        first_station=number("first_station", Scheme.first_station),
        pattern=word("pattern", Scheme.pattern),
        first_heading=word("first_heading", Scheme.first_heading),
        sensor_ahead_m=number("sensor_ahead_m", Scheme.sensor_ahead_m),
        sensor_right_m=number("sensor_right_m", Scheme.sensor_right_m),
        pace=word("pace", Scheme.pace),
    )


def register_with_layout(text: str, grid: str, layout: str) -> str:
    """Return the text of a register (CSV) that names a layout for a grid.

    Parameters
    ----------
    text : str
        With its line ends. Rows about other grids stay as they are, but for an empty value where there is no column
        for layouts yet.
    grid : str
    layout : str
        Path as the register writes it.

    Raises
    ------
    EngineError
        When the text is no table with a row for the grid.
    """
    # Not by splitlines, which takes more signs than these for the end of a row.
    lines = list(io.StringIO(text, newline=""))
    head = lines[0].rstrip("\r\n") if lines else ""
    delimiter = max(DELIMITERS, key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error:
        rows = []
    names = [name.strip().lower() for name in rows[0]] if rows else []
    if "grid" not in names or len(rows) != len(lines):
        raise EngineError(
            f"The register cannot be changed here: no column grid, or rows over several lines. Write {layout} into its "
            f"column {LAYOUT} for grid {grid} yourself."
        )
    is_new = LAYOUT not in names
    column = len(names) if is_new else names.index(LAYOUT)
    changed, found = [_row([*rows[0], LAYOUT], lines[0], delimiter) if is_new else lines[0]], False
    for row, line in zip(rows[1:], lines[1:]):
        mine = len(row) > names.index("grid") and row[names.index("grid")].strip() == grid
        found |= mine
        if row and (mine or is_new):
            row = [*row, *[""] * (column + 1 - len(row))]
            row[column] = layout if mine else row[column]
            line = _row(row, line, delimiter)
        changed.append(line)
    if not found:
        raise EngineError(f"The register has no row for grid {grid}. Add it, and name the layout there.")
    return "".join(changed)


def _row(values: list[str], line: str, delimiter: str) -> str:
    """Return values as a row of a CSV that ends as a line did."""
    written = io.StringIO()
    csv.writer(written, delimiter=delimiter, lineterminator="").writerow(values)
    return written.getvalue() + line[len(line.rstrip("\r\n")) :]
