"""Tie lines tell from which line on lines lie elsewhere."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from turnrow.processing_provider.engine.core.lines import lines_of
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.mistakes import spacing_by_ties as ties
from turnrow.processing_provider.engine.mistakes.detect import possible_mistakes

AT = (3.3, 10.0, 16.7)
SCHEME = Scheme(grid="A", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8)


def walked(walk, ground, faults, line=99, by_m=0.5, seed=1):
    """Readings of 40 lines and three ties; from ``line`` on lines lie ``by_m`` farther than recorded, ties do not."""

    class Elsewhere(walk.Field):
        def at(self, u, v):
            return super().at(u + np.where(np.rint(u / 0.5 + 0.5) >= line, by_m, 0.0), v)

    how = dict(ties=AT)
    there = walk.walk(Elsewhere(20.0, ground.values), np.random.default_rng(seed), faults, **how).readings
    here = walk.walk(ground, np.random.default_rng(seed), faults, **how).readings
    values = np.where(here.kind == 0, there.channels["eca"], here.channels["eca"])
    return here.replace(channels={"eca": values})


def gains(readings, by_m):
    lines = lines_of(readings)
    values = readings.channels["eca"]
    found = ties.ties_of(readings, lines, values, lines.resample(readings, values))
    return ties.farther_by_ties(found, lines.u, lines.heading, by_m)


@pytest.mark.parametrize("by_m", [0.5, -0.5])
@pytest.mark.parametrize("line", [9, 20, 31])
def test_lines_elsewhere_are_told(walk, line, by_m):
    # Stripes and noise, which have nothing to do with where lines lie.
    faults = walk.Faults(noise=0.15, stripe=0.5, direction=0.5)
    readings = walked(walk, walk.busy(), faults, line, by_m)
    found = gains(readings, by_m)
    assert found.argmax() == line - 1
    # Odds of one in 40 lines are made up for, with 20 to 1 to spare.
    assert found.max() > np.log(40 * 20)
    # That they lie the other way is told against.
    assert gains(readings, -by_m)[line - 1] < 0


@pytest.mark.parametrize("by_m", [0.5, -0.5])
def test_lines_where_they_are_recorded_are_told_so(walk, by_m):
    for seed in range(3):
        found = gains(walked(walk, walk.busy(), walk.usual(0.3), seed=seed), by_m)
        # By Markov's inequality a likelihood ratio gets beyond 20 in one of 20 at most, the mean of 40 as seldom.
        assert np.mean(np.exp(found)) < 20
        assert np.median(found) < 0


def test_flat_ground_tells_nothing(walk):
    found = gains(walked(walk, walk.Field(20.0), walk.Faults(noise=0.15, stripe=0.5)), 0.5)
    # Slopes of nothing but noise: nowhere odds of 20 to 1, as may be by chance once in 20 grids, and none for it.
    assert np.abs(found).max() < np.log(20 * 40)
    assert np.mean(np.exp(found)) < 20


def test_without_ties_nothing_is_told():
    np.testing.assert_array_equal(ties.farther_by_ties([], np.arange(5) * 0.5, np.ones(5), 0.5), 0.0)


def test_likelihood_is_that_of_all_crossings_at_once():
    """Against scipy.stats.multivariate_normal with the whole covariance."""
    rng = np.random.default_rng(3)
    lines, count, unknowns, scale = 6, 3, 5, 0.7
    value, variance = rng.normal(size=(1, lines, count)), rng.uniform(0.1, 1.0, (1, lines, count))
    design = rng.normal(size=(1, lines, count, unknowns))
    weight = np.ones(value.shape)
    weight[0, 2, 1] = 0.0
    known = weight[0].ravel() > 0
    value[weight == 0] = design[weight == 0] = 0.0
    line = np.repeat(np.arange(lines), count)
    x = design.reshape(-1, unknowns)
    covariance = x @ x.T + scale**2 * (line[:, None] == line) + np.diag(variance.ravel())
    inverse = np.linalg.inv(covariance[np.ix_(known, known)])
    y = value.ravel()[known]
    expected = multivariate_normal.logpdf(y, cov=covariance[np.ix_(known, known)]) + len(y) / 2 * np.log(2 * np.pi)
    likelihood, found, rest = ties._solved(value, design, variance, weight, scale)
    np.testing.assert_allclose(likelihood, expected, rtol=1e-9)
    np.testing.assert_allclose(found[0], x[known].T @ inverse @ y, rtol=1e-9)
    own = variance.ravel()[known]
    left = own - own**2 * np.diag(inverse)
    np.testing.assert_allclose(rest.ravel()[known], ((own * (inverse @ y)) ** 2 + left) / own, rtol=1e-9)


def test_lines_left_out_on_the_way_are_found_with_ties(walk):
    """On ten sites walked as people walk."""
    found = 0
    for seed in range(300, 310):
        rng = np.random.default_rng(seed)
        line = int(rng.integers(5, 36))
        readings = walked(walk, walk.site(20.0, rng), walk.usual(0.3), line, seed=seed)
        for mistake in possible_mistakes(readings.take(readings.line != 40), SCHEME):
            if mistake.finding.code == "line-skipped" and line in mistake.among:
                found += 1
                assert "cross the lines and the tie lines fit best" in mistake.finding.found
    # By chance five lines of 40 hold it in one grid of eight: five of ten are as rare as 1 in 200 (binomial).
    assert found >= 5
