"""What the workbench shows."""

import numpy as np
import pytest
from qgis.PyQt.QtCore import QCoreApplication
from qgis.PyQt.QtGui import QResizeEvent
from turnrow.plugin.workbench.lists import NARROW_EM, mark_icon
from turnrow.processing_provider.engine.core.findings import SEVERITIES

from ...conftest import SPACING
from ..conftest import tables_of, until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


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
