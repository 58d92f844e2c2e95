"""Changes that no recipe keeps yet."""

from types import SimpleNamespace

import pytest
from qgis.core import QgsProject
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QMessageBox
from turnrow.plugin.workbench import recovery
from turnrow.plugin.workbench import unsaved_changes as leaving

from ..conftest import idle, tables_of, until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


BUTTON = QMessageBox.StandardButton


@pytest.fixture
def asked(monkeypatch):
    """What is asked in a message box, and a list of answers to give."""
    asked = SimpleNamespace(texts=[], answers=[])

    def question(parent, title, text, *_):
        asked.texts.append(text)
        return asked.answers.pop(0)

    monkeypatch.setattr(leaving.QMessageBox, "question", question)
    return asked


def void_line(bench, line=4):
    bench.desk.choose_lines([("A", line, 1)])
    bench.desk.set_kind("void")
    idle(bench)


@pytest.mark.parametrize(("answer", "leaves"), [(BUTTON.Cancel, False), (BUTTON.Discard, True), (BUTTON.Save, True)])
def test_qgis_asks_before_it_ends(bench, survey_files, asked, monkeypatch, answer, leaves):
    (blocker,) = bench.iface.blockers
    assert blocker.allowExit()
    assert asked.texts == []
    void_line(bench)
    monkeypatch.setattr(bench, "ask_save", lambda: bench.desk.save(survey_files.folder / "kept.json") or True)
    asked.answers.append(answer)
    assert blocker.allowExit() is leaves
    assert asked.texts == ["The changes by hand are not kept in a recipe yet. Keep them?"]
    assert (recovery.kept(survey_files.register) is None) is leaves
    assert (survey_files.folder / "kept.json").is_file() is (answer == BUTTON.Save)


def test_survey_and_its_changes_outlive_the_project(bench):
    void_line(bench)
    edits = bench.desk.session.edits
    QgsProject.instance().clear()
    assert bench.desk.session.edits == edits
    assert bench.iface.said == [
        "The survey stays open in the workbench. Its changes by hand are not kept yet."
    ]  # fmt: skip
    bench.desk.undo()
    idle(bench)
    QgsProject.instance().clear()
    assert len(bench.iface.said) == 1


@pytest.mark.parametrize(("answer", "taken"), [(BUTTON.Yes, True), (BUTTON.Discard, False)])
def test_changes_left_behind_are_offered_at_the_next_opening(bench, survey_files, asked, answer, taken):
    void_line(bench)
    edits = bench.desk.session.edits
    bench.desk.close()  # as when QGIS ends without asking
    asked.answers.append(answer)
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: asked.texts)
    idle(bench)
    assert "were not kept in a recipe. Take them up again?" in asked.texts[0]
    assert (bench.desk.session.edits == edits) is taken
    table = bench.desk.session.state("A").corrected
    assert table.has_flag("void")[table.line == 4].all() == taken
    assert (recovery.kept(survey_files.register) is not None) is taken
    if taken:
        bench.desk.undo()
        idle(bench)
        assert recovery.kept(survey_files.register) is None


def test_nothing_is_offered_where_a_recipe_keeps_the_changes(bench, survey_files, asked):
    void_line(bench)
    bench.desk.save(survey_files.folder / "kept.json")
    bench.desk.close()
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.desk.session is not None)
    QTest.qWait(50)
    assert asked.texts == []


def test_changes_that_cannot_be_read_again_are_reported(bench, survey_files, asked):
    void_line(bench)
    recovery.path_for(survey_files.register).write_text("{")
    bench.desk.close()
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.iface.said)
    assert "cannot be read as JSON" in bench.iface.said[0]
    assert recovery.path_for(survey_files.register).is_file()
