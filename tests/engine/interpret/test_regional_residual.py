"""Regional and local response."""

import doctest

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import erf
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.interpret import regional_residual as response
from turnrow.processing_provider.engine.interpret.regional_residual import WIDTH_IN_SD, split_response


@pytest.fixture
def rough():
    values = np.random.default_rng(3).normal(20.0, 1.0, (60, 70))
    values[20:30, 25:40] = np.nan
    values[:, :4] = np.nan
    return values


def test_docstring_example():
    assert doctest.testmod(response, extraglobs={"np": np}).failed == 0


def test_the_parts_add_up_and_nodata_stays(rough):
    before = rough.copy()
    regional, local = split_response(rough, 0.25, 3.0)
    np.testing.assert_allclose(regional + local, rough, rtol=1e-12)
    np.testing.assert_array_equal(np.isnan(regional), np.isnan(rough))
    np.testing.assert_array_equal(rough, before)


def test_a_plane_is_regional_up_to_edges_and_holes(rough):
    row, col = np.indices(rough.shape)
    plane = np.where(np.isnan(rough), np.nan, 5.0 + 0.3 * row - 0.2 * col)
    _, local = split_response(plane, 0.25, 3.0)
    assert np.nanmax(np.abs(local)) < 1e-9  # rounding of values of 20


@pytest.mark.parametrize("width_m", [1.5, 4.0])
def test_a_strip_of_the_stated_width_is_split_in_half(width_m):
    cell_m = 0.05
    across = (np.arange(801) - 400) * cell_m
    strip = np.tile(np.where(np.abs(across) < width_m / 2 - 1e-9, 1.0, 0.0), (300, 1))
    regional, _ = split_response(strip, cell_m, width_m)
    # A strip under a Gaussian: half at its middle when its width is 1.349 standard deviations (normal quartiles).
    # The edge of the strip is known to half a cell, and the height changes by less than 1 / width with it.
    assert regional[150, 400] == pytest.approx(0.5, abs=cell_m / width_m)
    sd = width_m / WIDTH_IN_SD
    expected = (erf((across + width_m / 2) / sd / 2**0.5) - erf((across - width_m / 2) / sd / 2**0.5)) / 2
    np.testing.assert_allclose(regional[150], expected, atol=cell_m / width_m)


def test_far_from_nodata_it_is_the_gaussian_filter_of_scipy():
    values = np.random.default_rng(4).normal(size=(120, 130))
    width = 6.0
    regional, _ = split_response(values, 1.0, width)
    reference = gaussian_filter(values, width / WIDTH_IN_SD, truncate=response.TRUNCATE)
    reach = int(np.ceil(response.TRUNCATE * width / WIDTH_IN_SD)) + 1
    inner = slice(reach, -reach), slice(reach, -reach)
    # The kernels end at most one cell apart, where 1e-4 of the weight lies.
    np.testing.assert_allclose(regional[inner], reference[inner], atol=1e-3)


@pytest.mark.parametrize("width_m", [1e4, 1e9])
def test_a_width_far_beyond_the_map_leaves_the_mean_of_all_cells(width_m):
    """All cells have the same weight then, and show no slope; Gaussian weights differ by (8 cells / sd)^2 / 2 at most,
    6e-7, which times the largest difference of values is the tolerance.
    """
    values = np.add.outer(np.arange(7.0), 0.1 * np.arange(9.0) ** 2)
    assert np.allclose(split_response(values, 1.0, width_m)[0], values.mean(), atol=1e-5)


def test_a_step_does_not_ring():
    step = np.zeros((50, 100))
    step[:, 50:] = 1.0
    regional, _ = split_response(step, 1.0, 8.0)
    assert regional[:, 30:70].min() > -1e-6
    assert regional[:, 30:70].max() < 1 + 1e-6
    assert np.all(np.diff(regional[25, 30:70]) > -1e-9)


def test_mirrored_and_transposed_maps_give_mirrored_and_transposed_responses(rough):
    regional, _ = split_response(rough, 0.25, 3.0)
    for turned in (np.fliplr, np.flipud, np.transpose):
        np.testing.assert_allclose(split_response(turned(rough), 0.25, 3.0)[0], turned(regional), rtol=1e-10)


def test_what_is_left_out_changes_nothing(rough):
    regional, _ = split_response(rough, 0.25, 3.0)
    alone = np.full((80, 90), np.nan)
    alone[10:70, 10:80] = rough
    np.testing.assert_allclose(split_response(alone, 0.25, 3.0)[0][10:70, 10:80], regional, rtol=1e-10)


def test_single_cells_are_their_own_mean():
    values = np.full((40, 40), np.nan)
    values[3, 3], values[30, 30] = 4.0, 9.0
    regional, local = split_response(values, 1.0, 3.0)
    assert regional[3, 3] == pytest.approx(4.0)
    assert local[30, 30] == pytest.approx(0.0)


def test_a_single_row_of_cells_keeps_its_mean():
    values = np.full((9, 60), np.nan)
    values[4] = 7.0
    assert np.nanmax(np.abs(split_response(values, 1.0, 4.0)[1])) < 1e-12


@pytest.mark.parametrize(
    ("cell_m", "width_m", "sentence"),
    [(0.5, 0.9, "at least two cells"), (0.5, 0.0, "width"), (0.0, 3.0, "cell size")],
)
def test_wrong_sizes_fail_with_a_sentence(cell_m, width_m, sentence):
    with pytest.raises(EngineError, match=sentence):
        split_response(np.ones((5, 5)), cell_m, width_m)


def test_a_map_without_values_fails_with_a_sentence():
    with pytest.raises(EngineError, match="nothing to split"):
        split_response(np.full((5, 5), np.nan), 1.0, 3.0)


def test_progress_is_reported_and_may_end_the_run(rough):
    fractions = []
    split_response(rough, 0.25, 3.0, progress=fractions.append)
    assert fractions == sorted(fractions)
    assert fractions[0] == 0

    def stop(fraction):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        split_response(rough, 0.25, 3.0, progress=stop)


def test_a_larger_map_asks_more_often_and_progress_never_goes_back():
    asked = {}
    for side in (200, 400):
        values = np.random.default_rng(0).normal(size=(side, side))
        asked[side] = fractions = []
        split_response(values, 0.25, 20.0, progress=fractions.append)
        assert fractions == sorted(fractions)
        assert 0.0 <= fractions[0] < fractions[-1] <= 1.0
    assert len(asked[400]) > 2 * len(asked[200])


def test_bands_change_no_bit(rough, monkeypatch):
    whole = split_response(rough, 0.5, 4.0)
    monkeypatch.setattr(response, "BAND", 1000.0)
    for one, other in zip(whole, split_response(rough, 0.5, 4.0)):
        np.testing.assert_array_equal(one, other)
