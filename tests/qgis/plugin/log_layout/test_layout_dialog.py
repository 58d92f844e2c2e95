"""The dialog of a layout: what is chosen is seen in sketch and sentence, and kept as a layout that reads alike."""

import json

import numpy as np
import pytest
from qgis.PyQt.QtCore import QPoint, QPointF, Qt
from qgis.PyQt.QtGui import QColor, QPalette, QWheelEvent
from qgis.PyQt.QtWidgets import QApplication, QFileDialog, QMessageBox
from turnrow.plugin.log_layout import LayoutDialog, LayoutOf
from turnrow.plugin.log_layout.line_sketch import line_places
from turnrow.plugin.log_layout.role_colours import COLOURS, POSITION, quiet_ink, role_colour, role_tint, role_words
from turnrow.plugin.profile import look_of
from turnrow.processing_provider.engine.core import read_text
from turnrow.processing_provider.engine.logs import ROLES, layout_from_json, read_log

from .conftest import LINES, STATIONS, rows_of_a_log, settled

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")

SHOWN = Qt.ItemDataRole.DisplayRole
TEXT_CONTRAST, SIGN_CONTRAST = 4.5, 3.0
"""WCAG 2.1, success criteria 1.4.3 and 1.4.11."""


def choose(dialog, index, role):
    """Choose a role from the list above a column, as a person does."""
    roles = dialog.table.head_row.heads[index].roles
    roles.setCurrentIndex(roles.findData(role))
    roles.activated.emit(roles.currentIndex())
    return settled(dialog)


def said(dialog):
    return dialog.said.toPlainText()


def test_log_is_seen_with_roles_lines_and_sentence(see, log):
    dialog = see(log)
    model = dialog.table.model()
    assert (model.rowCount(), model.columnCount()) == (1 + LINES * STATIONS, 5)
    header, up = Qt.Orientation.Horizontal, Qt.Orientation.Vertical
    assert [model.headerData(i, header, SHOWN) for i in range(5)] == ["line", "station", "time", "channel", "channel"]
    assert [model.headerData(i, up, SHOWN) for i in range(2)] == ["1  names", "2"]
    assert model.data(model.index(1, 2)) == "09:30:00.000"
    assert [head.title.text() for head in dialog.table.head_row.heads][3] == "4  cond (mS/m)"
    assert said(dialog) == "log.csv: 120 readings in 6 recordings of 6 lines."
    assert [(t.line, t.heading) for t in dialog.sketch.traverses] == [(n, 1 if n % 2 else -1) for n in range(1, 7)]
    assert dialog.sketch.legend() == "▲ 3 out   ▼ 3 back"
    assert not dialog.sketch.grab().toImage().isNull()
    assert dialog.save_button.isEnabled()


def test_changed_role_changes_sketch_and_sentence(see, log):
    dialog = see(log)
    choose(dialog, 1, "")
    assert "has no stations: they will be counted by the pattern of the grid" in said(dialog)
    assert dialog.sketch.legend() == "│ 6 either way"
    choose(dialog, 0, "")
    assert "names no lines" in said(dialog)
    assert [t.line for t in dialog.sketch.traverses] == [1]
    choose(dialog, 0, "line")
    choose(dialog, 1, "station")
    choose(dialog, 2, "")
    assert said(dialog).endswith("log.csv has no times: pace and drift cannot be checked.")
    assert dialog.sketch.legend() == "▲ 3 out   ▼ 3 back"


def test_layout_that_cannot_read_is_a_sentence_and_is_not_kept(see, log):
    dialog = see(log)
    choose(dialog, 3, "")
    choose(dialog, 4, "")
    assert said(dialog).startswith("▲ Invalid columns of a log layout")
    assert (dialog.sketch.traverses, dialog.save_button.isEnabled()) == ((), False)
    choose(dialog, 2, "channel")
    assert said(dialog).startswith("▲ Invalid name of a channel in a log layout: 'time' was given.")
    dialog.table.head_row.heads[2].name.setText("clock")
    dialog.table.head_row.heads[2].name.editingFinished.emit()
    settled(dialog)
    assert said(dialog).startswith("▲ No row of log.csv fits the layout log: row 2 has '09:30:00.000' in column time")
    choose(dialog, 2, "time")
    choose(dialog, 3, "channel")
    assert dialog.save_button.isEnabled()


def test_name_unit_and_format_are_given_above_the_column(see, log):
    dialog = see(log)
    heads = dialog.table.head_row.heads
    heads[3].name.setText("deep")
    heads[3].unit.setText("ppt")
    heads[3].unit.editingFinished.emit()
    heads[2].form.setEditText("noon")
    heads[2].form.lineEdit().editingFinished.emit()
    settled(dialog)
    assert "Invalid format of time in column 'time': 'noon' was given" in said(dialog)
    heads[2].form.setEditText("clock")
    heads[2].form.lineEdit().editingFinished.emit()
    settled(dialog)
    layout = dialog.draft.layout()
    assert layout.one("time").format == "HH:MM:SS"
    assert [(c.name, c.unit) for c in layout.columns if c.role == "channel"][0] == ("deep", "ppt")
    assert heads[3].below.currentIndex() == 1
    assert heads[2].below.currentIndex() == 2
    assert heads[0].below.currentIndex() == 0


def test_kept_layout_reads_the_same_readings(see, log, tmp_path):
    dialog = see(log)
    choose(dialog, 4, "")
    wanted = read_log(log, dialog.draft.layout()).readings
    path = tmp_path / "layouts" / "kept.json"
    dialog.save(path)
    assert (dialog.kept, dialog.isVisible()) == (path, False)
    got = read_log(log, layout_from_json(read_text(path, "layout"))).readings
    for name in ("line", "station", "time_s", "run", "flag"):
        np.testing.assert_array_equal(getattr(got, name), getattr(wanted, name))
    assert list(got.channels) == list(wanted.channels) == ["cond"]
    np.testing.assert_array_equal(got.channels["cond"], wanted.channels["cond"])
    assert [p.name for p in path.parent.iterdir()] == ["kept.json"]
    again = see(log, path)
    assert [c.role for c in again.draft.columns] == ["line", "station", "time", "channel", ""]


def test_existing_file_asks_and_the_log_is_never_written_to(see, log, tmp_path, monkeypatch):
    asked, warned = [], []
    answer = [QMessageBox.StandardButton.No]
    monkeypatch.setattr(QMessageBox, "question", lambda *words: asked.append(words[-1]) or answer[0])
    monkeypatch.setattr(QMessageBox, "warning", lambda *words: warned.append(words[-1]))
    path, text = tmp_path / "old.json", log.read_text()
    path.write_text("old")
    dialog = see(log)
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(path.with_suffix("")), ""))
    dialog.ask_save()
    assert (asked, path.read_text(), dialog.kept) == (["old.json exists. Overwrite it with this layout?"], "old", None)
    dialog.save(log)
    assert warned == ["log.csv is the log itself, which is never changed. Choose another name."]
    assert log.read_text() == text
    answer[0] = QMessageBox.StandardButton.Yes
    dialog.ask_save()
    assert json.loads(path.read_text())["columns"][0] == {"column": "line", "role": "line"}


def test_folder_that_cannot_be_written_to_is_a_sentence(see, log, tmp_path, monkeypatch):
    warned = []
    monkeypatch.setattr(QMessageBox, "warning", lambda *words: warned.append(words[-1]))
    (tmp_path / "file").write_text("")
    dialog = see(log)
    dialog.save(tmp_path / "file" / "layout.json")
    assert len(warned) == 1
    assert warned[0].startswith("The layout layout.json cannot be written to")
    assert dialog.isVisible()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is empty"),
        (bytes(range(256)) * 40, "is a binary file, not text"),
        (b"1," * 1_000_000, "does not end within 300,000 characters"),
    ],
    ids=["empty", "binary", "a row of a million columns"],
)
def test_file_that_is_no_log_is_a_sentence(see, tmp_path, content, sentence):
    path = tmp_path / "log.txt"
    path.write_bytes(content)
    dialog = see(path)
    assert said(dialog).startswith("▲")
    assert sentence in said(dialog)
    assert not dialog.save_button.isEnabled()
    dialog.skip.setValue(3)
    choose_delimiter(dialog, "tab")
    assert sentence in said(dialog)


def choose_delimiter(dialog, word):
    dialog.delimiter.setCurrentIndex(dialog.delimiter.findData(word))
    dialog.delimiter.activated.emit(dialog.delimiter.currentIndex())
    return settled(dialog)


def test_log_with_a_row_of_a_million_columns_and_one_of_many_columns(see, tmp_path):
    path = tmp_path / "log.txt"
    path.write_text("\n".join([*rows_of_a_log(), "1," * 1_000_000, ""]))
    assert "row 122" in said(see(path))
    wide = tmp_path / "wide.txt"
    wide.write_text("\n".join(",".join(str(n * k % 7 + 0.5) for k in range(300)) for n in range(40)))
    dialog = see(wide)
    assert len(dialog.table.head_row.heads) == 100
    assert "Only the first 100 columns are shown." in said(dialog)


def test_fault_of_the_program_is_a_sentence(see, log, monkeypatch):
    def fails(*_):
        raise ZeroDivisionError

    dialog = see(log)
    monkeypatch.setattr("turnrow.plugin.log_layout.layout_dialog.shown_rows", fails)
    choose(dialog, 1, "")
    assert said(dialog).startswith(
        "▲ Showing the layout of log.csv ended with a fault of the program (ZeroDivisionError)."
    )
    monkeypatch.setattr("turnrow.plugin.log_layout.layout_dialog.begin_draft", fails)
    assert "fault of the program" in said(see(log))


def test_layout_that_is_no_layout_is_a_sentence_and_the_log_is_seen_all_the_same(see, log, tmp_path):
    path = tmp_path / "bad.json"
    path.write_text('{"columns": [')
    dialog = see(log, path)
    assert said(dialog).startswith("▲ The log layout bad.json is no JSON")
    assert "120 readings" in said(dialog)


def test_refused_log_is_seen_but_its_layout_is_kept_only_once_the_person_changes_it(see, tmp_path):
    path = tmp_path / "log.txt"
    others = [f"{n},{n * n % 7}" for n in range(60)]
    path.write_text("\n".join([*others, *rows_of_a_log()[1:], ""]))
    dialog = see(path)
    assert said(dialog).startswith("▲ In log.txt, 60 rows from row 1 on")
    assert "120 readings" in said(dialog)
    assert not dialog.save_button.isEnabled()
    dialog.skip.setValue(60)
    settled(dialog)
    assert said(dialog) == "log.txt: 120 readings in 6 recordings of 6 lines."
    assert dialog.save_button.isEnabled()
    assert dialog.draft.layout().skip_rows == 60


def test_rows_are_cut_as_the_person_says(see, tmp_path):
    rows = [row.replace(",", ";") for row in rows_of_a_log()]
    path = tmp_path / "log.txt"
    path.write_text("\n".join(["Plot 7", "dry", *rows, ""]))
    dialog = see(path)
    assert (dialog.delimiter.currentData(), dialog.skip.value(), dialog.header.isChecked()) == (";", 2, True)
    choose_delimiter(dialog, "|")
    assert said(dialog).startswith("▲")
    assert dialog.table.columnCount() == 1
    choose_delimiter(dialog, ";")
    assert "120 readings" in said(dialog)
    dialog.header.click()
    settled(dialog)
    assert "row 3" in said(dialog)
    assert [head.title.text() for head in dialog.table.head_row.heads] == ["1", "2", "3", "4", "5"]


def test_fixed_columns_stay_unless_another_delimiter_is_chosen(see, tmp_path):
    path = tmp_path / "log.txt"
    path.write_text("".join(f"{n // 20 + 1:4d}{n % 20 + 1:5d}{9 + n % 7 / 10:8.2f}\n" for n in range(200)))
    layout = tmp_path / "fixed.json"
    columns = [{"column": n, "role": role} for n, role in enumerate(("line", "station", "channel"), 1)]
    layout.write_text(json.dumps({"widths": [4, 5, 8], "header": False, "columns": columns}))
    dialog = see(path, layout)
    assert dialog.delimiter.currentText() == "fixed columns"
    assert "200 readings in 10 recordings" in said(dialog)
    assert (dialog.widths.text(), dialog.widths.isVisible()) == ("4 5 8", True)
    choose_delimiter(dialog, "space")
    assert dialog.draft.layout().widths is None
    assert not dialog.widths.isVisible()


def test_columns_without_a_blank_are_cut_by_their_widths(see, tmp_path):
    path = tmp_path / "log.txt"
    path.write_text("".join(f"{n // 20 + 1:03d}{n % 20 + 1:+05d}{9 + n % 7 / 10:06.2f}\n" for n in range(200)))
    dialog = see(path)
    assert said(dialog).startswith("▲")
    choose_delimiter(dialog, "fixed")
    assert dialog.widths.isVisible()
    dialog.widths.setText("3, 5, 6")
    dialog.widths.editingFinished.emit()
    settled(dialog)
    assert dialog.draft.layout().widths == (3, 5, 6)
    assert [c.role for c in dialog.draft.columns] == ["line", "station", "channel"]
    assert said(dialog).startswith("log.txt: 200 readings in 10 recordings of 10 lines.")
    assert [t.last_station for t in dialog.sketch.traverses] == [20.0] * 10


def test_reading_stops_when_the_dialog_is_closed_or_the_layout_changes(see, log):
    dialog = see(log)
    roles = dialog.table.head_row.heads[1].roles
    for role in ("", "mark", "station"):
        roles.setCurrentIndex(roles.findData(role))
        roles.activated.emit(roles.currentIndex())
    assert dialog.works.names == ("layout",)
    settled(dialog)
    assert said(dialog) == "log.csv: 120 readings in 6 recordings of 6 lines."
    dialog.table.role_chosen.emit(1, "")
    dialog.reject()
    assert dialog.works.names == ()


def test_wheel_over_a_list_changes_no_role(see, log):
    dialog = see(log)
    roles = dialog.table.head_row.heads[0].roles
    dialog.said.setFocus()
    spot = QPointF(roles.rect().center())
    event = QWheelEvent(spot, QPointF(roles.mapToGlobal(spot.toPoint())), QPoint(0, -120), QPoint(0, -120),
                        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase,
                        False)  # fmt: skip
    QApplication.sendEvent(roles, event)
    assert roles.currentData() == "line"


def assert_heads_stand_above(table):
    for i, head in enumerate(table.head_row.heads):
        assert (head.x(), head.width()) == (table.columnViewportPosition(i), table.columnWidth(i))


def test_heads_move_with_their_columns(see, log):
    table = (dialog := see(log)).table
    assert_heads_stand_above(table)
    dialog.resize(700, 500)
    QApplication.processEvents()
    assert_heads_stand_above(table)
    table.horizontalScrollBar().setValue(table.horizontalScrollBar().maximum())
    QApplication.processEvents()
    assert table.columnViewportPosition(0) < 0
    assert_heads_stand_above(table)
    table.setColumnWidth(1, 222)
    assert table.head_row.heads[1].width() == 222
    table.head_row.heads[0].seen.emit(0)
    assert table.columnViewportPosition(0) == 0


def test_line_numbers_left_out_leave_a_gap_but_not_more():
    assert line_places([1, 2, 3, 5, 901]) == {1: 0, 2: 1, 3: 2, 5: 4, 901: 7}
    assert line_places([7]) == {7: 0}
    assert line_places([]) == {}


def luminance(colour):
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in colour.getRgbF()[:3]]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("paper", "ink"), [("#ffffff", "#000000"), ("#2b2b2b", "#e0e0e0")], ids=["light", "dark"])
def test_colours_can_be_read_in_both_themes(paper, ink):
    palette = QPalette()
    palette.setColor(QPalette.ColorRole.Base, QColor(paper))
    palette.setColor(QPalette.ColorRole.Text, QColor(ink))
    look = look_of(palette)
    assert contrast(quiet_ink(look), look.paper) >= TEXT_CONTRAST
    for role in ROLES:
        assert contrast(look.ink, role_tint(role, look)) >= TEXT_CONTRAST, role
        assert contrast(role_colour(role, look), look.paper) >= SIGN_CONTRAST, role
    assert len({*COLOURS.values(), POSITION}) == len(COLOURS) + 1
    assert set(role_words()) == {*ROLES, ""}


def test_parts_of_a_clock_are_chosen(see, tmp_path):
    path = tmp_path / "log.txt"
    rows = [f"{n // 20 + 1},{n % 20 + 1},9,{30 + n // 60},{n % 60},{9 + n % 7 / 10:.1f}" for n in range(200)]
    path.write_text("\n".join(["line,station,hour,minute,second,cond", *rows, ""]))
    dialog = see(path)
    assert [c.role for c in dialog.draft.columns] == ["line", "station", "time_part", "time_part", "time", "channel"]
    head = dialog.table.head_row.heads[3]
    assert (head.roles.currentText(), head.part.currentText()) == ("time part", "minutes")
    assert dialog.sketch.traverses[0].start_s == 9 * 3600 + 30 * 60
    head.part.setCurrentIndex(head.part.findText("hours"))
    head.part.activated.emit(head.part.currentIndex())
    settled(dialog)
    assert dialog.sketch.traverses[0].start_s == 39 * 3600 % 86400


def test_what_looks_misread_stands_first_until_it_is_confirmed(see, log, tmp_path):
    dialog = LayoutDialog(LayoutOf(log, None, None, ("The stations change by 2.",)))
    settled(dialog)
    assert said(dialog).startswith("▲ The stations change by 2.\nlog.csv: 120 readings")
    dialog.confirmed.click()
    settled(dialog)
    assert said(dialog).startswith("log.csv: 120 readings")
    dialog.save(tmp_path / "kept.json")
    assert layout_from_json(read_text(tmp_path / "kept.json", "layout")).confirmed
    again = see(log, tmp_path / "kept.json")
    assert again.confirmed.isChecked()


def test_layout_of_another_log_is_questioned_first(see, tmp_path):
    path = tmp_path / "log.txt"
    path.write_text("\n".join([*rows_of_a_log()[:20], *[f"{n};{n}" for n in range(40)], ""]))
    layout = tmp_path / "layout.json"
    columns = [{"column": "line", "role": "line"}, {"column": "cond (mS/m)", "role": "channel"}]
    layout.write_text(json.dumps({"columns": columns}))
    assert said(see(path, layout)).startswith("▲ Ask for the layout of the log: most rows do not fit.")


OPENINGS = [
    row for line in range(1, 5) for row in [f"FROM line {line} at 1", *[f"{n},{n * 7 % 5}.5" for n in range(30)]]
]


def give(dialog, option, text):
    """Type an expression, as a person does."""
    field = dialog.expressions.fields[option]
    field.setText(text)
    field.editingFinished.emit()
    return settled(dialog)


def test_expressions_of_opening_rows_and_marks_are_given_and_kept(see, tmp_path):
    path = tmp_path / "log.txt"
    rows = [*OPENINGS[:10], "FIDUCIAL", *OPENINGS[10:]]
    path.write_text("\n".join(["n,cond", *rows, ""]))
    layout = tmp_path / "layout.json"
    columns = [{"column": "cond", "role": "channel"}]
    layout.write_text(json.dumps({"columns": columns}))
    dialog = see(path, layout)
    assert [f.text() for f in dialog.expressions.fields.values()] == ["", ""]
    give(dialog, "line_start", r"^FROM line (?P<line>\d+) at (?P<station>\d+)")
    assert [(t.line, t.readings) for t in dialog.sketch.traverses] == [(1, 30), (2, 30), (3, 30), (4, 30)]
    give(dialog, "mark", "^FIDUCIAL")
    model = dialog.table.model()
    kinds = [model.headerData(i, Qt.Orientation.Vertical, SHOWN) for i in range(12)]
    assert (kinds[1], kinds[11]) == ("2  opens a line", "12  mark")
    assert dialog.save_button.isEnabled()
    dialog.save(tmp_path / "kept.json")
    kept = layout_from_json(read_text(tmp_path / "kept.json", "layout"))
    assert (kept.line_start, kept.mark) == (r"^FROM line (?P<line>\d+) at (?P<station>\d+)", "^FIDUCIAL")
    again = see(path, tmp_path / "kept.json")
    assert again.expressions.fields["mark"].text() == "^FIDUCIAL"
    give(again, "line_start", "")
    assert again.draft.layout().line_start == ""


@pytest.mark.parametrize(
    ("option", "text", "sentence"),
    [
        ("line_start", "(", "It must be a regular expression"),
        ("line_start", "(?P<speed>.)", "the group 'speed' was given"),
        ("mark", r"(\d+)*x", "takes minutes on some rows"),
        ("mark", "x" * 3000, "3,000 characters"),
    ],
)
def test_an_expression_that_cannot_be_is_a_sentence_and_can_be_mended(see, log, option, text, sentence):
    dialog = see(log)
    give(dialog, option, text)
    assert said(dialog).startswith(f"▲ Invalid {option} of a log layout")
    assert sentence in said(dialog)
    assert not dialog.save_button.isEnabled()
    assert dialog.expressions.fields[option].text() == text
    give(dialog, option, "^NEVER")
    assert "120 readings" in said(dialog)
    assert dialog.save_button.isEnabled()
    assert getattr(dialog.draft.layout(), option) == "^NEVER"


def test_an_expression_that_is_typed_while_another_is_checked_stays(see, log):
    dialog = see(log)
    opening, mark = (dialog.expressions.fields[option] for option in ("line_start", "mark"))
    opening.setText("^NEVER")
    opening.editingFinished.emit()
    mark.setText("^MARK")
    settled(dialog)
    assert (dialog.draft.layout().line_start, dialog.draft.layout().mark) == ("^NEVER", "")
    assert mark.text() == "^MARK"
    mark.editingFinished.emit()
    settled(dialog)
    assert (dialog.draft.layout().line_start, dialog.draft.layout().mark) == ("^NEVER", "^MARK")


def test_an_expression_that_ends_with_a_blank_stays_when_its_field_is_left(see, log, tmp_path):
    layout = tmp_path / "layout.json"
    columns = [{"column": "line", "role": "line"}, {"column": "cond (mS/m)", "role": "channel"}]
    layout.write_text(json.dumps({"columns": columns, "mark": "^MARK "}))
    dialog = see(log, layout)
    dialog.expressions.fields["mark"].editingFinished.emit()
    settled(dialog)
    assert dialog.draft.layout().mark == "^MARK "


def test_checking_an_expression_ends_with_the_dialog(see, log):
    dialog = see(log)
    field = dialog.expressions.fields["mark"]
    field.setText(".*.*.*%")
    field.editingFinished.emit()
    assert dialog.works.names == ("layout",)
    dialog.reject()
    assert dialog.works.names == ()
    assert dialog.draft.layout().mark == ""
