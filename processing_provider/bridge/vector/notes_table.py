"""Rows that a person has added to the notes: in a table of any format, or as text where the notes are a CSV."""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
from pathlib import Path
from typing import Mapping, Sequence

from qgis.core import QgsFeature, QgsProject, QgsVectorDataProvider, QgsVectorLayer

from ...engine.core import EngineError, usable_notes, whole_file
from .layers import read_table

NEEDED = ("grid", "line", "run", "position_m", "heading", "kind")
"""Columns that lines to walk fill in, and without which a row is not understood."""
DELIMITERS = (",", ";", "\t", "|")
BYTE_ORDER_MARKS = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
DECIMAL_COMMA = re.compile(r"-?\d+,\d+")

Row = Mapping[str, object]


def rows_to_add(path: Path, rows: Sequence[Row]) -> tuple[list[Row], int]:
    """Return the rows that the notes do not have yet, and how many rows the notes have.

    A row is there already where one has its grid, line and kind, and the same recording or none.

    Raises
    ------
    EngineError
        When the notes cannot be read or changed, or lack a column.
    """
    layer = _layer(path)
    table = read_table(layer)
    _check_columns(path, [field.name() for field in layer.fields()])
    _check_writable(path, layer)
    there = {(note.grid, note.line, note.kind, note.run) for note in usable_notes(table)[0]}
    keys = [(row["grid"], row["line"], row["kind"]) for row in rows]
    new = [row for row, key in zip(rows, keys) if not {(*key, row["run"]), (*key, None)} & there]
    return new, len(table)


def add_rows(path: Path, rows: Sequence[Row]) -> None:
    """Add rows to the notes, all of them or none.

    Raises
    ------
    EngineError
        As ``rows_to_add``, and when they cannot be written; then the notes are as they were.
    """
    layer = _layer(path)
    _check_columns(path, [field.name() for field in layer.fields()])
    _check_writable(path, layer)
    if _is_text(layer):
        _append(path, rows)
    else:
        _edit(path, layer, rows)
    for loaded in _loaded(path):
        loaded.reload()


def _layer(path: Path) -> QgsVectorLayer:
    layer = QgsVectorLayer(str(path), path.stem, "ogr")
    if not layer.isValid():
        raise EngineError(f"The notes {path} cannot be opened. Choose a table or a CSV.")
    return layer


def _is_text(layer: QgsVectorLayer) -> bool:
    return layer.dataProvider().storageType() == "CSV"


def _file(path: Path) -> Path:
    """Return the file of a source such as ``book.gpkg|layername=notes``."""
    return Path(str(path).partition("|")[0])


def _loaded(path: Path) -> list[QgsVectorLayer]:
    """Return the layers of the project that show the file."""
    layers = [la for la in QgsProject.instance().mapLayers().values() if isinstance(la, QgsVectorLayer)]
    sources = [re.split(r"[|?]", la.source())[0].removeprefix("file://") for la in layers]
    return [layer for layer, source in zip(layers, sources) if Path(source) == _file(path)]


def _check_columns(path: Path, names: Sequence[str]) -> None:
    have = {name.strip().lower() for name in names}
    missing = [name for name in NEEDED if name not in have]
    if missing:
        raise _refused(path, f"have no column {', '.join(missing)}", "Add the columns")


def _check_writable(path: Path, layer: QgsVectorLayer) -> None:
    file = _file(path)
    if any(loaded.isEditable() for loaded in _loaded(path)):
        raise _refused(path, "are being edited in QGIS", "Save the edits")
    if file.with_name(f".~lock.{file.name}#").exists():
        raise _refused(path, "are open in another program", "Close them there")
    adds = QgsVectorDataProvider.Capability.AddFeatures
    if not os.access(file, os.W_OK) or not (_is_text(layer) or layer.dataProvider().capabilities() & adds):
        raise _refused(path, "are read-only", "Make them writable")


def _refused(path: Path, why: str, remedy: str) -> EngineError:
    return EngineError(f"The notes {path} {why}. Nothing was added. {remedy}, then try again.")


def _edit(path: Path, layer: QgsVectorLayer, rows: Sequence[Row]) -> None:
    """Add rows by one edit of the layer."""
    fields = layer.fields()
    names = [field.name().strip().lower() for field in fields]
    features = []
    for row in rows:
        feature = QgsFeature(fields)
        for index, (name, field) in enumerate(zip(names, fields)):
            if row.get(name) is not None:
                feature.setAttribute(index, row[name] if field.isNumeric() else _text(row[name], "."))
        features.append(feature)
    if not (layer.startEditing() and layer.addFeatures(features) and layer.commitChanges()):
        reason = " ".join(layer.commitErrors()) or "no edit could begin"
        layer.rollBack()
        raise _refused(path, f"cannot be edited ({reason})", "Close them in other programs")


def _append(path: Path, rows: Sequence[Row]) -> None:
    """Add rows at the end of a CSV, written as the others are: delimiter, decimal mark, encoding and ends of rows."""
    path = path.resolve()
    try:
        before = path.read_bytes()
    except OSError as error:
        raise _refused(path, f"cannot be read ({error.strerror})", "Check name and place") from error
    encoding = _encoding(before)
    text = before.decode(encoding).lstrip("\ufeff")
    header, delimiter = _header(path, text)
    mark = "," if _has_decimal_commas(text, delimiter, header) else "."
    end = next((e for e in ("\r\n", "\n", "\r") if e in text), "\n")
    added = io.StringIO(newline="")
    added.write("" if text.endswith(("\n", "\r")) else end)
    writer = csv.writer(added, delimiter=delimiter, lineterminator=end)
    writer.writerows([[_text(row.get(name), mark) for name in header] for row in rows])
    try:
        encoded = added.getvalue().encode(encoding)
    except UnicodeEncodeError:
        raise _refused(path, "cannot hold some letters of the new rows", "Save them as UTF-8") from None
    # Other files beside the notes are the person's.
    with whole_file(path, "table of notes", sides=()) as part:
        part.write_bytes(before + encoded)
        shutil.copymode(path, part)


def _encoding(data: bytes) -> str:
    for mark, name in BYTE_ORDER_MARKS.items():
        if data.startswith(mark):
            return name
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def _header(path: Path, text: str) -> tuple[list[str], str]:
    """Return the names of the columns in lower case, and the delimiter under which they are those of notes."""
    first = text.splitlines()[0] if text else ""
    for delimiter in DELIMITERS:
        names = [name.strip().lower() for name in next(csv.reader([first], delimiter=delimiter), [])]
        if {"grid", "line", "kind"} <= set(names):
            return names, delimiter
    raise _refused(path, "do not name their columns in the first row", "Name them there")


def _has_decimal_commas(text: str, delimiter: str, header: Sequence[str]) -> bool:
    numbers = [i for i, name in enumerate(header) if name in ("start_station", "stop_station", "position_m")]
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    return any(DECIMAL_COMMA.fullmatch(row[i].strip()) for row in rows for i in numbers if i < len(row))


def _text(value: object, mark: str) -> str:
    """Return a value as text; nothing for None."""
    if value is None:
        return ""
    return f"{value:.10g}".replace(".", mark) if isinstance(value, float) else str(value)
