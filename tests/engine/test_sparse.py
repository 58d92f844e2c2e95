"""Unknowns of which most are nothing."""

import itertools

import numpy as np
import pytest
from turnrow.processing_provider.engine._sparse import LIKELY, NOTHING, SIZES, Sparse, _moments


def fitted(normal, right, width, rounds=30):
    sparse = Sparse.unknown(len(right), width)
    for _ in range(rounds):
        sparse = sparse.refined(normal, right, width)
    return sparse


def test_moments_are_those_of_numerical_integration():
    # The posterior of one unknown, added up on a fine axis.
    x = np.linspace(-40, 40, 4_000_001)
    sizes = 1.3 * np.array([NOTHING, *SIZES])[:, None]
    odds = np.array([1 - LIKELY, *[LIKELY / len(SIZES)] * len(SIZES)])[:, None]
    for mean, variance in ((0.1, 0.04), (0.8, 0.3), (-5.0, 1.0)):
        density = np.sum(odds / sizes * np.exp(-((x / sizes) ** 2) / 2), axis=0) * np.exp(
            -((x - mean) ** 2) / 2 / variance
        )
        middle = np.sum(x * density) / density.sum()
        spread = np.sum((x - middle) ** 2 * density) / density.sum()
        found = _moments(np.array([mean]), np.array([variance]), 1.3)
        np.testing.assert_allclose(np.ravel(found), [middle, spread], rtol=1e-3)


def test_means_are_those_of_all_choices_added_up():
    # With four unknowns each of 4^4 choices of sizes has its own normal posterior and evidence. Expectation propagation
    # is exact for unknowns that are seen apart from each other, and near otherwise.
    rng = np.random.default_rng(1)
    design, width, noise = rng.normal(size=(30, 4)), 1.0, 0.3
    seen = design @ [0.0, 2.5, 0.0, -1.5] + rng.normal(0, noise, 30)
    normal, right = design.T @ design / noise**2, design.T @ seen / noise**2
    odds = np.log([1 - LIKELY, *[LIKELY / len(SIZES)] * len(SIZES)])
    means, evidence = [], []
    for choice in itertools.product(range(len(SIZES) + 1), repeat=4):
        prior = np.square(width * np.array([NOTHING, *SIZES])[list(choice)])
        whole = normal + np.diag(1 / prior)
        means.append(np.linalg.solve(whole, right))
        evidence.append(odds[list(choice)].sum() - 0.5 * np.linalg.slogdet(whole * prior)[1] + 0.5 * right @ means[-1])
    share = np.exp(np.array(evidence) - max(evidence))
    expected = share @ np.array(means) / share.sum()
    found = fitted(normal, right, width).solve(normal, right)
    error = np.sqrt(np.diag(np.linalg.inv(normal)))
    assert np.all(np.abs(found - expected) < 0.1 * error)


@pytest.mark.parametrize("width", [1e-3, 1.0, 1e3])
def test_units_change_nothing(width):
    rng = np.random.default_rng(2)
    design = rng.normal(size=(20, 6))
    normal, right = design.T @ design / 0.09, design.T @ (design @ [0, 0, 3, 0, 0, -2] + rng.normal(0, 0.3, 20)) / 0.09
    expected = fitted(normal, right, 1.0).solve(normal, right)
    found = fitted(normal / width**2, right / width, width).solve(normal / width**2, right / width)
    np.testing.assert_allclose(found, width * expected, rtol=1e-6, atol=1e-9 * width)


def test_what_is_not_seen_stays_nothing():
    found = fitted(np.zeros((3, 3)), np.zeros(3), 1.0)
    np.testing.assert_array_equal(found.solve(np.zeros((3, 3)), np.zeros(3)), 0.0)
