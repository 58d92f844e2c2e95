"""Strips along an edge: ditches and walls are told from steps, wherever they lie."""

import numpy as np
from scipy.special import ndtr
from turnrow.processing_provider.engine.mosaic.strip_features import aside_of, strips_in

ASIDE = np.arange(-5.75, 6.0, 0.5)
NOISE = 0.1
# Coils blur by 0.35 m (common practice, no source).
BLUR = 0.35


def strip(middle, width):
    return ndtr((ASIDE - middle + width / 2) / BLUR) - ndtr((ASIDE - middle - width / 2) / BLUR)


def ground():
    """Ground that changes by 0.3 over a metre, as semivariances of the power 1.5, and noise."""
    apart = np.abs(ASIDE[:, None] - ASIDE)
    return -(0.3**2) * apart**1.5 + NOISE**2 * np.eye(len(ASIDE))


def bordered(covariance):
    """The kriging system with a level and a step across the edge left free."""
    drift = np.stack([np.ones(len(ASIDE)), np.sign(ASIDE) / 2], axis=1)
    return np.block([[covariance, drift], [drift.T, np.zeros((2, 2))]])


def found(value):
    return strips_in(ASIDE, value, bordered(ground()), 0.3**2 * 0.5**1.5)


def step(value, covariance):
    """Step by universal kriging, and its standard error."""
    right = np.zeros(len(ASIDE) + 2)
    right[-1] = 1.0
    solved = np.linalg.solve(bordered(covariance), right)
    return value @ solved[:-2], np.sqrt(-solved[-1])


def noise(seed=0):
    return np.random.default_rng(seed).normal(0, NOISE, len(ASIDE))


def test_a_strip_anywhere_is_no_step():
    left, error = [], []
    for width in (0.7, 1.0, 1.6, 2.0):
        for height in (4.0, -4.0):
            for seed, middle in enumerate(np.arange(-3.0, 3.05, 0.3)):
                value = 1.5 * np.sign(ASIDE) / 2 + height * strip(middle, width) + noise(seed)
                told, least = step(value, ground() + found(value))
                left.append(told - 1.5)
                error.append(least)
    # Taken for a step, a strip would be 4.
    assert np.max(np.abs(left)) < 4.0 / 2
    # Two standard errors hold 95 of 100: of these 168 more than 15 lie outside with a chance of 1 % (binomial).
    assert np.count_nonzero(np.abs(left) > 2 * np.array(error)) <= 15


def test_a_strip_with_a_side_at_the_edge_is_no_step():
    quiet = ground() / 4 + 0.75 * NOISE**2 * np.eye(len(ASIDE))
    off = []
    for width in (1.2, 1.35, 1.5):
        for height in (2.1, -2.1, 4.0):
            for shift in (-0.1, 0.0, 0.1):
                for seed in range(12):
                    hand = 1 if seed % 2 else -1
                    value = -1.2 * hand * np.sign(ASIDE) / 2 + noise(seed)
                    value += height * strip(hand * width / 2 + shift, width)
                    left = strips_in(ASIDE, value, bordered(quiet), 0.15**2 * 0.5**1.5)
                    told, error = step(value, quiet + left)
                    off.append((told + 1.2 * hand) / error)
    # Two standard errors hold 95 of 100: of these 324 more than 26 lie outside with a chance of 1 % (binomial).
    assert np.count_nonzero(np.abs(off) > 2) <= 26


def test_a_step_is_no_strip():
    value = 4.0 * np.sign(ASIDE) / 2 + noise()
    told, error = step(value, ground() + found(value))
    without, least = step(value, ground())
    assert abs(told - 4.0) < 3 * error
    # That there might be strips costs less than the ground: variances at most double.
    assert least <= error < np.sqrt(2) * least


def test_levels_and_steps_do_not_count():
    value = 3.0 * strip(1.3, 1.0) + noise()
    np.testing.assert_allclose(found(value + 7.0 - 2.5 * np.sign(ASIDE)), found(value), rtol=1e-6, atol=1e-9)


def test_places_that_do_not_count_have_no_strips():
    aside = np.where(np.arange(len(ASIDE)) == 5, np.nan, ASIDE)
    left = strips_in(aside, 3.0 * strip(1.3, 1.0), bordered(ground()), 0.1)
    assert not left[5].any()
    assert not left[:, 5].any()
    assert np.all(np.isfinite(left))


def test_distances_from_a_turned_edge():
    near, side = np.array([0.5, 1.0, 1.5]), np.array([1.0, 1.0, 1.0, -1.0, -1.0, -1.0])
    distance = np.concatenate([near, -near])
    along = np.arange(4.0)
    for angle in (0.0, 0.7, 3.0):
        across, beside = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
        place = along[:, None, None] * beside + distance[:, None] * across + [4e5, 5e6]
        known = np.ones((4, 6), bool)
        np.testing.assert_allclose(aside_of(place, known, side), np.tile(distance, (4, 1)), atol=1e-6)
        known[1, 2] = False
        assert aside_of(place, known, side)[1, 2] == 0.0


def test_patches_all_in_one_place_are_at_the_edge():
    place, side = np.zeros((3, 4, 2)), np.array([1.0, 1.0, -1.0, -1.0])
    np.testing.assert_array_equal(aside_of(place, np.ones((3, 4), bool), side), 0.0)
