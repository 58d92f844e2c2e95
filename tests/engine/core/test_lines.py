"""Steps of measured lines: no rounding of a last digit decides anything."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.filters import difference_of_gaussians, smoother
from turnrow.processing_provider.engine.core.lines import nearest_whole, typical_length

# As the median of positions 0.2 m apart comes out with one library and another.
STEPS_M = (0.2, 0.1999999999999993, 0.20000000000000007)


@pytest.mark.parametrize("step_m", STEPS_M)
def test_half_way_is_the_upper_one_however_a_step_is_rounded(step_m):
    # 0.5 / 0.2 = 2.5 and 0.3 / 0.2 = 1.5.
    assert nearest_whole(0.5 / step_m) == 3
    assert nearest_whole(0.3 / step_m) == 2
    assert nearest_whole(-0.3 / step_m) == -1
    np.testing.assert_array_equal(nearest_whole(np.array([0.49, 1.0, 1.51])), [0, 1, 2])


def test_the_median_of_lengths_is_without_rounding():
    steps = np.diff(0.1 + 0.2 * np.arange(200)) + np.linspace(-1e-14, 1e-14, 199)
    assert typical_length(steps) == 0.2
    # Lengths that no decimal number gives keep what they are.
    assert abs(typical_length(np.full(5, 1 / 3)) - 1 / 3) < 1e-12


def test_filters_end_at_the_same_step_however_it_is_rounded():
    # Gaussians of 0.3 m and 1.5 m end 3 standard deviations off: at 4.5 and 22.5 steps of 0.2 m.
    lines = np.random.default_rng(1).normal(size=(3, 100))
    lines[1, 40:45] = np.nan
    first, *others = (difference_of_gaussians(lines, step, 0.3, 1.5) for step in STEPS_M)
    weights, *other_weights = (smoother(30, 0.5 / step, 3.0) for step in STEPS_M)
    for other, other_weight in zip(others, other_weights):
        np.testing.assert_allclose(other, first, atol=1e-9)
        np.testing.assert_allclose(other_weight, weights, atol=1e-9)
