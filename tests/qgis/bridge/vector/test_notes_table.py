"""Rows added to notes of every form: nothing that was there changes, and what cannot be added is a sentence."""

import csv
import os
from pathlib import Path

import pytest
from qgis.core import QgsProject, QgsVectorFileWriter, QgsVectorLayer
from turnrow.processing_provider.bridge.vector import add_rows, read_table, rows_to_add
from turnrow.processing_provider.engine.core import EngineError, parse_notes

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")
COLUMNS = ["grid", "line", "run", "start_station", "stop_station", "position_m", "heading", "kind", "comment"]
ROWS = [
    {"grid": "A", "line": 13, "run": 1, "start_station": None, "stop_station": None, "position_m": 6.25,
     "heading": "out", "kind": "redo", "comment": "Not in the log, so bare."},
    {"grid": "A", "line": 101, "run": 1, "start_station": None, "stop_station": None, "position_m": 5.0,
     "heading": "out", "kind": "tie", "comment": "Tie."},
]  # fmt: skip


def notes_csv(path, delimiter=",", end="\n", encoding="utf-8", decimal=".", last=True, columns=COLUMNS):
    """Write notes with one row, as programs write them."""
    row = {"grid": "A", "line": "2", "start_station": f"1{decimal}5", "kind": "survey", "comment": "Füße"}
    cells = [row.get(name, "") for name in columns]
    rows = [delimiter.join(columns), delimiter.join(f'"{c}"' if delimiter in c else c for c in cells)]
    path.write_bytes((end.join(rows) + end * last).encode(encoding))
    return path


def notes_gpkg(path, columns=COLUMNS):
    source = QgsVectorLayer(str(notes_csv(path.with_suffix(".csv"), columns=columns)), "notes", "ogr")
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerName = "GPKG", "notes"
    QgsVectorFileWriter.writeAsVectorFormatV3(source, str(path), QgsProject.instance().transformContext(), options)
    return path


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("encoding", "decimal", "last"), [("utf-8", ".", True), ("utf-8-sig", ",", True), ("latin-1", ".", False)]
)
def test_csv_keeps_its_way_of_writing(tmp_path, delimiter, end, encoding, decimal, last):
    path = notes_csv(tmp_path / "notes.csv", delimiter, end, encoding, decimal, last)
    (tmp_path / "notes.csv~").write_text("the person's own copy")
    before = path.read_bytes()
    add_rows(path, ROWS)
    after = path.read_bytes()
    assert after.startswith(before)
    text = after.decode(encoding)
    assert text.count("\n") == text.count(end) == 4
    header, old, *new = csv.reader(text.splitlines(), delimiter=delimiter)
    assert header == COLUMNS
    assert new[0] == ["A", "13", "1", "", "", f"6{decimal}25", "out", "redo", "Not in the log, so bare."]
    assert new[1][:3] == ["A", "101", "1"]
    assert (tmp_path / "notes.csv~").read_text() == "the person's own copy"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["notes.csv", "notes.csv~"]
    # As the notes are read again, by QGIS and the reader of notes.
    notes = parse_notes(read_table(QgsVectorLayer(str(path), "notes", "ogr")))
    assert [(n.line, n.kind, n.position_m) for n in notes[1:]] == [(13, "redo", 6.25), (101, "tie", 5.0)]


def test_other_columns_and_another_order_stay_as_they_are(tmp_path):
    columns = ["Kind", "book", *COLUMNS[6::-1], "weather"]
    path = notes_csv(tmp_path / "notes.csv", columns=columns)
    add_rows(path, ROWS[:1])
    assert path.read_text().splitlines()[-1] == "redo,,out,6.25,,,1,13,A,"


@pytest.mark.parametrize("layer_named", [False, True])
def test_geopackage(tmp_path, layer_named):
    path = notes_gpkg(tmp_path / "book.gpkg")
    named = Path(f"{path}|layername=notes") if layer_named else path
    assert rows_to_add(named, ROWS) == (ROWS, 1)
    add_rows(named, ROWS)
    notes = parse_notes(read_table(QgsVectorLayer(str(named), "notes", "ogr")))
    assert [(n.line, n.run, n.kind, n.position_m) for n in notes[1:]] == [(13, 1, "redo", 6.25), (101, 1, "tie", 5.0)]
    assert notes[0].comment == "Füße"
    assert rows_to_add(named, ROWS) == ([], 3)


def test_rows_that_are_there_are_not_added_again(tmp_path):
    path = notes_csv(tmp_path / "notes.csv")
    assert rows_to_add(path, ROWS) == (ROWS, 1)
    add_rows(path, ROWS[:1])
    assert rows_to_add(path, ROWS) == (ROWS[1:], 2)
    # A row without recording speaks of all.
    path.write_text(path.read_text().replace("A,13,1,", "A,13,,"))
    assert rows_to_add(path, ROWS) == (ROWS[1:], 2)
    # A third walk is another one.
    assert len(rows_to_add(path, [{**ROWS[0], "kind": "void"}])[0]) == 1


def refused(path, sentence):
    file = Path(str(path).partition("|")[0])
    before = file.read_bytes()
    for call in (rows_to_add, add_rows):
        with pytest.raises(EngineError, match=sentence):
            call(path, ROWS)
    assert file.read_bytes() == before


@pytest.mark.parametrize("make", [notes_csv, notes_gpkg])
def test_missing_columns_are_named(tmp_path, make):
    name = "notes.csv" if make is notes_csv else "notes.gpkg"
    refused(make(tmp_path / name, columns=["grid", "line", "kind"]), "have no column run, position_m, heading. Nothing")


@pytest.mark.parametrize("make", [notes_csv, notes_gpkg])
def test_read_only_notes(tmp_path, make, monkeypatch):
    """Who runs the tests may write anywhere, so the answer of the system is put in."""
    path = make(tmp_path / ("notes.csv" if make is notes_csv else "notes.gpkg"))
    monkeypatch.setattr(os, "access", lambda *_: False)
    refused(path, "are read-only. Nothing was added. Make them writable")


def test_notes_that_are_open_in_a_spreadsheet(tmp_path):
    path = notes_csv(tmp_path / "notes.csv")
    (tmp_path / ".~lock.notes.csv#").write_text("someone")
    refused(path, "are open in another program. Nothing was added. Close them there")


def test_notes_that_are_edited_in_the_project(tmp_path):
    path = notes_gpkg(tmp_path / "book.gpkg")
    layer = QgsVectorLayer(f"{path}|layername=notes", "notes", "ogr")
    QgsProject.instance().addMapLayer(layer)
    assert layer.startEditing()
    refused(path, "are being edited in QGIS. Nothing was added. Save the edits")
    assert layer.rollBack()
    add_rows(path, ROWS)
    assert layer.featureCount() == 3


def test_a_geopackage_that_another_program_holds_is_left_as_it_was(tmp_path):
    import sqlite3

    path = notes_gpkg(tmp_path / "book.gpkg")
    holder = sqlite3.connect(path, timeout=0)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(EngineError, match=r"Nothing was added|cannot be opened"):
            add_rows(path, ROWS)
    finally:
        holder.rollback()
        holder.close()
    assert rows_to_add(path, ROWS) == (ROWS, 1)


def test_letters_that_the_encoding_lacks(tmp_path):
    path = notes_csv(tmp_path / "notes.csv", encoding="latin-1")
    before = path.read_bytes()
    with pytest.raises(EngineError, match="cannot hold some letters of the new rows. Nothing was added. Save them as"):
        add_rows(path, [{**ROWS[0], "comment": "→ walk"}])
    assert path.read_bytes() == before
