"""The line beyond the outer one: predicted from the lines of a grid."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.interpolate.extrapolation import extrapolate_lines

SPACING = 0.5


def lead(field, nodes=120, lines=24, noise=0.0, known=None, place=None):
    """Return the predicted values at both ends and the true ones, (nodes, 2), and where lines were predicted."""
    u = SPACING * np.arange(-1, lines + 1) if place is None else place
    u = np.tile(u, (nodes, 1))
    truth = field(u, np.arange(nodes)[:, None] / 8.0)
    z = truth + noise * np.random.default_rng(1).standard_normal(truth.shape)
    there = np.ones(z.shape, bool) if known is None else known
    there[:, [0, -1]] = False
    z[~there] = np.nan
    bent = np.where(there, -z, np.nan)
    extrapolated = extrapolate_lines(u, z, bent, there, spacing_m=SPACING, noise=noise)
    return z[:, [0, -1]], truth[:, [0, -1]], extrapolated, bent[:, [0, -1]]


def bumps(u, v, seed=5):
    z = 10 + 0.1 * u + 0 * v
    for a, b, width, height in np.random.default_rng(seed).uniform([-2, -2, 0.5, -4], [14, 17, 1.5, 6], (60, 4)):
        z = z + height * np.exp(-((u - a) ** 2 + (v - b) ** 2) / 2 / width**2)
    return z


def test_two_waves_on_a_level_go_on_exactly():
    """A sum of two waves and a constant obeys a linear recurrence of five terms (R. de Prony, 1795)."""

    def waves(u, v):
        # 120 nodes are whole waves along the lines, so there is no mean slope, which would be no wave.
        phase = 2 * np.pi * v / 15.0
        return 7 + np.sin(2.1 * u + phase) + 2 * np.cos(3.3 * u - 2 * phase)

    given, truth, extrapolated, _ = lead(waves)
    # Squares of the values are added up, so half of the sixteen digits are left.
    np.testing.assert_allclose(given, truth, rtol=0, atol=1e-6)
    assert extrapolated.sum() == 2 * len(given)


@pytest.mark.parametrize("lean", [0.0, 0.3])
def test_a_plane_goes_on_as_a_plane_where_lines_wander(lean):
    place = SPACING * np.arange(-1, 25) + 0.02 * np.sin(np.arange(26.0))
    given, truth, extrapolated, _ = lead(lambda u, v: 5 + lean * u - 0.2 * v, place=place)
    assert extrapolated.sum() == 2 * len(given)
    np.testing.assert_allclose(given, truth, rtol=0, atol=1e-9)


@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_it_is_nearer_to_the_ground_than_a_parabola(noise):
    given, truth, _, _ = lead(bumps, noise=noise)
    u = np.tile(SPACING * np.arange(-1, 25), (120, 1))
    z = bumps(u, np.arange(120)[:, None] / 8.0) + noise * np.random.default_rng(1).standard_normal(u.shape)
    # The parabola through three values at equal distances goes on with the weights 3, -3, 1.
    parabola = np.stack([z[:, 1:4] @ [3, -3, 1], z[:, -2:-5:-1] @ [3, -3, 1]], axis=1)
    assert np.sqrt(np.mean((given - truth) ** 2)) < 0.75 * np.sqrt(np.mean((parabola - truth) ** 2))


def test_noise_alone_goes_on_as_its_mean():
    given, _, _, _ = lead(lambda u, v: 4 + 0 * u * v, noise=1.0, nodes=800)
    # The mean of five has the variance 1/5; weights found from about 12,000 predictions are within 0.05 of it.
    assert np.var(given) == pytest.approx(0.2, abs=0.05)


def test_second_derivatives_go_on_with_the_same_weights():
    given, _, _, bent = lead(lambda u, v: np.sin(2 * u + v))
    # The values lose no slope here that counts: the waves have none on the whole.
    np.testing.assert_allclose(bent, -given, rtol=0, atol=0.05)


@pytest.mark.parametrize("lines", [2, 5])
def test_too_few_lines_predict_nothing(lines):
    given, _, extrapolated, _ = lead(bumps, lines=lines)
    assert not extrapolated.any()
    assert np.isnan(given).all()


def test_only_lines_at_the_median_distance_are_predicted():
    place = SPACING * np.arange(-1, 25)
    place[:3] -= SPACING
    given, _, extrapolated, _ = lead(bumps, place=place)
    assert not extrapolated[:, 0].any()
    assert extrapolated[:, -1].all()


def test_nodes_where_the_outer_line_is_missing_are_predicted_from_the_next():
    known = np.ones((120, 26), bool)
    known[:40, 1] = False
    _, _, extrapolated, _ = lead(bumps, known=known)
    assert extrapolated[:40, 1].all()
    assert extrapolated[40:, 0].all()
    assert not extrapolated[:40, 0].any()
