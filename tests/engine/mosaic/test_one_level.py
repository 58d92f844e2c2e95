"""Grids are moved only with proof: what is weighed, and what comes of it on surveys drawn by other laws."""

import csv
import io

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal
from turnrow.processing_provider.engine.mosaic.one_level import Solution, border_factors, levels_with_proof
from turnrow.processing_provider.engine.mosaic.record import MosaicRecord
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.recipe import default_recipe
from turnrow.processing_provider.engine.workflow.sources import gather_sources
from turnrow.sample_project.simulator.other_laws import CASES, ORIGIN, PERFECT_WALKS

HELD = np.eye(4) - 0.25


def processed(survey, folder):
    survey.write(folder)
    tables = [
        list(csv.DictReader(io.StringIO(survey.files[name]))) for name in ("register.csv", "corners.csv", "notes.csv")
    ]
    return process_survey(gather_sources(*tables, folder), default_recipe(), maps=False)


def level_errors(result, survey):
    """Mean of readings less the ground by grid, their mean taken off, and the standard errors of the record."""
    means = []
    for name in result.done:
        part = result.corrected.get(name)
        used = part.in_use & (part.kind == 0)
        ground = survey.truth.map(part.x[used] - ORIGIN[0], part.y[used] - ORIGIN[1])
        means.append(np.mean(part.channels["eca_10"][used] - ground))
    record = next(one for one in result.records if isinstance(one, MosaicRecord))
    return np.array(means) - np.mean(means), np.array([row.standard_error for row in record.table]), record


def test_density_is_that_of_contrasts():
    """Patterson and Thompson 1971 (doi 10.1093/biomet/58.3.545): restricted likelihood is that of n - 1 contrasts."""
    rng = np.random.default_rng(5)
    contrasts = null_space(np.ones((1, 5))).T
    differences = []
    for _ in range(3):
        root = rng.normal(size=(5, 5))
        covariance, residual = root @ root.T + np.eye(5), rng.normal(size=5) + 10.0
        expected = multivariate_normal(np.zeros(4), contrasts @ covariance @ contrasts.T).logpdf(contrasts @ residual)
        differences.append(Solution(residual, covariance).likely(np.zeros((5, 5)))[0] - expected)
    np.testing.assert_allclose(differences, differences[0], rtol=1e-9)


def test_levels_that_seams_know_well_are_taken_as_they_are():
    level = np.array([0.0, 3.0, -4.0, 9.0])
    found = levels_with_proof([Solution(level, 1e-4 * np.eye(4))], HELD, 0.01)
    assert found.differ > 0.999
    # A prior of one roughness or more pulls by 1e-4 of a level at most.
    np.testing.assert_allclose(found.value, HELD @ level, atol=1e-3)
    np.testing.assert_allclose(np.diag(found.covariance), 0.75e-4, rtol=0.05)


def test_levels_within_their_errors_are_alike():
    level = np.array([0.0, 0.3, -0.2, 0.1])
    found = levels_with_proof([Solution(level, 0.09 * np.eye(4))], HELD, 0.001)
    assert found.differ < 0.5
    np.testing.assert_allclose(found.value, 0.0, atol=1e-4)


def test_what_is_not_proven_is_in_the_error():
    """An edge that may be wrong by nine times what is assumed proves no step of four; the step is in the error."""
    level = np.array([0.0, 4.0])
    edge = [Solution(level, np.diag([0.0, 1.0]) + 1e-9, 0.65), Solution(level, np.diag([0.0, 81.0]) + 1e-9, 0.35)]
    found = levels_with_proof(edge, np.eye(2) - 0.5, 0.01)
    assert 0.05 < found.differ < 0.95
    np.testing.assert_allclose(found.value, 0.0, atol=0.01)
    assert np.sqrt(found.covariance[0, 0]) > 0.5


def test_doubts_are_probabilities():
    """The probabilities of what may be assumed of the borders add up to 1, however many borders there are."""
    for misfit in ([1.0], [0.1, np.nan, 3.0], np.arange(9.0), [np.nan]):
        assert sum(probable for _, probable in border_factors(np.array(misfit))) == pytest.approx(1.0)


@pytest.mark.parametrize("form", ["neither", "base", "ties"])
def test_a_road_along_an_edge_moves_no_grid(tmp_path, form):
    """A perfect walk over four grids: noise of 0.02 mS/m over 25,600 readings leaves nothing to see in a level."""
    survey = PERFECT_WALKS["road along a shared edge, four grids"].walk(41, form)
    error, _, _ = level_errors(processed(survey, tmp_path), survey)
    assert np.max(np.abs(error)) < 0.02


def test_a_boundary_along_the_only_edge_moves_no_grid_and_is_said(tmp_path):
    survey = PERFECT_WALKS["boundary along a shared edge, two grids"].walk(41, "neither")
    error, said, record = level_errors(processed(survey, tmp_path), survey)
    assert np.max(np.abs(error)) < 0.05
    assert np.all(said > np.abs(error))
    assert "walk one tie line across the edge of grids A1 and B1." in " ".join(record.warnings({}))


def test_overrun_tells_a_feature_along_the_far_edge_from_a_step(tmp_path):
    """Lines run past the edge onto the neighbour's ground, so both grids read what lies along it."""
    errors = []
    for seed in range(60, 64):
        survey = CASES["feature along the far edge"].walk(seed)
        error, said, _ = level_errors(processed(survey, tmp_path / str(seed)), survey)
        errors += [error / said]
    # Four differences of two grids: chi-square of 4 stays below 13.3 in 99 % (two grids move by the same amount).
    assert np.sum(np.square(errors)) / 2 < 13.3
