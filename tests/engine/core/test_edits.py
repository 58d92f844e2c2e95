"""Changes by hand: notes in the place of others, flags set and lifted."""

import json

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.edits import (
    Edits,
    FlagEdit,
    edited_notes,
    edits_as_json,
    flag_by_hand,
    parse_edits,
)
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.notes import UNREADABLE, Note
from turnrow.processing_provider.engine.core.readings import Readings


@pytest.fixture
def table():
    return Readings.build(np.repeat([1, 2], 10), {"eca": np.arange(20.0)}, grids=("A",))


def flags(readings):
    return readings.to_columns()["flag"].tolist()


def test_a_stretch_is_flagged_and_nothing_else(table):
    edited = flag_by_hand(table, [FlagEdit("A", 2, 1, 3, 5, "outlier")])
    assert [i for i, word in enumerate(flags(edited)) if word] == [13, 14, 15]
    assert not table.flag.any()


def test_a_later_edit_lifts_what_an_earlier_one_set(table):
    edits = [FlagEdit("A", 1, 1, 0, 9, "void"), FlagEdit("A", 1, 1, 4, 4, on=False)]
    assert flags(flag_by_hand(table, edits))[:6] == ["void"] * 4 + ["", "void"]


def test_overrun_is_not_lifted_by_hand(table):
    table = table.with_flag("overrun", np.array([0])).with_flag("outlier", np.array([0, 1]))
    assert flags(flag_by_hand(table, [FlagEdit("A", 1, 1, 0, 9, on=False)]))[:2] == ["overrun", ""]


def test_edits_of_other_grids_change_nothing(table):
    np.testing.assert_array_equal(flag_by_hand(table, [FlagEdit("B", 1, 1, 0, 9)]).flag, table.flag)


def test_a_note_by_hand_takes_the_place_of_the_one_in_the_book():
    book = [Note("A", 1, heading=1), Note("A", 2), Note("A", 2, kind="obstacle", start_station=3, stop_station=5)]
    edits = Edits().with_note(Note("A", 2, kind="void")).with_note(Note("A", 2, heading=-1))
    assert edited_notes(book, edits) == [Note("A", 2, heading=-1), book[0], book[2]]


def test_obstacles_stand_beside_other_notes_and_none_comes_twice():
    obstacle = Note("A", 2, kind="obstacle", start_station=3, stop_station=5)
    edits = Edits().with_note(Note("A", 2, kind="void")).with_note(obstacle)
    assert edits.with_note(obstacle) == edits
    other = Note("A", 2, kind="obstacle", start_station=9, stop_station=9)
    assert edits.with_note(other).notes == (*edits.notes, other)


def test_flags_of_a_stretch_are_cut_out_of_longer_ones():
    edit = FlagEdit("A", 1, 1, 2, 9, "outlier")
    others = (FlagEdit("A", 1, 2, 2, 9), FlagEdit("A", 1, 1, 20, 22), FlagEdit("B", 1, 1, 2, 9))
    left = Edits((), (edit, *others)).without_flags("A", 1, 1, 4, 6).flags
    assert left == (FlagEdit("A", 1, 1, 2, 3, "outlier"), FlagEdit("A", 1, 1, 7, 9, "outlier"), *others)
    assert Edits((), (edit,)).without_flags("A", 1, 1, 0, 12).flags == ()


@pytest.mark.parametrize("field", ["start_station", "stop_station", "position_m"])
def test_zero_is_a_station_and_a_position(field):
    """A line on the very edge lies at 0 m; left out of the recipe it would lie where the scheme has it."""
    edits = Edits((Note("A", 4, **{field: 0.0}),))
    assert parse_edits(json.loads(json.dumps(edits_as_json(edits)))) == edits


def test_edits_come_back_from_a_recipe():
    edits = Edits((Note("A", 4, kind="void", comment="fell"),), (FlagEdit("A", 1, 2, 3, 5, "outlier", False),))
    assert parse_edits(json.loads(json.dumps(edits_as_json(edits)))) == edits
    assert parse_edits(None) == Edits()
    assert not Edits()


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (["x"], "lists of notes and flags"),
        ({"marks": []}, "lists of notes and flags"),
        ({"flags": [{"grid": "A", "line": 1}]}, "lacks a field"),
        ({"flags": [{"grid": "A", "odd": 1}]}, "odd is not known"),
        ({"flags": ["A"]}, "'A' is not known"),
        ({"notes": [{"grid": "A", "line": 1, "kind": "odd"}]}, "'odd' was given. It must be one of: survey, redo"),
        ({"flags": [{"grid": "A", "line": 1, "run": 1, "first_seq": 0, "last_seq": 1, "flag": "overrun"}]},
         "'overrun' was given. It must be one of: void, obstacle, outlier"),
    ],
)  # fmt: skip
def test_what_is_no_edit_fails_with_a_sentence(given, sentence):
    with pytest.raises(EngineError, match=sentence):
        parse_edits(given)


def test_who_says_by_hand_how_a_line_is_settles_a_row_that_cannot_be_read():
    rows = [Note("A", 3, kind=UNREADABLE), Note("A", 4, kind=UNREADABLE), Note("", 3, kind=UNREADABLE)]
    by_hand = Note("A", 3, run=1)
    assert edited_notes(rows, Edits((by_hand,))) == [by_hand, rows[1]]
