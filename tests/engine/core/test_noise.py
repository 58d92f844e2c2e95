"""Estimators of noise and of robust scale, against noise that is known."""

from math import comb

import numpy as np
import pytest
from scipy import stats
from turnrow.processing_provider.engine.core import noise

LINES, COUNT, SD = 60, 400, 0.3
# Standard errors of a standard deviation from the median of n absolute differences: 1.17 / sqrt(n) for independent
# ones (efficiency 0.37); neighbouring differences are alike, which costs at most a factor of two.
FOUR_ERRORS = 4 * 2 * 1.17 / np.sqrt(LINES * COUNT)


def white(seed):
    return SD * np.random.default_rng(seed).normal(size=(LINES, COUNT))


def starts():
    first = np.zeros(LINES * COUNT, bool)
    first[::COUNT] = True
    return first


def smooth():
    v = np.linspace(0.0, 8 * np.pi, COUNT)
    return 5 * np.sin(v)[None, :] + 20.0 * np.arange(LINES)[:, None]


def test_half_of_a_normal_distribution_lies_within_a_median_absolute_deviation():
    # scipy.stats: quartile of the normal distribution; both are rounded to their last digit.
    assert noise.NORMAL_QUARTILE == round(stats.norm.ppf(0.75), 6)
    assert noise.MAD_TO_SD == round(1 / stats.norm.ppf(0.75), 4)


def test_robust_sd_is_that_of_scipy():
    values = np.random.default_rng(1).normal(3.0, 2.0, (50, 40))
    expected = stats.median_abs_deviation(values, axis=None, scale="normal")
    assert noise.robust_sd(values - np.median(values)) == pytest.approx(expected, rel=2e-6)
    assert noise.robust_sd(np.zeros(0)) == 0.0


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_differences_of_white_noise_have_the_variance_of_their_weights(order):
    # Expected: the squared weights of numpy's own difference operator, summed.
    weights = np.diff(np.eye(order + 1), order, axis=0)[0]
    assert comb(2 * order, order) == weights @ weights
    assert noise.noise_of_differences(np.diff(white(2), order).ravel(), order) == pytest.approx(SD, rel=FOUR_ERRORS)


@pytest.mark.parametrize("of", ["lines", "runs", "smooth_runs"])
def test_noise_on_smooth_ground_is_what_was_put_in(of, monkeypatch):
    monkeypatch.setattr(noise, "MOST_DIFFERENCES", 10**6)
    z = smooth() + white(3)
    # Outliers and gaps are few: medians pass them over.
    z[:, 100] += 50.0
    run = np.repeat(np.arange(LINES), COUNT)
    args = {"lines": (z,), "runs": (z.ravel(), run), "smooth_runs": (z.ravel(), starts())}[of]
    # An outlier is in five of 400 differences: it moves the median by 1.3 % of half the density there, below 2 %.
    assert getattr(noise, f"noise_of_{of}")(*args) == pytest.approx(SD, rel=FOUR_ERRORS + 0.02)


def test_lines_and_runs_are_one_estimate():
    z = smooth() + white(4)
    run = np.repeat(np.arange(LINES), COUNT)
    assert noise.noise_of_lines(z) == pytest.approx(noise.noise_of_runs(z.ravel(), run), rel=1e-12)
    z[:, 50:60] = np.nan
    assert noise.noise_of_lines(z) == pytest.approx(SD, rel=FOUR_ERRORS)


def test_fourth_differences_see_less_of_what_is_measured():
    # A whole number of waves that no reading repeats, so that medians are those of a sine.
    v = np.arange(COUNT) * 2 * np.pi * 83 / COUNT / 2
    z = np.sin(v[None, :] + np.random.default_rng(8).uniform(0, 2 * np.pi, (LINES, 1)))
    second = noise.noise_of_runs(z.ravel(), np.repeat(np.arange(LINES), COUNT))
    # A wave of w radians a reading is (2 sin(w / 2))^k times as large in differences of order k.
    factor = 2 * np.sin((v[1] - v[0]) / 2)
    expected = factor**2 * np.sqrt(6 / 70)
    assert noise.noise_of_smooth_runs(z.ravel(), starts()) == pytest.approx(second * expected, rel=0.02)


def test_a_part_of_the_differences_is_as_good_as_said():
    found = [noise.noise_of_smooth_runs(white(seed).ravel(), starts()) for seed in range(5, 25)]
    # 1.17 / sqrt(n) for independent differences; those that are looked at are four readings and more from each other.
    error = 1.17 / np.sqrt(noise.MOST_DIFFERENCES)
    # Twenty errors: their root mean square is within 1 -+ 2 / sqrt(40) of the true one in 19 of 20 cases.
    assert np.std(found) / SD < error * (1 + 2 / np.sqrt(40)) * 1.2
    assert np.mean(found) == pytest.approx(SD, rel=3 * error / np.sqrt(20))


def test_pairs_of_scattered_points_show_noise_on_sloping_ground():
    rng = np.random.default_rng(6)
    points = rng.uniform(0.0, 50.0, (4000, 2))
    ground = 3 * np.sin(points[:, 0] / 5) + 0.2 * points[:, 1]
    found = [noise.noise_of_pairs(points, ground + SD * rng.normal(size=4000)) for _ in range(10)]
    # Squared differences of pairs: about n degrees of freedom, less for what the slope takes.
    assert np.mean(found) == pytest.approx(SD, rel=4 * np.std(found) / SD / np.sqrt(10))
    assert np.std(found) < 2 * SD / np.sqrt(2 * 4000) * 2
    # Without noise what is found is what the ground does between neighbours beyond the squared distance.
    assert noise.noise_of_pairs(points, ground) < 0.02


@pytest.mark.parametrize("values", [np.zeros(0), np.ones(1), np.ones(2)])
def test_too_few_readings_have_no_noise(values):
    assert noise.noise_of_lines(values[None, :]) == 0.0
    assert noise.noise_of_runs(values, np.zeros(len(values), int)) == 0.0
    assert noise.noise_of_smooth_runs(values, np.zeros(len(values), bool)) == 0.0


def test_last_digit_of_an_instrument():
    values = np.round(np.random.default_rng(7).normal(20.0, 0.5, 500), 1)
    assert noise.least_step(np.sort(values)) == pytest.approx(0.1, abs=1e-9)
    assert noise.least_step(values) >= 0.1 - 1e-9
    assert noise.least_step(np.full(9, 3.0)) == 0.0


@pytest.mark.parametrize("width", [1.2, 3.0])
def test_variance_after_smoothing_is_the_sum_of_squared_weights(width):
    # Expected: scipy's Gaussian filter applied to a single 1. Sampling a Gaussian of 1.2 readings costs below 1e-5.
    from scipy.ndimage import gaussian_filter1d

    one = np.zeros(201)
    one[100] = 1.0
    kept = np.sum(gaussian_filter1d(one, width, truncate=8.0) ** 2)
    assert noise.variance_after_smoothing(SD, width) == pytest.approx(SD**2 * kept, rel=1e-4)
