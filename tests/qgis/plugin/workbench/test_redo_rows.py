"""Lines to walk go into the notes by one click, and only by that."""

import csv

import pytest
from qgis.PyQt.QtWidgets import QMessageBox

from ..conftest import tables_of, until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")
COLUMNS = ["grid", "line", "run", "start_station", "stop_station", "position_m", "heading", "kind", "comment"]


@pytest.fixture
def short(survey_files):
    """Line 5 of grid A is not in the log; the notes have all columns."""
    log = survey_files.folder / "A.csv"
    survey_files.write(log, [row for row in survey_files.read(log) if row["line"] != "5"])
    survey_files.write(survey_files.notes, [{name: {"grid": "A", "line": "1"}.get(name, "") for name in COLUMNS}])
    return survey_files


def opened(plugin, tables):
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_register(tables)
    until(lambda: bench.desk.session is not None)
    return bench


@pytest.fixture
def asked(monkeypatch):
    """What the person was asked; the answer is the first of the list, Yes in the beginning."""
    answers, texts = [QMessageBox.StandardButton.Yes], []

    def question(parent, title, text, buttons, default):
        assert default == QMessageBox.StandardButton.Cancel
        texts.append(text)
        return answers[0]

    monkeypatch.setattr(QMessageBox, "question", question)
    return answers, texts


def test_rows_are_added_once_and_the_person_reads_where(plugin, short, asked):
    bench = opened(plugin, tables_of(short))
    before = short.notes.read_bytes()
    assert bench.redo.isEnabled()
    assert bench.redo.toolTip()
    assert short.notes.read_bytes() == before
    bench.redo.click()
    assert asked[1] == [f"Add 3 rows to the notes {short.notes}?"]
    rows = list(csv.DictReader(short.notes.open(newline="")))
    # Line 5, a sound neighbour, and a tie.
    assert [row["kind"] for row in rows[1:]] == ["redo", "redo", "tie"]
    assert "5" in [row["line"] for row in rows]
    assert "rows 3 to 5" in bench.message.text()
    assert str(short.notes) in bench.message.text()
    assert short.notes.read_bytes().startswith(before)
    bench.redo.click()
    assert len(asked[1]) == 1
    assert "have these rows already" in bench.message.text()


def test_nothing_changes_when_the_person_says_no(plugin, short, asked):
    asked[0][0] = QMessageBox.StandardButton.Cancel
    bench = opened(plugin, tables_of(short))
    before = short.notes.read_bytes()
    bench.redo.click()
    assert len(asked[1]) == 1
    assert short.notes.read_bytes() == before


def test_columns_that_are_missing_are_a_sentence(plugin, short, asked):
    short.write(short.notes, [{"grid": "A", "line": "1", "kind": "survey"}])
    bench = opened(plugin, tables_of(short))
    bench.redo.click()
    assert asked[1] == []
    assert "have no column run, position_m, heading. Nothing was added." in bench.message.text()


def test_survey_without_notes(plugin, short, asked):
    from dataclasses import replace

    bench = opened(plugin, replace(tables_of(short), notes=None))
    bench.redo.click()
    assert asked[1] == []
    assert "was opened without notes" in bench.message.text()


def test_without_lines_to_walk_there_is_nothing_to_click(bench):
    assert not bench.redo.isEnabled()
