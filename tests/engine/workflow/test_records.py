"""What the records of the steps say: what ties bought, which lines moved, which grids touch nobody; and their JSON."""

import json

from turnrow.processing_provider.engine.align.record import AlignedGrid, AlignedLine, AlignFigures, AlignRecord
from turnrow.processing_provider.engine.balance.record import BalanceFigures, BalanceRecord, LineOffset
from turnrow.processing_provider.engine.flag.record import FlagFigures, FlagRecord
from turnrow.processing_provider.engine.mosaic.record import GridLevel, MosaicFigures, MosaicRecord

UNITS = {"cond": "mS/m"}


def balanced(*words, errors=None, **figures):
    errors = errors or [0.1 if "tie" in word else 0.4 for word in words]
    rows = tuple(LineOffset("A", i, 1, "cond", 1, 0.0, error, 0.0, word)
                 for i, (word, error) in enumerate(zip(words, errors)))  # fmt: skip
    known = {"direction_offset": 0.0, "direction_error": 0.1, "offset_sd": 0.5, "prior_sd": 0.5, "ground_step": 0.2,
             "drift_sd": None, "ties": 0, "crossings": 0, "base_readings": 0, "se": 0.2,
             "se_without_ties": 0.4}  # fmt: skip
    return BalanceRecord({}, {"cond": BalanceFigures(**{**known, **figures})}, rows)


def levelled(*words, remark=""):
    rows = tuple(GridLevel(f"G{i}", "cond", 0.0, 1.0, 0.0, 0.0, 0.0, 0.1, 1, word) for i, word in enumerate(words))
    return MosaicRecord({}, {"cond": MosaicFigures(2, 2.0, 0.5, 0.1, (), remark, ())}, rows)


def test_what_tie_lines_bought_is_said():
    said = balanced("neighbours and 3 ties", "neighbours and 3 ties", "neighbours").sentences(UNITS)
    assert said[-1] == (
        "cond: on the 2 lines that tie lines cross, the level is known to 0.1 mS/m (median standard error); on the "
        "others to 0.4 mS/m."
    )


def test_lines_without_the_channel_do_not_count():
    said = balanced(*["neighbours"] * 3, errors=[0.4, 0.0, 0.0]).sentences(UNITS)
    assert "known to 0.4 mS/m" in said[-1]


def test_without_tie_lines_they_are_recommended():
    said = balanced("neighbours", "neighbours").sentences(UNITS)
    assert "0.4 mS/m" in said[-1]
    assert "Three tie lines" in said[-1]


def test_line_medians_say_nothing_of_ties():
    assert "tie" not in " ".join(balanced("median").sentences(UNITS))


def test_difference_of_the_directions_drift_and_what_it_rests_on_are_said():
    said = balanced("median", direction_offset=0.8, drift_sd=0.3, ties=1, crossings=40, base_readings=5)
    assert said.sentences(UNITS) == [
        "cond: lines walked out read 0.8 ± 0.1 mS/m more than lines walked back, offsets of the lines scatter by "
        "0.5 mS/m (standard deviation).",
        "cond: drift is about 0.3 mS/m, 1 tie line with 40 crossings and 5 sets of base readings bring the standard "
        "error of a line from 0.4 to 0.2 mS/m.",
    ]
    assert "0.5 (standard deviation)" in said.sentences({})[0]


def test_lines_that_moved_are_counted():
    lines = tuple(AlignedLine("A", i, 1, 0.1, 0.0, 0.1, 0.05, True) for i in range(3))
    figures = AlignFigures(-0.25, -0.25, 0.01, position_error_m=0.123, lines_moved=2)
    said = AlignRecord({}, figures, (), lines).sentences(UNITS)
    assert said[0] == "Shift applied: -0.250 m."
    assert said[1].startswith("2 of 3 lines")
    assert "0.12 m" in said[1]


def test_grids_that_touch_no_other_are_a_warning():
    record = levelled(remark="Grid I touches no other grid.")
    said = ["cond: the steps along 2 shared edges fell from 2 to 0.5 mS/m (root mean square)."]
    assert record.sentences(UNITS) == said
    assert record.warnings(UNITS) == ["cond: Grid I touches no other grid."]


def test_grids_levelled_by_base_readings_are_counted():
    said = levelled("neighbours and base readings", "neighbours and base readings", "neighbours").sentences(UNITS)
    assert said[1:] == ["cond: base readings on one spot also determine the levels of 2 grids."]


def test_flagged_readings_are_counted():
    assert FlagRecord({}, FlagFigures(3, 400, {}), ()).sentences(UNITS) == ["3 of 400 readings in use were flagged."]


def test_json_of_a_record_is_what_recipes_hold():
    """The keys and their order are a contract: programs outside read ``results`` of recipe.json."""
    record = AlignRecord({"channels": ["cond"]}, AlignFigures(0.0), (AlignedGrid("A", 1, 0.0, 0, 0, ""),), ())
    content = json.loads(json.dumps(record.as_json()))
    assert list(content) == ["step", "options", "figures", "table", "lines", "channels"]
    assert list(content["figures"]) == [
        "shift_m", "estimate_m", "shift_error_m", "pairs", "correlation_before", "correlation_after", "came_in",
        "went_out", "remark", "per_traverse_sd_m", "position_error_m", "lines_moved",
        "lag_s", "lag_error_s", "lag_readings", "based_on",
    ]  # fmt: skip
    assert content["table"] == [{"grid": "A", "pairs": 1, "shift_m": 0.0, "came_in": 0, "went_out": 0, "remark": ""}]
    assert list(balanced("x").as_json()["table"][0]) == [
        "grid", "line", "run", "channel", "heading", "offset", "standard_error", "drift", "based_on",
    ]  # fmt: skip
    assert list(levelled("x").as_json()["table"][0]) == [
        "grid", "channel", "offset", "gain", "slope_x", "slope_y", "drift", "standard_error", "neighbours", "based_on",
    ]  # fmt: skip
    assert list(levelled("x").as_json()["figures"]["cond"]) == [
        "seams", "step_before", "step_after", "drift_sd", "islands", "remark", "open_steps",
    ]  # fmt: skip
