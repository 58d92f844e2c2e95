"""Steps of measured lines: no rounding of a last digit decides anything."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.align import align_opposing
from turnrow.processing_provider.engine.balance import balance_traverses
from turnrow.processing_provider.engine.core import EngineError, Readings, lines_at, lines_of
from turnrow.processing_provider.engine.core.filters import difference_of_gaussians, smoother
from turnrow.processing_provider.engine.core.lines import nearest_whole, typical_length
from turnrow.processing_provider.engine.flag import flag_outliers
from turnrow.processing_provider.engine.mosaic import balance_grids

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


@pytest.mark.parametrize("correction", [flag_outliers, align_opposing, balance_traverses, balance_grids])
def test_readings_outside_of_any_grid_are_refused_with_what_to_use_instead(correction):
    """A track has line numbers and positions on the map, but nothing lies side by side in a grid."""
    x = np.linspace(0.0, 50.0, 200)
    track = Readings.build(np.repeat([1, 2], 100), {"eca": np.sin(x)}, grids=("T",), x=500_000 + x, y=6e6 + x)
    with pytest.raises(EngineError, match="grid T have positions on the map, but none in a grid .* minimum curvature"):
        correction(track)
    with pytest.raises(EngineError, match="not placed .* Run 'Place readings on the ground' first"):
        correction(track.replace(x=np.full(200, np.nan)))


def test_a_grid_of_which_nothing_is_in_use_is_not_refused():
    """A grid whose lines are all unplaced or flagged stops no survey."""
    flagged = Readings.build([1, 1, 1], {"eca": [1.0, 2.0, 3.0]}).with_flag("unplaced", np.ones(3, bool))
    balanced, _ = balance_traverses(flagged)
    np.testing.assert_array_equal(balanced.channels["eca"], [1.0, 2.0, 3.0])


@pytest.mark.parametrize("offset_m", [0.0, 0.25, 0.5])
def test_lines_of_distant_readings_are_known_at_a_tie(offset_m):
    """Wherever a tie crosses, readings a metre from each other lie beside it; a plane is known there exactly."""
    u, v = (a.ravel() for a in np.meshgrid(np.arange(5.0), np.arange(0.5, 20.0), indexing="ij"))
    readings = Readings.build(np.repeat(np.arange(5), 20), {"eca": 2 * u}, u_m=u, v_m=v, heading=np.ones(100))
    lines = lines_of(readings)
    level, along, _ = lines_at(lines, lines.resample(readings, readings.channels["eca"]), 10.5 + offset_m)
    np.testing.assert_allclose(level, 2 * lines.u)
    np.testing.assert_allclose(along, 0.0)


def test_a_line_whose_readings_stand_at_one_position_is_none():
    """Differences of a nanometre are rounding and no walk: such a grid has no lines, and no step."""
    v = np.tile([5.0, 5.0 + 1e-9, 5.0], 3)
    standing = Readings.build(
        np.repeat([1, 2, 3], 3), {"eca": np.arange(9.0)}, u_m=np.repeat([0.5, 1.5, 2.5], 3), v_m=v
    )
    assert len(lines_of(standing).u) == 0
    walked = standing.replace(v_m=np.where(standing.line == 2, np.tile([1.0, 1.5, 2.0], 3), v))
    assert lines_of(walked).step_m == 0.5
    assert lines_of(walked).u.tolist() == [1.5]
