"""The profile viewer, by mouse and keys."""

from dataclasses import replace

import numpy as np
import pytest
from qgis.PyQt.QtCore import QCoreApplication, QPoint, QPointF, Qt
from qgis.PyQt.QtGui import QFontMetricsF, QWheelEvent
from qgis.PyQt.QtTest import QTest
from turnrow.plugin.profile.profile_painter import ProfileContent, legend, legend_rows
from turnrow.plugin.profile.profile_view import CHOOSE, ProfileView
from turnrow.plugin.profile.traces import CORRECTED, DIFFERENCE, LOGGED

from ..conftest import LEFT, NONE, hover
from .conftest import trace

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


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
