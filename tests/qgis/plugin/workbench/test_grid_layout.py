"""The layout of a grid's log from the workbench: kept beside the log, named in the register only when asked for."""

import pytest
from qgis.PyQt.QtWidgets import QInputDialog, QMessageBox
from turnrow.plugin.workbench import grid_layout
from turnrow.processing_provider.engine.core import read_text
from turnrow.processing_provider.engine.logs import layout_from_json

from ..conftest import tables_of, until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")

YES, NO = QMessageBox.StandardButton.Yes, QMessageBox.StandardButton.No


@pytest.fixture
def person(monkeypatch):
    """What a person does in the dialog, and answers; ``asked`` are the questions."""

    class Person:
        keeps = True
        answer = YES
        role = ""

        def __init__(self):
            self.asked, self.warned, self.opened = [], [], []

        def looks(self, dialog):
            self.opened.append(dialog.about)
            until(lambda: not dialog.works.names)
            if self.keeps:
                dialog.save(dialog.about.keep_as)
            else:
                dialog.reject()

        def answers(self, parent, title, text):
            self.asked.append(text)
            return self.answer

    one = Person()
    monkeypatch.setattr(grid_layout.LayoutDialog, "exec", lambda dialog: one.looks(dialog))
    monkeypatch.setattr(QMessageBox, "question", one.answers)
    monkeypatch.setattr(QMessageBox, "warning", lambda *words: one.warned.append(words[-1]))
    return one


def see(bench):
    bench.desk.choose_grid("B")
    bench.buttons["layout"].trigger()


def test_layout_is_named_in_the_register_and_the_survey_is_read_with_it(bench, person, survey_files):
    before, session = survey_files.read(survey_files.register), bench.desk.session
    see(bench)
    assert [(o.log, o.layout, o.keep_as) for o in person.opened] == [
        (survey_files.folder / "B.csv", None, survey_files.folder / "B.json")
    ]
    assert len(person.asked) == 1
    assert "Write B.json into its column layout, and read the survey again?" in person.asked[0]
    after = survey_files.read(survey_files.register)
    assert [row.pop("layout") for row in after] == ["", "B.json"]
    assert after == before
    until(lambda: bench.desk.session is not session)
    layouts = {s.entry.scheme.grid: s.layout for s in bench.desk.session.sources.grids}
    assert layouts == {"A": None, "B": layout_from_json(read_text(survey_files.folder / "B.json", "layout"))}


def test_register_stays_as_it_is_without_a_click(bench, person, survey_files):
    before, session = survey_files.register.read_bytes(), bench.desk.session
    person.answer = NO
    see(bench)
    assert (len(person.asked), survey_files.register.read_bytes()) == (1, before)
    assert (survey_files.folder / "B.json").is_file()
    person.keeps = False
    see(bench)
    assert len(person.asked) == 1
    assert bench.desk.session is session


def test_layout_that_the_register_names_is_begun_with_and_kept_there(plugin, person, survey_files):
    layout = survey_files.folder / "layouts" / "mine.json"
    layout.parent.mkdir()
    layout.write_text(
        '{"columns": [{"column": "line", "role": "line"}, {"column": "station", "role": "station"}, '
        '{"column": "cond", "role": "channel", "name": "deep"}]}'
    )
    survey_files.change(survey_files.register, {"grid": "B"}, layout="layouts/mine.json")
    register = survey_files.register.read_bytes()
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.desk.session is not None)
    session = bench.desk.session
    see(bench)
    assert [(o.layout, o.keep_as) for o in person.opened] == [(layout, layout)]
    assert person.asked == [
        "mine.json exists. Overwrite it with this layout?", "Read the survey again with this layout?",
    ]  # fmt: skip
    assert survey_files.register.read_bytes() == register
    until(lambda: bench.desk.session is not session)


def test_one_of_several_logs_is_chosen(plugin, person, survey_files, monkeypatch):
    survey_files.change(survey_files.register, {"grid": "B"}, log="B.csv; A.csv")
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.desk.session is not None)
    person.keeps = False
    answer = ["A.csv", True]
    monkeypatch.setattr(QInputDialog, "getItem", lambda *words: tuple(answer))
    see(bench)
    assert person.opened[0].log == survey_files.folder / "A.csv"
    answer[1] = False
    see(bench)
    assert len(person.opened) == 1


def test_what_looks_misread_of_the_grid_is_shown_first(plugin, person, survey_files):
    rows = survey_files.read(survey_files.folder / "B.csv")
    survey_files.write(survey_files.folder / "B.csv", [{**row, "station": 2 * int(row["station"])} for row in rows])
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.desk.session is not None)
    person.keeps = False
    see(bench)
    (question,) = person.opened[0].questions
    assert "The stations change by 2 from one reading to the next." in question
    bench.desk.choose_grid("A")
    bench.buttons["layout"].trigger()
    assert person.opened[1].questions == ()


def test_register_that_is_no_csv_is_not_changed(survey_files, bench):
    from dataclasses import replace

    entry = bench.desk.session.sources.grids[1].entry
    book = survey_files.folder / "register.xlsx"
    mine = grid_layout.GridLayout(replace(tables_of(survey_files), register=book), entry)
    with pytest.raises(ValueError, match="is no CSV and is not changed here. Write B.json into its column layout"):
        mine.write(survey_files.folder / "B.json")
    assert not book.exists()
