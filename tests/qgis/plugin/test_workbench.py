"""The workbench: an open survey without windows, then the widgets, then the plugin in and out of a window."""

import gc
import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
)
from qgis.gui import QgsMapToolPan
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QPoint, QPointF, Qt
from qgis.PyQt.QtGui import QFontMetricsF, QMouseEvent, QResizeEvent, QWheelEvent
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QDockWidget, QInputDialog, QMenu, QMessageBox
from turnrow.plugin.map_tools.corners_tool import CornersTool
from turnrow.plugin.map_view.line_picker import LinePicker
from turnrow.plugin.profile.axis import Scale, round_step
from turnrow.plugin.profile.profile_painter import ProfileContent, legend, legend_rows
from turnrow.plugin.profile.profile_view import CHOOSE, ProfileView
from turnrow.plugin.profile.traces import CORRECTED, DIFFERENCE, LOGGED, Trace, nearest_recording, neighbours
from turnrow.plugin.workbench import recovery
from turnrow.plugin.workbench import unsaved_changes as leaving
from turnrow.plugin.workbench.background_tasks import Works
from turnrow.plugin.workbench.lists import NARROW_EM, mark_icon
from turnrow.plugin.workbench.opening import Tables, find_tables, open_tables
from turnrow.processing_provider.engine.core.edits import Edits
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError
from turnrow.processing_provider.engine.core.findings import SEVERITIES
from turnrow.processing_provider.engine.workflow import edit_commands as changes
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.recipe import default_recipe, recipe_text
from turnrow.processing_provider.engine.workflow.undo_history import History

from ..conftest import CRS, LENGTH, RATE, SPACING

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")
ROOT = Path(__file__).resolve().parents[3]
LEFT, NONE = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


def tables_of(files):
    crs = QgsCoordinateReferenceSystem(CRS)
    return Tables(files.register, files.corners, files.notes, files.folder, crs)


def opened(files):
    return open_tables(tables_of(files)).read()


def note(session, key):
    return changes.note_in_force(session.sources.notes, session.edits, key, session.recordings(key))


def changed(session, edits, channel="cond"):
    """Take edits over and process what they touch."""
    for grid in session.change("a change", edits):
        session.accept(grid, session.again(grid, channel)(None))


def hover(widget, place, held=LEFT):
    """Move the mouse; Qt 5's own helper moves the cursor of the screen, which a window without a screen may miss."""
    event = QMouseEvent(
        QEvent.Type.MouseMove, QPointF(place), QPointF(widget.mapToGlobal(place)), Qt.MouseButton.NoButton, held, NONE
    )  # fmt: skip
    QCoreApplication.sendEvent(widget, event)


def line_rows(table, line):
    return np.flatnonzero(table.line == line)


def until(true, seconds=20):
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            pytest.fail("waited in vain")
        QgsApplication.processEvents()
        time.sleep(0.01)


# The axis of a picture


def test_scale_goes_there_and_back():
    scale = Scale(10.0, 20.0, 100.0, 300.0)
    assert scale.px(15.0) == 200.0
    assert scale.value(250.0) == 17.5
    upwards = Scale(0.0, 1.0, 80.0, 20.0)
    assert upwards.px(0.25) == 65.0


def test_zoom_leaves_the_value_under_the_pointer_where_it_is():
    scale = Scale(10.0, 20.0, 100.0, 300.0)
    zoomed = scale.zoomed(2.0, 150.0)
    assert zoomed.px(12.5) == pytest.approx(150.0)
    assert zoomed.high - zoomed.low == pytest.approx(5.0)


def test_moving_takes_the_picture_along():
    assert Scale(10.0, 20.0, 100.0, 300.0).moved(20.0).px(15.0) == pytest.approx(220.0)


def test_ticks_are_round_and_apart():
    ticks = Scale(-0.3, 1.0, 0.0, 260.0).ticks(40.0)
    assert [label for _, label in ticks] == ["-0.2", "0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert [label for _, label in Scale(0.0, 40.0, 0.0, 400.0).ticks(90.0)] == ["0", "10", "20", "30", "40"]
    assert (round_step(0.21), round_step(2.0), round_step(51.0)) == (pytest.approx(0.5), 2.0, 100.0)


# An open survey


def test_session_shows_what_the_whole_run_gives(survey_files):
    session = opened(survey_files)
    whole = process_survey(open_tables(tables_of(survey_files)).sources, default_recipe()).corrected
    assert session.grids == ("A", "B")
    for grid in session.grids:
        state = session.state(grid)
        assert state.steps_done == 4
        np.testing.assert_array_equal(state.corrected.channels["cond"], whole.get(grid).channels["cond"])


def test_grid_without_its_log_is_listed_as_not_read(survey_files):
    (survey_files.folder / "B.csv").unlink()
    session = opened(survey_files)
    assert session.grids == ("A", "B")
    assert session.state("B") is None
    assert session.counts("B")["error"] == 1
    assert session.runs("B") == []


def test_survey_without_any_grid_tells_why(survey_files):
    for grid in "AB":
        (survey_files.folder / f"{grid}.csv").unlink()
    with pytest.raises(EngineError, match="No grid could be placed.*A.csv.*B.csv"):
        opened(survey_files)


def test_line_made_void_by_hand_equals_one_noted_void(survey_files):
    session = opened(survey_files)
    changed(session, changes.with_kind(session.edits, note(session, ("A", 5, 1)), "void"))
    by_hand = session.state("A")
    survey_files.change(survey_files.notes, {"line": "1"}, line="5", kind="void", heading="")
    noted = opened(survey_files)
    work = noted.again("A", "cond")
    from_notes = work(None)
    np.testing.assert_array_equal(by_hand.placed.flag, from_notes.placed.flag)
    assert not by_hand.corrected.in_use[line_rows(by_hand.corrected, 5)].any()
    assert by_hand.corrected.in_use[line_rows(by_hand.corrected, 4)].any()


def test_turned_line_lies_end_to_end(survey_files):
    """A reading at v from the start edge is at length - v when the line was walked the other way."""
    session = opened(survey_files)
    before = session.state("A").placed
    rows = line_rows(before, 3)
    changed(session, changes.turned(session.edits, note(session, ("A", 3, 1)), int(before.heading[rows[0]])))
    after = session.state("A").placed
    np.testing.assert_allclose(after.v_m[rows], LENGTH - before.v_m[rows], atol=1e-9)
    others = np.setdiff1d(np.arange(len(before)), rows)
    np.testing.assert_array_equal(after.v_m[others], before.v_m[others])


def test_other_start_station_shifts_the_line(survey_files):
    session = opened(survey_files)
    before = session.state("A").placed
    rows = line_rows(before, 3)
    first, heading = before.station[rows[0]], int(before.heading[rows[0]])
    changed(session, changes.started_at(session.edits, note(session, ("A", 3, 1)), first + 2, heading))
    np.testing.assert_allclose(session.state("A").placed.v_m[rows], before.v_m[rows] + 2 / RATE, atol=1e-9)


def test_line_moved_by_hand_lies_where_a_note_would_put_it(survey_files):
    session = opened(survey_files)
    before = session.state("A").placed
    rows = line_rows(before, 3)
    changed(session, changes.moved_to(session.edits, note(session, ("A", 3, 1)), 0.0, int(before.heading[rows[0]])))
    after = session.state("A").placed
    np.testing.assert_allclose(after.u_m[rows], 0.0, atol=1e-9)
    np.testing.assert_array_equal(after.v_m, before.v_m)
    survey_files.change(survey_files.notes, {"line": "1"}, line="3", position_m="0", heading="")
    np.testing.assert_array_equal(opened(survey_files).state("A").placed.x, after.x)


def test_obstacle_by_hand_equals_one_in_the_notes(survey_files):
    session = opened(survey_files)
    changed(session, changes.obstructed(session.edits, ("A", 4, 1), (8, 12), (20.0, 16.0)))
    table = session.state("A").corrected
    chosen = (table.line == 4) & (table.station >= 16) & (table.station <= 20)
    np.testing.assert_array_equal(table.has_flag("obstacle"), chosen)
    survey_files.change(
        survey_files.notes, {"line": "1"}, line="4", kind="obstacle", start_station="16", stop_station="20", heading=""
    )
    noted = opened(survey_files).state("A").placed
    np.testing.assert_array_equal(noted.has_flag("obstacle"), chosen)


def test_flags_alone_read_no_log_again(survey_files):
    session = opened(survey_files)
    edits = changes.with_kind(session.edits, note(session, ("A", 5, 1)), "void")
    changed(session, edits)
    edits = changes.flagged(edits, ("A", 2, 1), (10, 14), "outlier")
    changed(session, edits)
    quick = session.state("A").corrected
    fresh = open_tables(tables_of(survey_files)).read()
    changed(fresh, edits)
    np.testing.assert_array_equal(fresh.state("A").corrected.flag, quick.flag)
    np.testing.assert_array_equal(fresh.state("A").corrected.channels["cond"], quick.channels["cond"])
    (survey_files.folder / "A.csv").unlink()
    changed(session, changes.flagged(edits, ("A", 3, 1), (10, 14), "void"))
    assert session.state("A").corrected.has_flag("void").sum() > quick.has_flag("void").sum()
    with pytest.raises(EngineError, match="A.csv"):
        changed(session, changes.with_kind(session.edits, note(session, ("A", 6, 1)), "void"))


def test_flags_of_the_recipe_go_when_they_are_taken_back(survey_files):
    edits = changes.flagged(Edits(), ("A", 4, 1), (10, 14), "void")
    path = survey_files.folder / "kept.json"
    text = recipe_text(default_recipe(), versions={})
    path.write_text(changes.recipe_with_edits(text, "recipe", edits))
    session = open_tables(tables_of(survey_files), path).read()
    assert session.state("A").corrected.has_flag("void").sum() == 5
    changed(session, changes.as_noted(session.edits, ("A", 4, 1)))
    assert not session.state("A").corrected.has_flag("void").any()


def test_flags_set_and_lifted_by_hand(survey_files):
    session = opened(survey_files)
    changed(session, changes.flagged(session.edits, ("B", 2, 1), (10, 14), "outlier"))
    table = session.state("B").corrected
    marked = table.has_flag("outlier")
    assert set(table.seq[marked & (table.line == 2)]) >= set(range(10, 15))
    changed(session, changes.flagged(session.edits, ("B", 2, 1), (12, 12), None))
    table = session.state("B").corrected
    assert table.flag[(table.line == 2) & (table.seq == 12)].tolist() == [0]
    assert session.state("A").raster is None


def test_lifted_flag_stays_lifted_when_the_reading_still_stands_out(survey_files):
    rows = survey_files.read(survey_files.folder / "A.csv")
    spiked = [r for r in rows if r["line"] == "6"][20]
    spiked["cond"] = "80"
    survey_files.write(survey_files.folder / "A.csv", rows)
    session = opened(survey_files)
    table = session.state("A").corrected
    assert table.has_flag("outlier")[(table.line == 6) & (table.seq == 20)].all()
    changed(session, changes.flagged(session.edits, ("A", 6, 1), (20, 20), None))
    table = session.state("A").corrected
    assert table.in_use[(table.line == 6) & (table.seq == 20)].all()


def test_undo_brings_back_what_was_opened(survey_files):
    session = opened(survey_files)
    before = session.state("A").corrected.channels["cond"]
    changed(session, changes.with_kind(session.edits, note(session, ("A", 5, 1)), "void"))
    assert session.unsaved
    for grid in session.undo():
        session.accept(grid, session.again(grid, "cond")(None))
    assert not session.unsaved
    np.testing.assert_array_equal(session.state("A").corrected.channels["cond"], before)
    assert session.state("A").corrected.in_use[line_rows(session.state("A").corrected, 5)].any()
    assert session.redo() == ["A"]
    assert session.is_changed("A")
    assert not session.is_changed("B")


def test_history_forgets_what_was_undone_when_something_new_is_done():
    one, two = (
        changes.flagged(Edits(), ("A", 1, 1), (0, 1), "void"),
        changes.flagged(Edits(), ("A", 2, 1), (0, 1), "void"),
    )
    history = History(Edits())
    assert history.undo_text is None
    history.push("one", one)
    history.undo()
    assert (history.edits, history.redo_text) == (Edits(), "one")
    history.push("two", two)
    assert (history.edits, history.undo_text, history.redo_text) == (two, "two", None)
    history.redo()
    assert history.edits == two


def test_as_noted_takes_back_every_change_of_one_line(survey_files):
    session = opened(survey_files)
    edits = changes.with_kind(session.edits, note(session, ("A", 5, 1)), "void")
    edits = changes.flagged(edits, ("A", 5, 1), (3, 4), "outlier")
    other = changes.flagged(edits, ("A", 6, 1), (3, 4), "outlier")
    other = changes.obstructed(other, ("A", 5, 1), (8, 9), (3.0, 4.0))
    assert changes.as_noted(other, ("A", 5, 1)) == changes.flagged(Edits(), ("A", 6, 1), (3, 4), "outlier")


def test_cancel_ends_a_grid_that_is_being_processed(survey_files):
    session = opened(survey_files)

    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        session.again("A", "cond")(stop)


def test_recipe_keeps_changes_and_all_else():
    edits = changes.flagged(Edits(), ("A", 1, 1), (0, 3), "void")
    text = changes.recipe_with_edits('{"steps": ["interpolatereadings"], "own": 5}', "recipe", edits)
    assert json.loads(text)["own"] == 5
    assert changes.edits_in(text, "recipe") == edits
    assert changes.edits_in('{"steps": []}', "recipe") == Edits()
    with pytest.raises(EngineError, match="cannot be read as JSON: line 1"):
        changes.edits_in("{", "recipe")
    with pytest.raises(EngineError, match="is no recipe"):
        changes.edits_in("[]", "recipe")


# Traces


def trace(values, x=None, flag=None):
    n = len(values)
    x = np.arange(n, dtype=float) if x is None else x
    return Trace(("A", 1, 1), x, values, values + 1.0, np.zeros(n, np.uint16) if flag is None else flag,
                 np.arange(n), np.arange(n, dtype=float), np.stack([x, x], axis=1))  # fmt: skip


def test_trace_finds_readings_by_place():
    walked_back = trace(np.zeros(5), x=np.array([4.0, 3.0, np.nan, 1.0, 0.0]))
    assert walked_back.nearest(3.2) == 1
    assert walked_back.between(0.5, 3.5) == (1, 3)
    assert walked_back.between(1.2, 2.8) is None
    assert trace(np.zeros(2), x=np.full(2, np.nan)).nearest(1.0) is None
    np.testing.assert_array_equal(walked_back.values(DIFFERENCE), np.ones(5))


def test_nearest_line_on_the_map_is_the_one_a_look_at_every_reading_finds(survey_files):
    session = opened(survey_files)
    tables = [session.state(g).corrected for g in session.grids]
    for row in np.flatnonzero(tables[1].in_use)[[7, 150, 300]].tolist():
        x, y = tables[1].x[row] + 0.05, tables[1].y[row] - 0.04
        key, seq = nearest_recording(tables, x, y, 1.0)
        assert (key, seq) == (("B", int(tables[1].line[row]), 1), int(tables[1].seq[row]))
    assert nearest_recording(tables, x + 500, y, 1.0) is None


def test_neighbours_are_the_lines_on_both_sides(survey_files):
    session = opened(survey_files)
    runs = session.runs("A")
    beside = neighbours(session.state("A").corrected, runs, runs[4])
    assert sorted(run.line for run in beside) == [4, 6]
    assert [run.line for run in neighbours(session.state("A").corrected, runs, runs[0])] == [2]


# The profile viewer


@pytest.fixture
def view():
    widget = ProfileView()
    widget.resize(700, 300)
    values = np.array([3.0, 4.0, 6.0, 5.0, 4.0, 3.0, 2.0, 4.0, 8.0, 4.0])
    widget.show_content(ProfileContent((trace(values),), (), "cond", "mS/m", shows=frozenset((LOGGED, CORRECTED))))
    widget.show()
    yield widget
    widget.close()
    widget.deleteLater()


def pixel(view, index):
    frame = view.frames()[0]
    return QPoint(round(frame.x.px(float(view.content.traces[0].x[index]))), int(frame.box.center().y()))


def test_what_was_changed_stays_in_sight_when_the_grid_is_processed_again(view):
    shows = frozenset((CORRECTED, DIFFERENCE))
    before = trace(np.zeros(5))
    view.show_content(ProfileContent((before,), (), "cond", "mS/m", shows=shows))
    x = view.frames()[0].x
    after = replace(before, corrected=before.logged - 3.0)
    view.show_content(ProfileContent((after,), (), "cond", "mS/m", shows=shows), keep_view=True)
    main, change = view.frames()
    assert main.x == x
    assert change.box.top() < change.y.px(-3.0) < change.box.bottom()


def test_pointer_finds_the_reading_under_it(view):
    seen = []
    view.pointed.connect(seen.append)
    for index in (2, 7):
        hover(view, pixel(view, index))
    assert seen == [2, 7]


@pytest.mark.parametrize(("first", "last"), [(2, 5), (5, 2)])
def test_drag_chooses_the_readings_between_press_and_release(view, first, last):
    view.set_mode(CHOOSE)
    chosen = []
    view.range_chosen.connect(lambda *ends: chosen.append(ends))
    QTest.mousePress(view, LEFT, NONE, pixel(view, first) - QPoint(np.sign(last - first) * 8, 0))
    hover(view, pixel(view, last))
    QTest.mouseRelease(view, LEFT, NONE, pixel(view, last) + QPoint(np.sign(last - first) * 8, 0))
    assert chosen == [(2, 5)]


def test_click_between_two_readings_chooses_the_nearest(view):
    view.set_mode(CHOOSE)
    chosen = []
    view.range_chosen.connect(lambda *ends: chosen.append(ends))
    QTest.mouseClick(view, LEFT, NONE, pixel(view, 4) + QPoint(9, 0))
    assert chosen == [(4, 4)]


def test_dragging_moves_the_picture_and_chooses_nothing(view):
    chosen = []
    view.range_chosen.connect(lambda *ends: chosen.append(ends))
    before = pixel(view, 4)
    QTest.mousePress(view, LEFT, NONE, before)
    hover(view, before + QPoint(50, 0))
    QTest.mouseRelease(view, LEFT, NONE, before + QPoint(50, 0))
    assert pixel(view, 4).x() - before.x() == pytest.approx(50, abs=1)
    assert chosen == []


def test_wheel_zooms_about_the_pointer_and_everything_comes_back(view):
    at, far = pixel(view, 3), pixel(view, 4)
    event = QWheelEvent(
        QPointF(at), QPointF(view.mapToGlobal(at)), QPoint(), QPoint(0, 120), Qt.MouseButton.NoButton, NONE,
        Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QCoreApplication.sendEvent(view, event)
    assert pixel(view, 3).x() == pytest.approx(at.x(), abs=1)
    assert pixel(view, 4).x() - at.x() == pytest.approx(1.25 * (far.x() - at.x()), abs=2)
    view.fit()
    assert pixel(view, 4) == far


def test_keys_move_from_reading_to_reading_and_from_line_to_line(view):
    seen, lines = [], []
    view.pointed.connect(seen.append)
    view.line_wanted.connect(lines.append)
    for key in (Qt.Key.Key_Right, Qt.Key.Key_Right, Qt.Key.Key_Left, Qt.Key.Key_Up, Qt.Key.Key_Down):
        QTest.keyClick(view, key)
    assert seen == [0, 1, 0]
    assert lines == [1, -1]


def test_keys_choose_a_range(view):
    chosen, right, shift = [], Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier
    view.range_chosen.connect(lambda *ends: chosen.append(ends))
    view.point_at(3)
    QTest.keyClick(view, right, shift)
    QTest.keyClick(view, Qt.Key.Key_Space)
    assert chosen == []
    view.set_mode(CHOOSE)
    plain = view.grab().toImage()
    for _ in range(2):
        QTest.keyClick(view, right, shift)
    assert view.grab().toImage() != plain
    QTest.keyClick(view, Qt.Key.Key_Space)
    QTest.keyClick(view, right)
    QTest.keyClick(view, Qt.Key.Key_Space)
    assert chosen == [(4, 6), (7, 7)]


def test_legend_takes_a_second_row_before_it_is_cut(view):
    """Every entry ends inside the width, unless it stands alone in its row; none is left out."""
    metrics = QFontMetricsF(view.font())
    assert len(legend_rows(view.content, metrics, 2000)) == 1
    top = view.frames()[0].box.top()
    many = ProfileContent(tuple(view.content.traces) * 6, (), "cond", "mS/m")
    for width in (60, 150, 400):
        rows = legend_rows(many, metrics, width)
        assert [e for row in rows for _, e in row] == legend(many)
        for x, entry in (item for row in rows for item in row[1:]):
            assert x + metrics.horizontalAdvance(entry.text) < width
    view.show_content(many)
    view.resize(300, 300)
    assert view.frames()[0].box.top() > top


def test_readings_without_a_place_say_so_instead_of_an_empty_picture(view):
    view.show_content(ProfileContent((trace(np.zeros(3), x=np.full(3, np.nan)),), (), "cond", "mS/m"))
    assert view.hint() == "These readings have no place. Look at them over time."
    view.show_content(ProfileContent())
    assert view.hint() == "Choose a line to see its readings."
    view.grab()


def test_flagged_readings_are_drawn_and_can_be_read_on_both_themes(view):
    """A flag changes the picture; text and background are far apart in lightness on a dark palette too."""
    from qgis.PyQt.QtGui import QColor, QPalette
    from turnrow.plugin.profile.theme import look_of

    plain = view.grab().toImage()
    content = view.content
    flag = np.zeros(10, np.uint16)
    flag[4:6] = 1 << 2
    view.show_content(ProfileContent((trace(content.traces[0].logged, flag=flag),), (), "cond", "mS/m"), True)
    assert view.grab().toImage() != plain
    for paper, ink in (
        ("#ffffff", "#000000"),
        ("#202020", "#eeeeee"),
        ("#202020", "#000000"),
        ("#00000000", "#111111"),
    ):
        palette = QPalette()
        palette.setColor(QPalette.ColorRole.Base, QColor(paper))
        palette.setColor(QPalette.ColorRole.Text, QColor(ink))
        look = look_of(palette)
        assert look.paper.alpha() == 255
        for colour in (look.ink, look.warning, *look.lines):
            assert abs(colour.lightness() - look.paper.lightness()) > 60


# Background work


def test_work_reports_once_and_never_after_cancel():
    works, seen = Works(), []
    works.start("a", "", lambda progress: 5, seen.append, seen.append)
    until(lambda: seen)
    assert (seen, works.names) == ([5], ())

    def long(progress):
        for _ in range(2000):
            progress(0.0)
            time.sleep(0.005)

    works.start("b", "", long, seen.append, seen.append)
    until(lambda: works.names == ("b",))
    works.cancel()
    until(lambda: QgsApplication.taskManager().countActiveTasks() == 0)
    assert seen == [5]


def test_work_that_fails_tells_its_sentence():
    def fail(progress):
        raise EngineError("The log is empty.")

    works, done, failed = Works(), [], []
    works.start("a", "", fail, done.append, failed.append)
    until(lambda: failed)
    assert (done, failed) == ([], ["The log is empty."])


# The plugin in a window


@pytest.fixture(autouse=True)
def profile(tmp_path_factory, monkeypatch):
    """A profile of its own, where changes that no recipe keeps are written aside."""
    folder = tmp_path_factory.mktemp("profile")
    monkeypatch.setattr(QgsApplication, "qgisSettingsDirPath", lambda: str(folder))
    return folder


@pytest.fixture
def plugin(qgis_iface, qgis_new_project):
    from turnrow import classFactory

    made = classFactory(SimpleIface(qgis_iface))
    made.initGui()
    yield made
    made.unload()


class SimpleIface:
    """The window of the test run, with menus and docks that can be counted."""

    def __init__(self, iface):
        self._iface, self.menu, self.icons, self.docks = iface, [], [], []
        self.said, self.blockers = [], []

    def mainWindow(self):  # noqa: N802 (names fixed by QGIS from here on)
        return self._iface.mainWindow()

    def mapCanvas(self):  # noqa: N802
        return self._iface.mapCanvas()

    def messageBar(self):  # noqa: N802
        return SimpleNamespace(pushMessage=lambda *words: self.said.append(words[1]))

    def addPluginToMenu(self, menu, action):  # noqa: N802
        self.menu.append(action)

    def removePluginMenu(self, menu, action):  # noqa: N802
        self.menu.remove(action)

    def addToolBarIcon(self, action):  # noqa: N802
        self.icons.append(action)

    def removeToolBarIcon(self, action):  # noqa: N802
        self.icons.remove(action)

    def addToolBar(self, title):  # noqa: N802
        return self.mainWindow().addToolBar(title)

    def registerApplicationExitBlocker(self, blocker):  # noqa: N802
        self.blockers.append(blocker)

    def unregisterApplicationExitBlocker(self, blocker):  # noqa: N802
        self.blockers.remove(blocker)

    def addDockWidget(self, area, dock):  # noqa: N802
        self.docks.append(dock)

    def removeDockWidget(self, dock):  # noqa: N802
        self.docks.remove(dock)


@pytest.fixture
def bench(plugin, survey_files):
    plugin.action.trigger()
    plugin.workbench.desk.open_register(tables_of(survey_files))
    until(lambda: plugin.workbench.desk.session is not None)
    plugin.workbench.resize(1200, 400)
    return plugin.workbench


def idle(bench):
    until(lambda: not bench.desk.works.names)


def test_opening_shows_grids_lines_and_a_profile(bench):
    assert bench.objectName() == "TurnrowWorkbench"
    assert [bench.grids.topLevelItem(n).text(0) for n in range(bench.grids.topLevelItemCount())] == ["A", "B"]
    assert bench.grids.topLevelItem(0).text(1) == "■■■■ processed"
    assert bench.lines.topLevelItemCount() == 12
    assert bench.pane.profile.content.traces[0].key == ("A", 1, 1)
    for widget in (bench, bench.grids, bench.lines, bench.findings, bench.pane.profile, bench.pane.stacked):
        assert widget.accessibleName()
    for action in (*bench.buttons.values(), bench.pane.undo, *bench.pane.shows.values()):
        assert action.toolTip()


def test_narrow_list_keeps_the_word_of_the_state(bench):
    item, em = bench.grids.topLevelItem(0), bench.grids.fontMetrics().horizontalAdvance("m")
    for width, text in ((NARROW_EM - 2, "processed"), (NARROW_EM + 2, "■■■■ processed")):
        bench.grids.resize(width * em, 100)
        QCoreApplication.sendEvent(bench.grids.viewport(), QResizeEvent(bench.grids.size(), bench.grids.size()))
        assert item.text(1) == text


def test_findings_carry_the_mark_of_their_severity_as_a_picture(bench):
    """A theme that is a style sheet colours texts as it likes; every severity has its own shape and colour."""
    pictures = [mark_icon(s, dark).pixmap(16, 16).toImage() for s in SEVERITIES for dark in (False, True)]
    assert all(one != other for n, one in enumerate(pictures) for other in pictures[:n])


def test_dragging_in_the_window_flags_and_undo_lifts(bench):
    desk, profile = bench.desk, bench.pane.profile
    desk.choose_lines([("A", 4, 1)])
    profile.resize(700, 250)
    profile.set_mode(CHOOSE)
    frame, own = profile.frames()[0], profile.content.traces[0]
    ends = [QPoint(round(frame.x.px(float(own.x[n]))), 60) for n in (10, 15)]
    QTest.mousePress(profile, LEFT, NONE, ends[0])
    hover(profile, ends[1])
    QTest.mouseRelease(profile, LEFT, NONE, ends[1])
    idle(bench)
    flags = desk.session.edits.flags
    assert len(flags) == 1
    assert (flags[0].grid, flags[0].line, flags[0].flag) == ("A", 4, "void")
    table = desk.session.state("A").corrected
    chosen = (table.line == 4) & (table.seq >= flags[0].first_seq) & (table.seq <= flags[0].last_seq)
    assert set(table.seq[chosen]) >= {11, 12, 13, 14}
    assert table.has_flag("void")[chosen].all()
    shown = [la for la in QgsProject.instance().mapLayers().values() if isinstance(la, QgsRasterLayer)]
    assert [la.isValid() for la in shown] == [True]
    assert bench.pane.undo.toolTip() == "Undo: A, line 4: readings flagged void"
    bench.pane.undo.trigger()
    idle(bench)
    assert not desk.session.state("A").corrected.has_flag("void").any()
    assert not bench.pane.undo.isEnabled()
    assert bench.pane.redo.isEnabled()


def test_pointer_marks_the_place_on_the_map(bench):
    bench.desk.choose_lines([("B", 3, 1)])
    bench.link.canvas.setDestinationCrs(QgsCoordinateReferenceSystem(CRS))
    bench.pane.profile.point_at(20)
    place = bench.pane.profile.content.traces[0].place[20]
    marker = bench.link._marker
    assert marker.isVisible()
    assert (marker.center().x(), marker.center().y()) == pytest.approx(tuple(place), abs=1e-6)
    assert "B, line 3" in bench.pane.readout.text()
    bench.pane.profile.point_at(None)
    assert not marker.isVisible()


def on_map(bench, x, y):
    """Where a place in the survey's CRS is on the canvas."""
    pixel = bench.link.canvas.getCoordinateTransform().transform(QgsPointXY(x, y))
    return QPoint(round(pixel.x()), round(pixel.y()))


@pytest.fixture
def over_map(bench):
    """The map zoomed to a grid under a dock that is seen."""
    canvas = bench.link.canvas
    canvas.setDestinationCrs(QgsCoordinateReferenceSystem(CRS))
    canvas.resize(700, 500)
    bench.iface.mainWindow().show()
    bench.setVisible(True)
    bench.grids.chosen.emit("B")
    bench.buttons["pick"].trigger()
    return bench


def test_click_on_the_map_chooses_the_line(over_map):
    bench = over_map
    viewport = bench.link.canvas.viewport()
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 7)[25]
    QTest.mouseClick(viewport, LEFT, NONE, on_map(bench, table.x[row], table.y[row]))
    assert bench.desk.keys == [("B", 7, 1)]
    pointed = bench.pane.profile.content.traces[0].place[bench.pane.profile.pointer]
    assert np.hypot(*(pointed - (table.x[row], table.y[row]))) < 1 / RATE
    QTest.mouseClick(viewport, LEFT, NONE, QPoint(350, 3))
    assert bench.message.text() == "No line was walked there."


def test_line_under_the_pointer_is_shown_lightly_and_one_that_is_looked_at_in_the_profile(over_map):
    bench = over_map
    viewport = bench.link.canvas.viewport()
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 7)[25]
    bench.desk.choose_lines([("B", 3, 1)])
    hover(viewport, on_map(bench, table.x[row], table.y[row]), Qt.MouseButton.NoButton)
    until(lambda: bench.link._hover is not None)
    shown = bench.link._hover.asGeometry()
    assert shown.distance(QgsGeometry.fromPointXY(QgsPointXY(table.x[row], table.y[row]))) < 1e-6
    assert bench.pane.readout.text() == "B, line 7: click to see it."
    assert bench.desk.keys == [("B", 3, 1)]
    row = line_rows(table, 3)[12]
    hover(viewport, on_map(bench, table.x[row], table.y[row]), Qt.MouseButton.NoButton)
    until(lambda: bench.link._hover is None)
    assert bench.pane.profile.pointer is not None
    QCoreApplication.sendEvent(viewport, QEvent(QEvent.Type.Leave))
    until(lambda: bench.pane.profile.pointer is None)


@pytest.mark.parametrize("tool", [QgsMapToolPan, LinePicker])
def test_pointer_is_followed_with_tools_that_only_look(over_map, tool):
    bench = over_map
    canvas = bench.link.canvas
    made = tool(canvas)
    canvas.setMapTool(made)
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 9)[25]
    hover(canvas.viewport(), on_map(bench, table.x[row], table.y[row]), Qt.MouseButton.NoButton)
    until(lambda: bench.link._hover is not None)
    canvas.unsetMapTool(made)


def test_pointer_is_left_alone_while_another_tool_works_or_the_dock_is_hidden(over_map):
    bench = over_map
    canvas = bench.link.canvas
    seen = []
    bench.pointer.clicked.connect(seen.append)
    bench.pointer.hovered.connect(seen.append)
    other = CornersTool(canvas)
    canvas.setMapTool(other)
    table = bench.desk.session.state("B").corrected
    row = line_rows(table, 9)[25]
    place = on_map(bench, table.x[row], table.y[row])

    def use():
        hover(canvas.viewport(), place, Qt.MouseButton.NoButton)
        QTest.mouseClick(canvas.viewport(), LEFT, NONE, place)
        QTest.qWait(120)

    use()
    assert seen == []
    canvas.setMapTool(bench.picker)
    bench.hide()
    use()
    assert seen == []
    bench.show()
    use()
    assert len(seen) == 2
    other.leave()


def test_finding_leads_to_its_line(plugin, survey_files):
    survey_files.change(survey_files.notes, {"line": "1"}, line="9", kind="void")
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.desk.session is not None)
    finding = next(f for f in bench.desk.session.findings() if f.line == 9)
    bench.findings.chosen.emit(finding)
    assert bench.message.text() == finding.sentence()
    assert bench.desk.keys == [("A", 9, 1)]


def test_changes_kept_in_a_recipe_come_back(bench, survey_files):
    bench.desk.choose_lines([("A", 4, 1)])
    bench.desk.set_kind("void")
    idle(bench)
    path = survey_files.folder / "kept.json"
    bench.desk.save(path)
    assert not bench.desk.session.unsaved
    assert bench.parameters()["RECIPE"] == str(path)
    again = open_tables(tables_of(survey_files), path)
    assert again.edits == bench.desk.session.edits
    assert not [p for p in survey_files.folder.iterdir() if p.name.startswith(".part")]
    table = again.read().state("A").corrected
    assert table.has_flag("void")[table.line == 4].all()


def drag_over(bench, first, last):
    """Drag over readings of the line that is worked on, by their place in the trace."""
    profile = bench.pane.profile
    profile.resize(700, 250)
    profile.set_mode(CHOOSE)
    frame, own = profile.frames()[0], profile.content.traces[0]
    ends = [QPoint(round(frame.x.px(float(own.x[n]))), 60) for n in (first, last)]
    QTest.mousePress(profile, LEFT, NONE, ends[0])
    hover(profile, ends[1])
    QTest.mouseRelease(profile, LEFT, NONE, ends[1])
    idle(bench)


@pytest.mark.parametrize("turned", [False, True])
def test_dragged_obstacle_is_a_note_of_stations_and_survives_turning(bench, turned):
    """It stays on its ground: turned round afterwards, other readings of the line stand in its place."""
    desk = bench.desk
    desk.choose_lines([("A", 4, 1)])
    if turned:
        desk.turn()
        idle(bench)
    bench.pane.flag.setCurrentIndex(bench.pane.flag.findData("obstacle"))
    drag_over(bench, 10, 15)
    (note,) = [n for n in desk.session.edits.notes if n.kind == "obstacle"]
    assert desk.session.edits.flags == ()
    table = desk.session.state("A").corrected
    marked = np.flatnonzero(table.has_flag("obstacle"))
    assert set(table.line[marked]) == {4}
    assert set(table.seq[marked]) >= {11, 12, 13, 14}
    assert len(marked) <= 6
    ground = {round(v, 6) for v in table.v_m[marked]}
    assert bench.pane.undo.toolTip().startswith("Undo: A, line 4: obstacle from station")
    desk.turn()
    idle(bench)
    table = desk.session.state("A").corrected
    other = np.flatnonzero(table.has_flag("obstacle"))
    assert {round(v, 6) for v in table.v_m[other]} == ground
    assert set(table.seq[other]) != set(table.seq[marked])
    desk.undo()
    desk.undo()
    idle(bench)
    assert not desk.session.state("A").corrected.has_flag("obstacle").any()


def test_obstacle_over_readings_taken_into_use_counts_and_is_lifted_again(bench):
    desk = bench.desk
    desk.choose_lines([("A", 4, 1)])
    for word, expected in (("obstacle", 5), (None, 0), ("obstacle", 5), ("void", 0)):
        desk.flag(10, 14, word)
        idle(bench)
        assert desk.session.state("A").corrected.has_flag("obstacle").sum() == expected


def test_line_is_moved_through_its_menu(bench, monkeypatch):
    desk, asked = bench.desk, []
    desk.choose_lines([("A", 4, 1)])

    def answer(parent, title, label, now, *limits):
        asked.append((title, label, now))
        return 2.1, True

    monkeypatch.setattr(QInputDialog, "getDouble", answer)
    actions = {action.text(): action for action in bench.pane.line_menu.actions()}
    actions["Lies at ..."].trigger()
    idle(bench)
    assert asked == [("A, line 4", "Position along the baseline, u (m):", pytest.approx(3.5 * SPACING))]
    table = desk.session.state("A").corrected
    np.testing.assert_allclose(table.u_m[line_rows(table, 4)], 2.1, atol=1e-9)
    assert desk.position_m() == 2.1
    assert bench.pane.undo.toolTip() == "Undo: A, line 4: at 2.1 m"
    path = desk.survey.tables.log_folder / "kept.json"
    desk.save(path)
    assert open_tables(desk.survey.tables, path).edits.notes[0].position_m == 2.1


def test_menu_of_the_profile_has_everything_a_hand_can_do(bench, monkeypatch):
    shown = []
    monkeypatch.setattr(QMenu, "exec", lambda self, at: shown.append([a.text() for a in self.actions() if a.text()]))
    bench.pane.profile.customContextMenuRequested.emit(QPoint(20, 20))
    bench.lines.customContextMenuRequested.emit(QPoint(5, 5))
    line = ["Void", "In use", "Walked the other way", "Starts at station ...", "Lies at ...", "As noted"]
    assert shown == [["Move", "Flag", "Unflag", "Flag as", *line, "Undo", "Redo"], line]


# Changes that are not kept yet


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


def test_changes_that_cannot_be_read_again_are_told(bench, survey_files, asked):
    void_line(bench)
    recovery.path_for(survey_files.register).write_text("{")
    bench.desk.close()
    bench.desk.open_register(tables_of(survey_files))
    until(lambda: bench.iface.said)
    assert "cannot be read as JSON" in bench.iface.said[0]
    assert recovery.path_for(survey_files.register).is_file()


def test_several_lines_and_a_picture_of_the_grid(bench, tmp_path):
    bench.desk.choose_lines([("A", 4, 1), ("A", 5, 1)])
    assert [t.key[1] for t in bench.pane.profile.content.traces] == [4, 5]
    assert sorted(t.key[1] for t in bench.pane.profile.content.behind) == [3]
    content = bench.desk.stacked()
    assert len(content.traces) == 12
    np.testing.assert_allclose(content.u_m, (np.arange(12) + 0.5) * SPACING)
    path = tmp_path / "lines.png"
    assert bench.pane.stacked.picture().save(str(path))
    assert path.stat().st_size > 10_000


def test_folder_that_is_no_processed_survey_is_told(plugin, tmp_path):
    plugin.action.trigger()
    plugin.workbench.desk.open_folder(tmp_path)
    assert "holds no recipe.json" in plugin.workbench.message.text()
    assert "holds no recipe.json" in plugin.iface.said[0]


def test_processed_folder_finds_its_inputs_and_loads_its_maps(plugin, survey_files):
    from qgis import processing

    processing.run("turnrow:processregister", survey_files.parameters())
    found = find_tables(survey_files.output)
    assert (found.register, found.corners, found.notes) == (
        survey_files.register, survey_files.corners, survey_files.notes,
    )  # fmt: skip
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_folder(survey_files.output)
    until(lambda: bench.desk.session is not None)
    assert not [f for f in bench.desk.session.findings() if f.code == "input-changed"]
    names = {layer.name() for layer in QgsProject.instance().mapLayers().values()}
    assert {"cond", "Grids", "Findings"} <= names
    given = bench.parameters()
    assert (given["OUTPUT_FOLDER"], given["RECIPE"]) == (
        str(survey_files.output), str(survey_files.output / "recipe.json"),
    )  # fmt: skip


def test_changed_input_of_a_processed_folder_is_a_finding(plugin, survey_files):
    from qgis import processing

    processing.run("turnrow:processregister", survey_files.parameters())
    survey_files.write_log("A", 0.0, shift=1.0)
    session = open_tables(find_tables(survey_files.output), survey_files.output / "recipe.json").read()
    assert ["A.csv" in f.found for f in session.findings() if f.code == "input-changed"] == [True]


def test_inputs_that_were_moved_are_told(plugin, survey_files, tmp_path_factory):
    from qgis import processing

    processing.run("turnrow:processregister", survey_files.parameters())
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "out"
    survey_files.output.rename(elsewhere)
    with pytest.raises(EngineError, match="are not found in that folder or above it"):
        find_tables(elsewhere)


def test_unload_leaves_nothing_and_the_plugin_loads_again(qgis_iface, qgis_new_project, survey_files):
    from turnrow import classFactory

    iface = SimpleIface(qgis_iface)
    scene = iface.mapCanvas().scene()
    before, tool = len(scene.items()), iface.mapCanvas().mapTool()
    providers = {p.id() for p in QgsApplication.processingRegistry().providers()}
    for _ in range(2):
        plugin = classFactory(iface)
        plugin.initGui()
        assert (len(iface.menu), len(iface.icons)) == (1 + len(plugin.tools.actions), 1)
        plugin.action.trigger()
        bench = plugin.workbench
        bench.desk.open_register(tables_of(survey_files))
        until(lambda bench=bench: bench.desk.session is not None)
        bench.pane.profile.point_at(5)
        bench.buttons["pick"].trigger()
        bench.desk.set_kind("void")
        idle(bench)
        folder = bench.link._folder
        assert folder.is_dir()
        bench.desk.turn()
        plugin.unload()
        del plugin, bench
        gc.collect()
        QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
        until(lambda: QgsApplication.taskManager().countActiveTasks() == 0)
        assert (iface.menu, iface.icons, iface.docks, iface.blockers) == ([], [], [], [])
        assert iface.mainWindow().findChild(QDockWidget, "TurnrowWorkbench") is None
        assert len(scene.items()) == before
        assert iface.mapCanvas().mapTool() is tool
        assert not folder.exists()
        assert QgsProject.instance().mapLayers() == {}
        assert {p.id() for p in QgsApplication.processingRegistry().providers()} == providers


def test_action_follows_the_dock(plugin):
    plugin.iface.mainWindow().show()
    plugin.action.trigger()
    assert plugin.action.isChecked()
    assert plugin.workbench.isVisible()
    plugin.workbench.close()
    assert not plugin.action.isChecked()


def test_start_of_the_plugin_imports_no_engine_and_no_numpy():
    code = (
        "import sys, importlib.util as u, qgis.core, qgis.PyQt.QtWidgets;"
        "before = set(sys.modules);"  # newer releases of QGIS import numpy themselves
        f"r = {str(ROOT)!r};"
        "s = u.spec_from_file_location('turnrow', r + '/__init__.py', submodule_search_locations=[r]);"
        "m = u.module_from_spec(s); sys.modules['turnrow'] = m; s.loader.exec_module(m);"
        "m.classFactory(None);"
        "new = set(sys.modules) - before;"
        "print([n for n in new if n in ('numpy', 'scipy', 'osgeo') or '.engine' in n or '.bridge' in n])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"
