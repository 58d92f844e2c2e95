"""An open survey without windows: what is changed by hand equals what the notes would have said."""

import numpy as np
import pytest
from turnrow.plugin.workbench.opening import open_tables
from turnrow.processing_provider.engine.core.edits import Edits
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.workflow import edit_commands as changes
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.recipe import default_recipe, recipe_text

from ...conftest import LENGTH, RATE
from ..conftest import line_rows, opened, tables_of
from .conftest import changed, note

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


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


def test_survey_without_any_grid_reports_why(survey_files):
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


@pytest.mark.parametrize("other", ["COND", "Cond"])
def test_a_grid_whose_channel_got_another_name_is_processed_again_under_it(survey_files, other):
    """Fields of a GeoPackage do not differ by capitals only (SQLite, Database File Format)."""
    for grid, name in (("A", "cond"), ("B", other)):
        log = survey_files.folder / f"{grid}.csv"
        log.write_text(log.read_text("utf-8").replace(",cond", f",{name}", 1), "utf-8")
    session = opened(survey_files)
    names = {grid: next(iter(session.state(grid).result.names.values()), "") for grid in "AB"}
    renamed = {f.grid for f in session.findings() if f.code == "channel-renamed"}
    assert len(renamed) == 1
    for grid in "AB":
        (channel,) = [c for c in session.channels if np.isfinite(session.state(grid).placed.channels[c]).any()]
        assert (channel in names.values()) == (grid in renamed)
        before = session.state(grid).corrected.channels[channel]
        # By notes the log is read again, by flags it is not.
        changed(session, changes.with_kind(session.edits, note(session, (grid, 5, 1)), "void"), channel)
        assert np.isfinite(session.state(grid).raster.values).any()
        changed(session, changes.flagged(session.edits, (grid, 4, 1), (3, 5), "outlier"), channel)
        state = session.state(grid)
        assert state.channel == channel
        assert np.isfinite(state.raster.values).any()
        assert np.array_equal(np.isfinite(state.corrected.channels[channel]), np.isfinite(before))
        findings = [f for f in session.findings(grid) if f.code == "channel-renamed"]
        assert len(findings) == (grid in renamed)
