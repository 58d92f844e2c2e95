"""Undo and redo, changes taken back and kept in a recipe."""

import json

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.edits import Edits
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError
from turnrow.processing_provider.engine.workflow import edit_commands as changes
from turnrow.processing_provider.engine.workflow.undo_history import History

from ..conftest import line_rows, opened
from .conftest import changed, note

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


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
