"""The register: defaults, and sentences for rows that cannot be used."""

import re

import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.register import parse_register, register_with_layout, registered_name

ROW = {"grid": "A", "log": "a.csv; b.csv", "length_m": "20", "width_m": "10,5", "spacing_m": 0.5, "readings_per_m": 8}


def test_defaults_and_decimal_commas():
    (entry,), problems = parse_register([ROW])
    assert problems == {}
    assert entry.logs == ("a.csv", "b.csv")
    scheme = entry.scheme
    assert (scheme.width_m, scheme.first_offset_m, scheme.first_line, scheme.line_step) == (10.5, 0.25, 1, 1)
    assert (scheme.pattern, scheme.first_heading, scheme.pace, scheme.first_station) == ("alternate", "out", "rate", 1)


def test_given_values_override_defaults():
    row = {**ROW, "first_offset_m": 0, "line_step": "2", "pattern": "One-way", "pace": "marks"}
    scheme = parse_register([row])[0][0].scheme
    assert (scheme.first_offset_m, scheme.line_step, scheme.pattern, scheme.pace) == (0, 2, "one-way", "marks")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"length_m": None}, "No length_m in register, row 3"),
        ({"length_m": "long"}, "Invalid length_m in register, row 3: 'long'"),
        ({"spacing_m": -1}, "Invalid spacing_m of grid B: -1 was given"),
        ({"pattern": "spiral"}, "Invalid pattern of grid B: 'spiral'.*alternate, one-way"),
        ({"line_step": 1.5}, "Invalid line_step in register, row 3: 1.5"),
        ({"line_step": 0}, "Invalid line_step of grid B: 0 was given"),
        ({"log": ""}, "No log in register, row 3"),
    ],
)
def test_a_bad_row_is_explained_and_the_others_go_on(change, sentence):
    entries, problems = parse_register([ROW, {**ROW, "grid": "B", **change}])
    assert [e.scheme.grid for e in entries] == ["A"]
    assert list(problems) == ["B"]
    assert re.search(sentence, problems["B"])


def test_two_grids_of_one_name_are_both_named():
    entries, problems = parse_register([ROW, ROW])
    assert entries == []
    assert "Grid A stands more than once: register, row 2 and register, row 3" in problems["A"]


def test_a_row_without_a_name_is_named_by_its_number():
    assert "There is no grid name in register, row 2" in parse_register([{**ROW, "grid": ""}])[1]["register, row 2"]


def test_a_table_that_is_no_register():
    with pytest.raises(EngineError, match="has no column log, length_m"):
        parse_register([{"grid": "A"}])


def test_an_empty_register():
    with pytest.raises(EngineError, match="is empty"):
        parse_register([])


REGISTER = 'grid;log;comment\r\nA;"a.csv; b.csv";"dry, by hand"\r\nB;b.csv;\r\n'


def test_layout_is_written_into_a_new_column():
    changed = register_with_layout(REGISTER, "B", "layouts/b.json")
    assert changed == (
        'grid;log;comment;layout\r\nA;"a.csv; b.csv";dry, by hand;\r\nB;b.csv;;layouts/b.json\r\n'
    )  # fmt: skip


def test_rows_of_other_grids_stay_to_the_letter():
    with_column = 'Grid, Layout ,"log"\nA,old.json,"a.csv"\nB,,b.csv\n\nC,"c, d.json",c.csv'
    changed = register_with_layout(with_column, "B", "b, c.json")
    assert changed == with_column.replace("B,,b.csv", 'B,"b, c.json",b.csv')


def test_signs_that_end_no_row_of_a_table_end_none_here():
    """U+0085 is the three points of Windows read as Latin-1; Python's splitlines takes it for the end of a row."""
    text = "grid,log,comment\r\nA,a.csv,dry\x85\r\n"
    assert register_with_layout(text, "A", "a.json") == (
        "grid,log,comment,layout\r\nA,a.csv,dry\x85,a.json\r\n"
    )  # fmt: skip


def test_register_that_cannot_be_changed_says_what_to_do():
    with pytest.raises(EngineError, match=r"no row for grid C. Add it"):
        register_with_layout(REGISTER, "C", "c.json")
    with pytest.raises(EngineError, match=r"Write c.json into its column layout for grid C yourself"):
        register_with_layout("name,log\nC,c.csv\n", "C", "c.json")
    with pytest.raises(EngineError, match="rows over several lines"):
        register_with_layout('grid,comment\nC,"one\ntwo"\n', "C", "c.json")


def test_a_value_that_no_grid_can_have_is_named_with_its_row():
    _, problems = parse_register([ROW, {**ROW, "grid": "B", "spacing_m": -1}])
    assert "-1 was given" in problems["B"]
    assert problems["B"].endswith("It stands in register, row 3.")


def test_blank_rows_are_no_grids():
    entries, problems = parse_register([ROW, dict.fromkeys(ROW, ""), {**ROW, "grid": "B"}])
    assert [entry.where for entry in entries] == ["register, row 2", "register, row 4"]
    assert problems == {}


@pytest.mark.parametrize(
    ("name", "names", "called"),
    [("a", ["A", "B"], "A"), ("plot  a", ["Plot A"], "Plot A"), ("plota", ["Plot A"], "Plot A"), ("a", ["a", "A"], "a"),
     ("a", ["A", "A "], "a"), ("C", ["A", "B"], "C"), ("", ["A"], "")],
)  # fmt: skip
def test_a_name_is_the_registers_where_only_capitals_and_blanks_differ(name, names, called):
    assert registered_name(name, names) == called
