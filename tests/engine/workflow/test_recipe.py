"""The recipe: written, read back, and refused in sentences."""

import json
from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.edits import Edits, FlagEdit
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.flag.record import FlagFigures, FlagRecord
from turnrow.processing_provider.engine.workflow.recipe import (
    CORRECTIONS,
    INTERPOLATION,
    Recipe,
    Step,
    correct,
    default_recipe,
    options_of,
    parse_recipe,
    recipe_text,
)


def test_default_recipe_holds_every_step_with_every_option():
    recipe = default_recipe()
    assert [s.step for s in recipe.steps] == [*CORRECTIONS, INTERPOLATION]
    assert recipe.interpolation.options == {"method": "cubic", "max_gap_m": None}
    assert recipe.corrections[0].options == {"threshold": 6.0}


def test_what_is_written_is_read_back():
    median = {**options_of("balancetraverses"), "method": "median"}
    steps = (Step("balancetraverses", median), Step(INTERPOLATION, options_of(INTERPOLATION)))
    inputs = ({"path": "a.csv", "bytes": 3, "sha256": "ab"},)
    edits = Edits((Note("A", 4, kind="void"),), (FlagEdit("A", 2, 1, 3, 5, "outlier"),))
    recipe = Recipe(steps, ("eca",), 0.25, "affine", "EPSG:32631", inputs, accept_certainty=0.95, edits=edits)
    assert parse_recipe(recipe_text(recipe, versions={"turnrow": "0.1.0"})) == recipe


def test_proposals_are_accepted_only_on_wish():
    assert default_recipe().accept_certainty is None
    assert parse_recipe('{"accept_certainty": null, "steps": ["interpolatereadings"]}').accept_certainty is None
    assert parse_recipe('{"accept_certainty": 0.9, "steps": ["interpolatereadings"]}').accept_certainty == 0.9


def test_a_reading_taken_back_into_use_stays_in_use():
    values = 15.0 + 0.1 * np.random.default_rng(1).normal(size=200)
    values[70] = 60.0
    line = np.repeat(np.arange(1, 5), 50)
    table = Readings.build(line, {"eca": values}, u_m=line * 0.5, v_m=np.tile(np.arange(50) * 0.125, 4))
    recipe = Recipe((Step("flagoutliers", options_of("flagoutliers")), Step(INTERPOLATION)))
    flagged, _ = correct(table, recipe)
    assert np.flatnonzero(flagged.flag).tolist() == [70]
    kept, _ = correct(table, replace(recipe, edits=Edits(flags=(FlagEdit("", 2, 1, 20, 20, on=False),))))
    assert not kept.flag.any()


def test_versions_and_results_are_told():
    record = FlagRecord({"threshold": 6.0}, FlagFigures(0, 12, {"eca": None}), ())
    text = recipe_text(default_recipe(), versions={"turnrow": "0.1.0"}, results=[record])
    content = json.loads(text)
    assert content["versions"] == {"turnrow": "0.1.0"}
    figures = {"flagged": 0, "readings": 12, "noise": {"eca": None}}
    assert content["results"] == [
        {"step": "flagoutliers", "options": {"threshold": 6.0}, "figures": figures, "table": []}
    ]


def test_options_that_are_left_out_take_their_defaults():
    recipe = parse_recipe('{"steps": [{"step": "flagoutliers"}, {"step": "interpolatereadings"}]}')
    assert recipe.steps[0].options == {"threshold": 6.0}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("{", "recipe cannot be read as JSON: line 1"),
        ("[]", "has no list of steps"),
        ('{"steps": []}', "has no list of steps"),
        ('{"steps": [{"step": "smooth"}]}', "Invalid step in the recipe: 'smooth'.*flagoutliers"),
        ('{"steps": ["smooth"]}', "Invalid step in the recipe: 'smooth'"),
        (
            '{"cell_size_m": "fine", "steps": ["interpolatereadings"]}',
            "Invalid cell_size_m in the recipe: 'fine' was given",
        ),
        (
            '{"accept_certainty": 0.3, "steps": ["interpolatereadings"]}',
            "Invalid accept_certainty in the recipe: 0.3 was given. It must be 0.5 to 1",
        ),
        (
            '{"accept_certainty": "sure", "steps": ["interpolatereadings"]}',
            "Invalid accept_certainty in the recipe: 'sure' was given",
        ),
        ('{"steps": [{"step": "flagoutliers"}]}', "must end with interpolatereadings"),
        (
            '{"steps": [{"step": "alignopposing", "options": {"lag": 1}}, {"step": "interpolatereadings"}]}',
            "Invalid option of alignopposing in the recipe: 'lag'.*shift_m",
        ),
    ],
)
def test_what_is_no_recipe_is_refused(text, sentence):
    with pytest.raises(EngineError, match=sentence):
        parse_recipe(text)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"channels": 3}, "Invalid channels in the recipe: 3 was given. It must be a list"),
        ({"inputs": True}, "Invalid inputs in the recipe: True was given"),
        ({"edits": {"notes": [{"grid": "A", "line": "x"}]}}, "Invalid line in the edits of the recipe: 'x' was given"),
        ({"edits": {"notes": [{"grid": "A", "line": 1, "position_m": []}]}}, r"Invalid position_m in the edits.*\[\]"),
        ({"edits": {"notes": [{"grid": "A", "line": 1, "heading": 1e300}]}}, "Invalid heading in the edits"),
        ({"edits": {"flags": [{"grid": "A", "line": 1, "run": 1, "first_seq": None, "last_seq": 3}]}},
         "Invalid first_seq in the edits of the recipe: None was given. It must be a whole number"),
    ],
)  # fmt: skip
def test_values_that_cannot_be_are_refused(change, sentence):
    text = json.dumps({**json.loads(recipe_text(default_recipe(), versions={})), **change})
    with pytest.raises(EngineError, match=sentence):
        parse_recipe(text)


@pytest.mark.parametrize("value", ["x", 1e300, -1, []])
def test_a_gap_that_cannot_be_is_refused(value):
    given = json.loads(recipe_text(default_recipe(), versions={}))
    given["steps"][-1]["options"]["max_gap_m"] = value
    with pytest.raises(EngineError, match="max_gap_m"):
        parse_recipe(json.dumps(given))
