"""What is derived of a platform and of the instrument, against random draws and blurred ground."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from turnrow.processing_provider.engine.core import (
    CARRIED,
    CART,
    INSTRUMENT,
    PLATFORMS,
    EngineError,
    platform_named,
    walk_shapes,
)

DRAWS = 20000


@pytest.mark.parametrize("platform", PLATFORMS.values(), ids=str)
def test_error_along_a_line_is_that_of_random_ends_wander_and_jitter(platform):
    # Ends are drawn one by one and joined by a straight line, as a logger spreads readings between two buttons.
    rng = np.random.default_rng(1)
    t = np.linspace(0, 1, 41)
    start, stop, jitter = (rng.normal(0, size, (DRAWS, 1)) for size in
                           (platform.ends_m, platform.ends_m, platform.jitter_m))  # fmt: skip
    wander = platform.pace_m * rng.normal(size=(DRAWS, 1))
    errors = start * (1 - t) + stop * t + wander + jitter
    # The root mean square of so many draws errs by 1 / sqrt(2 DRAWS), and the figure is rounded to 0.5 cm.
    assert platform.along_m == pytest.approx(np.sqrt(np.mean(errors**2)), abs=0.005 + platform.along_m * 0.01)


def test_position_errors_are_known_better_once_aligned():
    assert CARRIED.aligned_tie_m <= CARRIED.aligned_between_m < CARRIED.aligned_m < CARRIED.along_m
    assert CARRIED.along_m < CARRIED.between_lines_m < np.sqrt(2) * CARRIED.along_m
    assert CART.along_m == pytest.approx(0.02)


@pytest.mark.parametrize("platform", PLATFORMS.values(), ids=str)
def test_shapes_have_the_covariance_of_ends_wander_and_jitter(platform):
    v = np.linspace(3.0, 23.0, 54)
    t = (v - v[0]) / (v[-1] - v[0])
    shapes = walk_shapes(v, platform)
    lines = np.outer(1 - t, 1 - t) + np.outer(t, t)
    found = shapes @ shapes.T
    # Both ends are exact but for the buttons.
    at_ends = platform.ends_m**2 * lines + platform.jitter_m**2
    np.testing.assert_allclose(found[[0, -1]], at_ends[[0, -1]], atol=1e-4 * max(platform.pace_m, 0.01) ** 2)
    # In between a Gaussian process of the stated size, given that it is nothing at both ends.
    wander = np.exp(-((v[:, None] - v) ** 2) / (2 * platform.pace_length_m**2))
    ends = [0, -1]
    given = wander - wander[:, ends] @ np.linalg.solve(wander[np.ix_(ends, ends)], wander[ends])
    expected = at_ends + platform.pace_m**2 * given / np.mean(np.diag(given))
    assert np.mean(np.diag(expected - found)) == pytest.approx(0, abs=0.002 * platform.pace_m**2 + 1e-12)
    np.testing.assert_allclose(found, expected, atol=0.01 * platform.along_m**2)


def test_without_pace_only_shift_and_stretch_are_left():
    assert walk_shapes(np.linspace(0, 20, 50), CART).shape == (50, 2)
    assert walk_shapes(np.linspace(0, 20, 50), CARRIED).shape[1] > 3


def test_coils_leave_two_per_cent_of_the_shortest_wave():
    x = np.arange(-20, 20, 0.01)
    wave = np.cos(2 * np.pi * x / INSTRUMENT.shortest_wave_m)
    left = np.abs(gaussian_filter1d(wave, INSTRUMENT.footprint_m / 0.01)[1000:-1000]).max()
    # To the decimetre: 0.75 m would leave 1.4 %, 0.85 m 3.5 %.
    assert left == pytest.approx(0.02, abs=0.005)


def test_ground_without_structure_looks_alike_within_the_resolution():
    rng = np.random.default_rng(2)
    step = 0.05
    ground = gaussian_filter1d(rng.normal(size=400000), INSTRUMENT.footprint_m / step, truncate=6)
    lag = round(INSTRUMENT.resolution_m / step)
    likeness = np.corrcoef(ground[:-lag], ground[lag:])[0, 1]
    # One standard deviation of a Gaussian correlation; to the decimetre, and 400,000 values tell it to 0.01.
    assert likeness == pytest.approx(np.exp(-0.5), abs=0.02)
    assert INSTRUMENT.least_footprint_m**2 == pytest.approx(INSTRUMENT.footprint_m**2 / 2, rel=0.03)


def test_platform_that_nobody_knows_is_named_with_those_there_are():
    with pytest.raises(EngineError, match="Invalid platform: 'sledge' was given. It must be one of: carried, cart."):
        platform_named("sledge")
