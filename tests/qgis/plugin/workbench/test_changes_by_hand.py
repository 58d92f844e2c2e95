"""Changes by hand in the workbench: flags, obstacles, moved lines."""

import numpy as np
import pytest
from qgis.core import QgsProject, QgsRasterLayer
from qgis.PyQt.QtCore import QPoint
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QInputDialog, QMenu
from turnrow.plugin.profile.profile_view import CHOOSE
from turnrow.plugin.workbench.opening import open_tables

from ...conftest import SPACING
from ..conftest import LEFT, NONE, hover, idle, line_rows, tables_of

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


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
    """Drag over readings of the line that is worked on, by their index in the trace."""
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
