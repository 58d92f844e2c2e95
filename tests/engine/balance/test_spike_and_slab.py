"""Unknowns of which most are nothing."""

import itertools

import numpy as np
import pytest
from scipy.special import betaln
from turnrow.processing_provider.engine.balance.spike_and_slab import (
    PRIOR_COUNT,
    SLAB_FRACTION,
    SLAB_SDS,
    SPIKE_SD,
    SpikeAndSlab,
    _moments,
    with_added_errors,
)


def fitted(normal, right, width, rounds=30):
    """Return the stand-ins for unknowns that are seen themselves, by normal equations."""
    sparse = SpikeAndSlab.unknown(len(right), width)
    for _ in range(rounds):
        sparse = sparse.refined(np.eye(len(right)), normal, right, width)
    return sparse


def solved(sparse, normal, right):
    """Return the means of the unknowns by the stand-ins and normal equations."""
    return np.linalg.solve(normal + np.diag(sparse.precision), right + sparse.pull)


def test_moments_are_those_of_numerical_integration():
    # The posterior of one unknown, added up on a fine axis.
    x = np.linspace(-40, 40, 4_000_001)
    sizes = 1.3 * np.array([SPIKE_SD, *SLAB_SDS])[:, None]
    odds = np.array([1 - SLAB_FRACTION, *[SLAB_FRACTION / len(SLAB_SDS)] * len(SLAB_SDS)])[:, None]
    for mean, variance in ((0.1, 0.04), (0.8, 0.3), (-5.0, 1.0)):
        density = np.sum(odds / sizes * np.exp(-((x / sizes) ** 2) / 2), axis=0) * np.exp(
            -((x - mean) ** 2) / 2 / variance
        )
        middle = np.sum(x * density) / density.sum()
        spread = np.sum((x - middle) ** 2 * density) / density.sum()
        found = _moments(np.array([mean]), np.array([variance]), 1.3, SLAB_FRACTION)
        np.testing.assert_allclose(np.ravel(found)[:2], [middle, spread], rtol=1e-3)


def test_means_are_those_of_all_choices_added_up():
    # With four unknowns each of 4^4 choices of sizes has its own normal posterior and evidence. Expectation propagation
    # is exact for unknowns that are seen apart from each other, and near otherwise. The share that is something has a
    # beta distribution.
    rng = np.random.default_rng(1)
    design, width, noise = rng.normal(size=(30, 4)), 1.0, 0.3
    seen = design @ [0.0, 2.5, 0.0, -1.5] + rng.normal(0, noise, 30)
    normal, right = design.T @ design / noise**2, design.T @ seen / noise**2
    means, evidence = [], []
    for choice in itertools.product(range(len(SLAB_SDS) + 1), repeat=4):
        large = np.count_nonzero(choice)
        odds = betaln(
            SLAB_FRACTION * PRIOR_COUNT + large, (1 - SLAB_FRACTION) * PRIOR_COUNT + 4 - large
        ) - large * np.log(len(SLAB_SDS))
        prior = np.square(width * np.array([SPIKE_SD, *SLAB_SDS])[list(choice)])
        whole = normal + np.diag(1 / prior)
        means.append(np.linalg.solve(whole, right))
        evidence.append(odds - 0.5 * np.linalg.slogdet(whole * prior)[1] + 0.5 * right @ means[-1])
    fraction = np.exp(np.array(evidence) - max(evidence))
    expected = fraction @ np.array(means) / fraction.sum()
    found = solved(fitted(normal, right, width), normal, right)
    error = np.sqrt(np.diag(np.linalg.inv(normal)))
    assert np.all(np.abs(found - expected) < 0.1 * error)


@pytest.mark.parametrize("width", [1e-3, 1.0, 1e3])
def test_units_change_nothing(width):
    rng = np.random.default_rng(2)
    design = rng.normal(size=(20, 6))
    normal, right = design.T @ design / 0.09, design.T @ (design @ [0, 0, 3, 0, 0, -2] + rng.normal(0, 0.3, 20)) / 0.09
    expected = solved(fitted(normal, right, 1.0), normal, right)
    normal, right = normal / width**2, right / width
    found = solved(fitted(normal, right, width), normal, right)
    np.testing.assert_allclose(found, width * expected, rtol=1e-6, atol=1e-9 * width)


def test_what_is_not_seen_stays_nothing():
    found = fitted(np.zeros((3, 3)), np.zeros(3), 1.0)
    np.testing.assert_array_equal(found.pull, 0.0)
    assert found.slab_fraction == SLAB_FRACTION


def test_sums_of_more_unknowns_than_sums_are_those_of_normal_equations():
    # Seen by 12 sums or by the normal equations of the 30 unknowns: the same information.
    rng = np.random.default_rng(3)
    factors, noise, truth = rng.normal(size=(12, 30)), 0.3, np.zeros(30)
    truth[[4, 20]] = 2.5, -4.0
    seen = factors @ truth + rng.normal(0, noise, 12)
    known = np.eye(12) / noise**2
    normal, right = factors.T @ known @ factors, factors.T @ known @ seen
    start, (one, other) = SpikeAndSlab.unknown(30, 1.0), ((factors, known, known @ seen), (np.eye(30), normal, right))
    by_sums, by_unknowns = start.refined(*one, 1.0), start.refined(*other, 1.0)
    np.testing.assert_allclose(by_sums.precision, by_unknowns.precision, rtol=1e-6)
    np.testing.assert_allclose(by_sums.pull, by_unknowns.pull, rtol=1e-6, atol=1e-6)
    middle, spread = by_sums.sums(factors)
    found = middle + spread @ with_added_errors(known, known @ (seen - middle), spread)[1]
    np.testing.assert_allclose(found, factors @ solved(by_unknowns, normal, right), rtol=1e-6, atol=1e-6)


def test_the_share_that_is_something_is_found():
    # Each is seen so well that there is no doubt which are something: the mean of the beta distribution's posterior.
    for large in (0, 40, 400):
        right = np.zeros(400)
        right[:large] = np.where(np.arange(large) % 2, 1.0, -1.0) * 1e6
        found = fitted(1e6 * np.eye(400), right, 1.0)
        assert found.slab_fraction == pytest.approx(
            (SLAB_FRACTION * PRIOR_COUNT + large) / (PRIOR_COUNT + 400), abs=0.002
        )


def test_errors_that_are_added_add_to_the_inverse():
    rng = np.random.default_rng(4)
    known, spread = (a @ a.T for a in rng.normal(size=(2, 5, 5)))
    seen = rng.normal(size=5)
    both = np.linalg.inv(np.linalg.inv(known) + spread)
    found = with_added_errors(known, known @ seen, spread)
    np.testing.assert_allclose(found[0], both, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(found[1], both @ seen, rtol=1e-6, atol=1e-9)
