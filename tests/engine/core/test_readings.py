"""The table of readings: what goes in comes out, and nothing given is changed."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate, flag_bits, flag_words


@pytest.fixture
def table():
    line = np.array([1, 1, 1, 2, 2, 1])
    return Readings.build(
        line,
        {"eca": np.arange(6.0)},
        grids=("B", "A"),
        grid=[0, 0, 0, 0, 0, 1],
        sources=("b.csv", "a.csv"),
        source=[0, 0, 0, 0, 0, 1],
        units={"eca": "mS/m"},
    )


def test_sequence_counts_within_a_recording(table):
    assert table.seq.tolist() == [0, 1, 2, 0, 1, 0]


def test_runs_come_in_the_order_of_the_log(table):
    assert [(r.grid, r.line, r.run, r.rows.tolist()) for r in table.runs()] == [
        ("B", 1, 1, [0, 1, 2]),
        ("B", 2, 1, [3, 4]),
        ("A", 1, 1, [5]),
    ]


def test_columns_and_back(table):
    table = table.with_flag("overrun", np.array([0])).with_flag("dummy", np.array([0, 4]))
    again = Readings.from_columns(table.to_columns(), ["eca"], units=table.units)
    assert again.grids == table.grids
    assert again.sources == table.sources
    for name in ("grid", "source", "line", "run", "seq", "row", "flag"):
        np.testing.assert_array_equal(getattr(again, name), getattr(table, name))
    np.testing.assert_array_equal(again.channels["eca"], table.channels["eca"])


def test_kinds_are_words_in_the_table_and_come_back(table):
    table = table.replace(kind=np.array([0, 0, 0, 1, 1, 2], np.int8))
    columns = table.to_columns()
    assert columns["kind"].tolist() == ["survey", "survey", "survey", "tie", "tie", "base"]
    np.testing.assert_array_equal(Readings.from_columns(columns, ["eca"]).kind, table.kind)


def test_a_table_without_kinds_is_all_survey(table):
    columns = {name: values for name, values in table.to_columns().items() if name != "kind"}
    assert not Readings.from_columns(columns, ["eca"]).kind.any()


def test_unknown_kind_fails_with_the_allowed_words(table):
    columns = {**table.to_columns(), "kind": np.array(["survey"] * 5 + ["odd"], object)}
    with pytest.raises(EngineError, match="'odd' was given.*survey, tie, base"):
        Readings.from_columns(columns, ["eca"])


def test_flags_are_words_joined_by_semicolons():
    bits = flag_bits(["", "overrun;outlier", None])
    assert flag_words(bits).tolist() == ["", "overrun;outlier", ""]


def test_unknown_flag_fails_with_the_allowed_words():
    with pytest.raises(EngineError, match="'odd' was given.*overrun"):
        flag_bits(["odd"])


def test_values_as_logged_are_kept_at_the_first_correction_only(table):
    once = table.with_channel("eca", table.channels["eca"] + 1)
    twice = once.with_channel("eca", once.channels["eca"] + 1)
    np.testing.assert_array_equal(twice.raw["eca"], np.arange(6.0))
    np.testing.assert_array_equal(table.channels["eca"], np.arange(6.0))
    assert table.raw == {}


def test_joining_fills_a_missing_channel_with_nan_and_keeps_names(table):
    other = Readings.build([7], {"inphase": [0.5]}, grids=("A",), sources=("c.csv",))
    both = concatenate([table, other])
    assert both.grids == ("B", "A")
    assert both.grid.tolist() == [0, 0, 0, 0, 0, 1, 1]
    assert np.isnan(both.channels["inphase"][:6]).all()
    assert both.channels["inphase"][6] == 0.5


def test_joining_corrected_and_uncorrected_keeps_every_logged_value(table):
    corrected = table.with_channel("eca", table.channels["eca"] + 5)
    both = concatenate([corrected, table])
    np.testing.assert_array_equal(both.raw["eca"], np.tile(np.arange(6.0), 2))


def test_layer_without_lines_fails_with_advice():
    with pytest.raises(EngineError, match="no field line"):
        Readings.from_columns({"eca": np.zeros(2)}, ["eca"])
