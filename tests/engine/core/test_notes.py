"""Field notes: table rows become notes, and what cannot be read says where it stands."""

import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.notes import (
    KINDS,
    UNREADABLE,
    Note,
    notes_for,
    notes_of_book,
    parse_notes,
    usable_notes,
)


def one(**row):
    return parse_notes([{"grid": "A", "line": "7", **row}])[0]


def test_a_full_row():
    row = {
        "grid": " A ",
        "line": "7",
        "run": "2",
        "start_station": "-3",
        "stop_station": "84.5",
        "position_m": "3.25",
        "heading": "back",
        "kind": "redo",
        "comment": " stumbled ",
    }
    assert parse_notes([row], where="notes.csv") == [
        Note("A", 7, 2, -3.0, 84.5, 3.25, -1, "redo", "stumbled", "notes.csv, row 2")
    ]


def test_missing_and_empty_columns_are_not_noted():
    bare = Note("A", 7, where="notes, row 2")
    assert one() == bare
    assert one(run="", start_station=None, stop_station=" ", position_m="NULL", heading="", kind=None) == bare


def test_numbers_of_a_table_layer_and_texts_read_alike():
    assert one(line=7, run=1, start_station=-3, position_m=3.25) == one(run="1", start_station="-3", position_m="3.25")
    assert one(line=7.0).line == 7


def test_a_decimal_comma_is_understood():
    assert one(position_m="3,25").position_m == 3.25


def test_zero_is_a_value():
    note = one(line=0, start_station=0, stop_station="0", position_m=0.0)
    assert (note.line, note.start_station, note.stop_station, note.position_m) == (0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(("text", "heading"), [("out", 1), ("Back", -1), (" OUT ", 1), ("", 0), (None, 0)])
def test_headings(text, heading):
    assert one(heading=text).heading == heading


@pytest.mark.parametrize("kind", KINDS)
def test_kinds_in_any_case(kind):
    assert one(kind=f" {kind.upper()} ").kind == kind


def test_a_reset_is_before_its_line_or_at_a_station_of_it():
    before, within = one(kind="reset"), one(kind="Reset", start_station="40", run="2")
    assert (before.line, before.run, before.start_station) == (7, None, None)
    assert (within.line, within.run, within.start_station) == (7, 2, 40.0)
    assert not before.of_recording
    with pytest.raises(EngineError, match="No line number in notes, row 2. Every note but an obstacle needs the line"):
        one(kind="reset", line="")


def test_every_kind_but_what_stood_or_happened_on_the_line_is_of_a_recording():
    assert [kind for kind in KINDS if not Note("A", 1, kind=kind).of_recording] == ["obstacle", "reset"]


def test_an_obstacle_needs_no_line():
    note = parse_notes([{"grid": "A", "kind": "obstacle", "start_station": 40, "stop_station": 48}])[0]
    assert (note.line, note.start_station, note.stop_station) == (None, 40.0, 48.0)


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ({"line": "seven"}, "Invalid line in notes.csv, row 3: 'seven' was given. It must be a number or empty."),
        ({"run": "b"}, "Invalid run in notes.csv, row 3: 'b' was given. It must be a number or empty."),
        ({"start_station": "1-80"}, "Invalid start_station in notes.csv, row 3: '1-80' was given."),
        ({"stop_station": "end"}, "Invalid stop_station in notes.csv, row 3: 'end' was given."),
        ({"position_m": "3.25 m"}, "Invalid position_m in notes.csv, row 3: '3.25 m' was given."),
        (
            {"heading": "north"},
            "Invalid heading in notes.csv, row 3: 'north' was given. It must be out, back or empty.",
        ),
        ({"kind": "again"}, "Invalid kind in notes.csv, row 3: 'again' was given. It must be one of: survey, redo,"),
        ({"line": ""}, "No line number in notes.csv, row 3. Every note but an obstacle needs the line"),
        ({"line": "7.5"}, "Invalid line in notes.csv, row 3: '7.5' was given. It must be a whole number or empty."),
        ({"run": "1.5"}, "Invalid run in notes.csv, row 3: '1.5' was given. It must be a whole number or empty."),
        ({"line": "nan"}, "Invalid line in notes.csv, row 3: 'nan' was given. It must be a number or empty."),
        ({"start_station": "inf"}, "Invalid start_station in notes.csv, row 3: 'inf' was given."),
    ],
)
def test_bad_values_say_what_and_where(row, sentence):
    good = {"grid": "A", "line": "6"}
    with pytest.raises(EngineError) as error:
        parse_notes([good, {"grid": "A", "line": "7", **row}], where="notes.csv")
    assert str(error.value).startswith(sentence)


def test_all_bad_rows_are_named_at_once_and_the_good_ones_are_used():
    rows = [{"grid": "A", "line": "x"}, {"grid": "A", "line": "5"}, {"grid": "B", "line": "6", "run": "?"},
            {"grid": "A", "line": "7", "kind": "again"}]  # fmt: skip
    with pytest.raises(EngineError, match=r"notes, row 2: .*notes, row 4: .*notes, row 5: "):
        parse_notes(rows)
    notes, findings = usable_notes(rows)
    assert [note.line for note in notes] == [5]
    assert [(f.code, f.grid, f.action) for f in findings] == [("note-unreadable", g, "ask") for g in "AB"]
    assert "row 2" in findings[0].found
    assert "row 5" in findings[0].found


def test_a_row_that_may_be_a_void_or_redo_stands_for_its_line():
    rows = [
        {"grid": "A", "line": "7", "kind": "viod"},
        {"grid": "A", "line": "8", "kind": "redo", "run": "second"},
        {"grid": "A", "line": "9", "kind": "void", "run": "2", "heading": "north"},
        {"grid": "A", "line": "10", "kind": "survey", "heading": "north"},
        {"grid": "A", "line": "11", "kind": "", "position_m": "left"},
        {"grid": "A", "line": "12", "kind": "obstacle", "start_station": "tree"},
        {"grid": "A", "line": "l3", "kind": "void"},
        {"grid": "A", "line": "14", "kind": "reset", "start_station": "half"},
        {"grid": "A", "line": "15", "kind": "void"},
    ]
    notes, findings = notes_of_book(rows)
    assert (notes[:1], findings) == usable_notes(rows)
    lines = notes[1:]
    assert [(n.line, n.run) for n in lines] == [(7, None), (8, None), (9, 2), (14, None)]
    assert {n.kind for n in lines} == {UNREADABLE}
    assert lines[0].where == "notes, row 2"
    (finding,) = findings
    assert "Lines 7, 8, 9, 14 are left out of the maps until then" in finding.advice
    assert "Which line notes, row 8 is about is not known" in finding.advice


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (
            {"line": "1e15"},
            "Invalid line in notes, row 2: 1e+15 was given. It must be -1,000,000,000 to 1,000,000,000.",
        ),
        ({"position_m": "6000100"}, "Invalid position_m in notes, row 2: 6.0001e+06 was given"),
        ({"run": "0"}, "Invalid run in notes, row 2: 0 was given"),
        ({"start_station": 1e300}, "Invalid start_station in notes, row 2"),
        ({"line": "9" * 400}, "Invalid line in notes, row 2: '99999"),
        ({"line": "\u00bd"}, "Invalid line in notes, row 2: '\u00bd' was given"),
        ({"kind": "x" * 5000}, "Invalid kind in notes, row 2: 'xxx"),
    ],
)
def test_numbers_beyond_what_can_be_are_refused(row, sentence):
    with pytest.raises(EngineError) as error:
        one(**row)
    assert str(error.value).startswith(sentence)
    assert len(str(error.value)) < 200


def test_letters_without_a_form_in_utf8_are_replaced():
    note = one(grid="A\x00", comment="\ud800 wet")
    assert (note.grid, note.comment) == ("A_", "_ wet")


def test_notes_of_a_grid_and_those_without_one():
    notes = [Note("A", 1), Note("B", 1), Note("", 2)]
    assert notes_for(notes, "A") == [notes[0], notes[2]]
    assert notes_for(notes, "B") == [notes[1], notes[2]]
    assert notes_for(notes, "C") == [notes[2]]


def test_no_rows_are_no_notes():
    assert parse_notes([]) == []


def test_blank_rows_are_no_notes_and_count_as_rows():
    rows = [
        {"grid": "A", "line": 1},
        {"grid": " ", "line": None, "kind": "", "comment": "NULL"},
        {"grid": "A", "line": 2},
    ]
    assert [(note.line, note.where) for note in parse_notes(rows)] == [(1, "notes, row 2"), (2, "notes, row 4")]
