"""What the report says about the steps: what ties bought, which lines moved, which grids touch nobody."""

from turnrow.processing_provider.bridge.report.step_sentences import sentences_of

UNITS = {"cond": "mS/m"}


def balanced(*words):
    rows = [{"channel": "cond", "standard_error": 0.1 if "tie" in word else 0.4, "based_on": word} for word in words]
    return {"step": "balancetraverses", "figures": {"cond": {"base_readings": 0}}, "table": rows}


def test_what_tie_lines_bought_is_said():
    said = sentences_of(balanced("neighbours and 3 ties", "neighbours and 3 ties", "neighbours"), UNITS)
    assert said == [
        "cond: on the 2 lines that tie lines cross, the level is known to 0.1 mS/m (median standard error); on the "
        "others to 0.4 mS/m."
    ]


def test_lines_without_the_channel_do_not_count():
    record = balanced("neighbours", "neighbours", "neighbours")
    for row in record["table"][1:]:
        row["standard_error"] = 0.0
    (said,) = sentences_of(record, UNITS)
    assert "0.4 mS/m" in said


def test_without_tie_lines_they_are_recommended():
    (said,) = sentences_of(balanced("neighbours", "neighbours"), UNITS)
    assert "0.4 mS/m" in said
    assert "Three tie lines" in said


def test_line_medians_say_nothing_of_ties():
    assert sentences_of(balanced("median"), UNITS) == []


def test_lines_that_moved_are_counted():
    figures = {"remark": "", "lines_moved": 2, "position_error_m": 0.123}
    (said,) = sentences_of({"step": "alignopposing", "figures": figures, "lines": [{}, {}, {}]}, UNITS)
    assert said.startswith("2 of 3 lines")
    assert "0.12 m" in said


def test_islands_are_named():
    figures = {"cond": {"seams": 2, "step_before": 2.0, "step_after": 0.5, "remark": "Grid I touches no other grid."}}
    said = sentences_of({"step": "balancegrids", "figures": figures, "table": []}, UNITS)
    assert said == [
        "cond: the steps along 2 shared edges fell from 2 to 0.5 mS/m (root mean square).",
        "cond: Grid I touches no other grid.",
    ]


def test_grids_levelled_by_base_readings_are_counted():
    figures = {"cond": {"seams": 2, "step_before": 2.0, "step_after": 0.5, "remark": ""}}
    words = ("neighbours and base readings", "neighbours and base readings", "neighbours")
    rows = [{"channel": "cond", "based_on": word} for word in words]
    said = sentences_of({"step": "balancegrids", "figures": figures, "table": rows}, UNITS)
    assert said[1:] == ["cond: base readings on one spot tell the levels of 2 grids as well."]


def test_other_steps_have_their_figures_only():
    assert sentences_of({"step": "flagoutliers", "figures": {}, "table": []}, UNITS) == []
