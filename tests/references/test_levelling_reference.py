"""The levels of lines held against the stated model solved directly, on grids that are small enough for that.

The model (``docs/methods/balance-traverses.md``): neighbouring lines differ by their offsets, by smooth ground, by the
edges of features that run along the lines, which are mostly nothing, and by small steps. Here every combination of
edges is gone through, each with its own normal distribution, where the engine approximates by expectation propagation.
Weights of heavy-tailed errors of tie crossovers are found by reweighting in both.
"""

import numpy as np
import pytest
from scipy.special import betaln, ndtr
from turnrow.processing_provider.engine.balance.line_levels import fit_line_levels
from turnrow.processing_provider.engine.balance.tie_crossovers import Controls
from turnrow.processing_provider.engine.core import Readings, lines_of

STEP_M, LENGTH_M, SPACING_M = 0.125, 8.0, 0.5
FOOTPRINT_M, GROUND_LENGTH_M = 0.35, 7.0
# What the model states of edges: nothing, or one of three sizes, in units of the standard deviation of offsets.
SIZES = np.array([1e-3, 1.5, 4.0, 10.0])
LIKELY, LIKELY_WEIGHT = 0.35, 80.0
FREEDOM, EFFECTIVE = 4.0, 0.16
# Data that fit without residuals leave small steps of 0.4 offsets, halved in each of the two rounds before the last.
SMALL = 0.4 / 4


def grid(levels):
    """Return lines with levels (L,) on a common profile, and their values on the common axis."""
    v = np.arange(STEP_M / 2, LENGTH_M, STEP_M)
    number = np.arange(1, len(levels) + 1)
    profile = 0.4 * np.sin(2 * np.pi * v / 3.0) + 0.2 * np.cos(2 * np.pi * v / 1.7)
    values = np.asarray(levels)[:, None] + profile
    line, at = np.meshgrid(number, v, indexing="ij")
    heading = np.where(line % 2, 1, -1)
    readings = Readings.build(line.ravel(), {"eca": values.ravel()}, grids=("A",), u_m=(line.ravel() - 0.5) * SPACING_M,
                              v_m=at.ravel(), heading=heading.ravel())  # fmt: skip
    lines = lines_of(readings)
    return lines, lines.resample(readings, readings.channels["eca"])


def crossovers(value, line, variance):
    """Return crossovers of one tie on ground that is flat along it."""
    n = len(value)
    nothing = np.zeros(n)
    return Controls(np.asarray(value), np.full(n, variance), nothing, nothing, np.asarray(line), np.zeros(n, int),
                    nothing, nothing, np.zeros((n, 1)), [np.arange(3)], [])  # fmt: skip


class Reference:
    """The stated model for lines that differ by constants, solved by going through all combinations of edges."""

    def __init__(self, lines, matrix, direction_error):
        count, self.u, median = len(lines), lines.u, np.median(matrix, axis=1)
        self.step = np.diff(np.eye(count), axis=0)
        self.seen = self.step @ median
        self.offset = 1.4826 * np.median(np.abs(self.seen)) / np.sqrt(2)
        self.prior = self.offset**2 * np.eye(count)
        half = lines.heading / 2
        self.prior += max(direction_error, 0.01 * self.offset) ** 2 * np.outer(half, half)
        self.geology = self._ground(lines.v, matrix - median[:, None])
        places = np.unique(np.concatenate([self.u, (self.u[1:] + self.u[:-1]) / 2]))
        self.edges = ndtr((self.u[1:, None] - places) / FOOTPRINT_M) - ndtr((self.u[:-1, None] - places) / FOOTPRINT_M)
        grids = np.meshgrid(*[np.arange(len(SIZES))] * len(places), indexing="ij")
        self.choices = np.stack([g.ravel() for g in grids], axis=1)
        large = np.count_nonzero(self.choices, axis=1)
        self.odds = betaln(LIKELY * LIKELY_WEIGHT + large, (1 - LIKELY) * LIKELY_WEIGHT + len(places) - large)
        self.odds -= large * np.log(len(SIZES) - 1)

    def _ground(self, v, profiles):
        """Return the covariance (L, L) of smooth ground at the lines: a Gaussian process and a slope."""
        common = np.median(profiles, axis=0)
        left = np.abs(profiles - np.polyval(np.polyfit(v, common, 1), v))
        away = np.linspace(0, np.ptp(v), 50)
        mean = np.mean(np.exp(-((away[:, None] - away) ** 2) / (2 * GROUND_LENGTH_M**2)))
        size = max(1.4826 * np.median(left) / np.sqrt(1 - mean), 1e-3 * self.offset)
        far = (self.u - self.u.mean()) / np.ptp(self.u)
        smooth = np.exp(-((self.u[:, None] - self.u) ** 2) / (2 * GROUND_LENGTH_M**2))
        return size**2 * (mean * smooth + 25 * np.outer(far, far))

    def solve(self, ties=None, weight=None, fraction=1.0):
        """Return mean and covariance of the levels (L,) and of the tie's own, by crossovers of the weights given.

        Of the weights a fraction counts as information, but which edges there are is told by all of it.
        """
        count = len(self.u)
        prior = np.zeros((count + 1, count + 1))
        prior[:count, :count], prior[count, count] = self.prior, 1e4
        # Observations: steps with edges, ground and small steps as errors; crossovers, line minus tie.
        design, seen = np.concatenate([self.step, np.zeros((count - 1, 1))], axis=1), self.seen
        crossed = np.zeros((0, count + 1))
        if ties is not None:
            crossed = np.zeros((len(ties.value), count + 1))
            crossed[np.arange(len(crossed)), ties.line], crossed[:, -1] = 1.0, -1.0
            design, seen = np.concatenate([design, crossed]), np.concatenate([seen, ties.value])
        steps = slice(0, count - 1)
        errors, edges = np.zeros((len(seen), len(seen))), np.zeros((len(seen), self.edges.shape[1]))
        errors[steps, steps] = SMALL**2 * self.offset**2 * np.eye(count - 1) + self.step @ self.geology @ self.step.T
        edges[steps] = self.edges
        squares = np.square(self.offset * SIZES)[self.choices]
        total = np.einsum("ij,cj,kj->cik", edges, squares, edges) + errors + design @ prior @ design.T
        at = np.arange(count - 1, len(seen))
        if ties is not None:
            total[:, at, at] += 1 / weight
        found = np.linalg.solve(
            total, np.broadcast_to(np.column_stack([seen, design @ prior]), (*total.shape[:2], count + 2))
        )
        odds = self.odds - 0.5 * (np.linalg.slogdet(total)[1] + found[..., 0] @ seen)
        odds = np.exp(odds - odds.max())
        odds /= odds.sum()
        means = found[..., 0] @ design @ prior
        mean = odds @ means
        if ties is not None and fraction < 1.0:
            total[:, at, at] += (1 / fraction - 1) / weight
            found = np.linalg.solve(total, np.broadcast_to(np.column_stack([seen, design @ prior]), found.shape))
        within = prior - prior @ design.T @ np.einsum("c,cij->ij", odds, found[..., 1:])
        about = means - mean
        return mean, within + about.T @ (odds[:, None] * about)

    def with_ties(self, ties, variance):
        """Return mean and covariance once the weights of Student's t are those of the residuals."""
        weight = np.full(len(ties.value), (FREEDOM + 1) / (FREEDOM * variance))
        for _ in range(15):
            mean, _ = self.solve(ties, weight)
            rest = ties.value - mean[ties.line] + mean[-1]
            weight = (FREEDOM + 1) / (FREEDOM * variance + rest**2)
        return self.solve(ties, weight, EFFECTIVE)


def about_the_mean(mean, covariance):
    """Return levels and standard errors of lines without the level of them all."""
    count = len(mean) - 1
    centred = np.eye(count) - 1 / count
    return centred @ mean[:count], np.sqrt(np.diag(centred @ covariance[:count, :count] @ centred))


def stripes(seed):
    """Return the levels of four lines: stripes and, in every other survey, a step of the ground as high as six."""
    rng = np.random.default_rng(seed)
    levels = rng.normal(0, 0.5, 4)
    levels[2:] += 3.0 * (seed % 2)
    return levels, rng


@pytest.mark.parametrize("seed", range(5))
def test_levels_are_those_of_all_combinations_of_edges(seed):
    levels, _ = stripes(seed)
    lines, matrix = grid(levels)
    found = fit_line_levels(lines, matrix, None, np.zeros(1), 0.1, None)
    mean, error = about_the_mean(*Reference(lines, matrix, 0.1).solve())
    # Expectation propagation is near, not exact: a tenth of a standard error in these surveys.
    assert np.all(np.abs(found.offset - found.offset.mean() - mean) < 0.15 * error)
    np.testing.assert_allclose(found.error, error, rtol=0.06)


@pytest.mark.parametrize("seed", range(5))
def test_levels_with_a_tie_are_those_of_all_combinations_of_edges(seed):
    levels, rng = stripes(seed)
    lines, matrix = grid(levels)
    off = rng.normal(0, 0.1, 4)
    # In two of the surveys one crossover is off by twenty times what is usual.
    off[2] += 2.0 * (seed > 2)
    ties = crossovers(levels + off + 7.0, np.arange(4), 0.01)
    reference = Reference(lines, matrix, 0.1)
    found = fit_line_levels(lines, matrix, None, np.zeros(1), 0.1, ties)
    # Besides its own variance a crossover may be off by a hundredth of the offsets.
    mean, error = about_the_mean(*reference.with_ties(ties, 0.01 + (0.01 * reference.offset) ** 2))
    assert np.all(np.abs(found.offset - found.offset.mean() - mean) < 0.15 * error)
    np.testing.assert_allclose(found.error, error, rtol=0.16)
