"""Features followed from line to line, and what they tell of lines that lie elsewhere."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.mistakes import posterior as places
from turnrow.processing_provider.engine.mistakes import spacing_by_features as tracks

U = np.arange(40) * 0.5
STEP = 0.125


def ditch(u, slant, start, sd=0.02, seed=1):
    """Lines of 20 m over a ditch 0.4 m wide that crosses line u at start + slant u, with noise."""
    v = np.arange(160) * STEP
    away = v - (start + slant * u)[:, None]
    return 3.0 * np.exp(-(away**2) / (2 * 0.4**2)) + np.random.default_rng(seed).normal(0, sd, away.shape)


def followed(matrix, u=U):
    return tracks.tracks_of(matrix, u, STEP)


@pytest.mark.parametrize("slant", [-1.5, -0.4, 0.0, 0.7])
def test_straight_ditch_is_followed(slant):
    start = 10.0 - slant * 10.0
    matrix = ditch(U, slant, start)
    before = matrix.copy()
    track = followed(matrix)[0]
    np.testing.assert_array_equal(matrix, before)
    inside = (start + slant * U > 2) & (start + slant * U < 18)
    assert set(np.flatnonzero(inside)) <= set(track.line.tolist())
    kept = np.isin(track.line, np.flatnonzero(inside))
    error = track.v_m[kept] - (start + slant * U[track.line[kept]])
    # Steps are 0.125 m: a place to the next of them is 0.036 m off (a twelfth of its square); where a line ends the
    # ground around it is known on one side only.
    assert np.std(error) < np.sqrt(STEP**2 / 12) * 1.5
    # Where in the profile a feature is measured is common to all lines.
    assert abs(error.mean()) < 2 * STEP


def test_crossing_ditches_are_both_followed():
    found = followed(ditch(U, 1.0, 0.0) + ditch(U, -0.8, 18.0, seed=2))
    slants = [np.polyfit(U[t.line], t.v_m, 1)[0] for t in found]
    assert min(abs(s - 1.0) for s in slants) < 0.05
    assert min(abs(s + 0.8) for s in slants) < 0.05


@pytest.mark.parametrize("by", [0.5, -0.5])
@pytest.mark.parametrize("line", [20, 24, 28])
def test_lines_that_lie_elsewhere_break_features_off(by, line):
    true = U + by * (np.arange(40) >= line)
    # They cross each other near line 15.
    matrix = ditch(true, 1.0, 0.0) + ditch(true, -0.3, 10.0, seed=2)
    found = followed(matrix)
    gains = tracks.farther(found, U, 20.0, by)
    assert gains.argmax() == line
    # A break of d = 0.5 m between twice n = 10 lines, each within s = 0.22 m, slant unknown: d^2 n / 16 s^2 = 3.2.
    assert gains[line] > 2
    # The other way round they break off twice as far.
    assert tracks.farther(found, U, 20.0, -by)[line] < -2
    # Where the lines truly lie nothing breaks off.
    assert tracks.farther(followed(matrix, true), true, 20.0, by)[line] < 0


def test_features_along_the_baseline_tell_nothing():
    found = followed(ditch(U, 0.0, 10.0))
    assert found
    # Its slant is known to 0.19 m (usual walk) over 20 m, some 0.01, so a spacing more or less is millimetres: nothing
    # is even e times as probable.
    assert np.abs(tracks.farther(found, U, 20.0, 0.5)).max() < 1


def test_gain_is_the_ratio_of_two_normal_densities():
    from scipy.stats import multivariate_normal

    track = tracks.Track(np.arange(3, 20), 2.0 + 0.9 * U[3:20], np.full(17, 0.02))
    gains = tracks.farther([track], U, 20.0, 0.5)
    nodes = np.arange(0.0, 20.0, tracks.NODE_M)
    walk = np.stack([np.interp(track.v_m, nodes, s) for s in tracks.walk_shapes(nodes).T], axis=1)
    noise = np.diag(track.variance + np.sum(walk**2, axis=1))

    def density(u):
        away = u[3:20] - U[3:20].mean()
        far = away[:, None] - away
        bow = tracks.BOW_M**2 * np.exp(-((far / tracks.BOW_LENGTH_M) ** 2) / 2)
        covariance = tracks.ANYWHERE_M**2 + tracks.SLANT**2 * np.outer(away, away) + bow + noise
        return multivariate_normal(np.zeros(17), covariance).logpdf(track.v_m - track.v_m.mean())

    for k in (8, 15):
        assert gains[k] == pytest.approx(density(U + 0.5 * (np.arange(40) >= k)) - density(U), abs=1e-6)


def test_nothing_to_follow():
    assert followed(np.zeros((40, 160))) == []
    assert followed(np.full((40, 160), np.nan)) == []
    assert followed(ditch(U[:8], 0.5, 5.0), U[:8]) == []
    np.testing.assert_array_equal(tracks.farther([], U, 20.0, 0.5), np.zeros(40))


def test_spot_is_bayes_rule_over_lines():
    gains = np.full(40, -2.0)
    gains[0], gains[20:23] = -np.inf, (3.0, 4.0, 2.0)
    spot = places.spot_of(gains, 1.5)
    share = 1.5 / 39 * np.exp(gains)
    total = 1 + share.sum()
    assert (spot.lines, spot.line) == ((20, 21, 22), 21)
    assert spot.certainty == pytest.approx(share[20:23].sum() / total)
    assert spot.certainty_line == pytest.approx(share[21] / total)
    assert spot.certainty + spot.elsewhere == pytest.approx(share.sum() / total)


def test_the_likeliest_lines_are_named_wherever_they_lie():
    gains = np.full(40, -2.0)
    gains[[5, 9, 10, 20, 30, 35]] = 3.0, 4.0, 5.0, 3.5, 2.5, 2.0
    spot = places.spot_of(gains, 1.0)
    assert (spot.lines, spot.line) == ((5, 9, 10, 20, 30), 10)
    gains[:], gains[[4, 20, 21]] = -2.0, (6.0, 6.0, 2.0)
    # The third has 1 % of their probability.
    assert places.spot_of(gains, 1.0).lines == (4, 20)


def test_unseen_edges_are_no_spot():
    gains = np.full(40, -9.0)
    gains[-4:] = 0.0
    assert places.spot_of(gains, 1.5) is None
    assert places.spot_of(np.full(40, -np.inf), 1.5) is None
