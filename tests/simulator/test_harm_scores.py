"""The scores of ``tests/benchmarks/harm.py`` on errors that are known."""

import importlib
from pathlib import Path

import numpy as np
import pytest

laws = importlib.import_module("turnrow.sample_project.simulator.other_laws")


@pytest.fixture(scope="module")
def scores():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(Path(__file__).resolve().parents[1] / "benchmarks"))
        yield importlib.import_module("_harm_scores")


def cells_of(scores, survey, cell=0.25):
    wide, long = survey.truth.layout.sides_m
    u, v = (axis.ravel() for axis in np.meshgrid(np.arange(cell / 2, wide, cell), np.arange(cell / 2, long, cell)))
    return scores.Cells(np.zeros(len(u), int), np.zeros(len(u), int), u, v, survey.truth.map(u, v))


def test_kept_is_what_is_left_of_the_features_whatever_the_levels_and_slopes_of_grids(scores):
    survey = laws.PERFECT_WALKS["road along a shared edge, four grids"].walk(1, "neither")
    cells = cells_of(scores, survey)
    feature = survey.truth.ground.feature(cells.u, cells.v)
    broad = np.where(cells.u > 20, 3.0, -1.0) + 0.1 * cells.u - 0.2 * cells.v
    assert scores._kept(survey, cells, broad - 0.3 * feature) == pytest.approx(0.7, abs=1e-9)


def test_ghost_is_the_fraction_of_a_step_that_stands_out_along_its_line(scores):
    survey = laws.CASES["steps inside lines"].walk(1)
    cells = cells_of(scores, survey)
    step = survey.truth.steps[0]
    on = (np.abs(cells.u - step.u) < 0.25) & (cells.v > step.start) & (cells.v < step.stop)
    error = 5.0 + np.where(on, 0.4 * step.size, 0.0)
    assert scores._ghost(step, survey, cells, error) == pytest.approx(0.4, abs=1e-9)


def test_lines_with_missed_beats_are_known_to_lie_elsewhere(scores):
    assert scores._moved(laws.PERFECT_WALKS["ditches"].walk(1, "ties").truth) == set()
    assert scores._moved(laws.CASES["cart"].walk(1).truth) == set()
    # In two of five lines a beat is missed; on average half of a line is moved by 0.7 to 1.1 m.
    assert len(scores._moved(laws.CASES["missed beats"].walk(1).truth)) >= 5


def test_a_perfect_walk_through_the_program_is_scored_near_its_noise(scores):
    (score,) = scores.scores(laws.PERFECT_WALKS["slope"].walk(1, "neither"))
    # The mean of the two to four readings that a cell rests on has less noise than one, 0.0206, and a smooth slope
    # adds nothing.
    assert 0.005 < score.rmse["logged"] < 0.0206
    assert np.isnan(score.kept)
    assert [part.what for part in score.parts] == ["tilt"]
    # Setting line medians to the grid's takes the slope's part across the lines away, 0.1 mS/m a metre at least
    # before it is turned, so harm is seen where it is done.
    assert score.rmse["median"] > 5 * score.rmse["logged"]
