"""Along-line position errors held against the stated model solved directly, on a grid that is small enough for that.

The model (``docs/methods/align.md``): the value recorded at v was taken at v + w(v); a line then looks like the mean of
its two neighbours. Here all weights of all lines are found by ``scipy.optimize.least_squares`` with derivatives by
differences of the misfits themselves, and covariances by inverting the whole matrix; the engine solves equations in
blocks, with the slope of the neighbours for the derivative, in four rounds.
"""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from turnrow.processing_provider.engine.align import walk as engine
from turnrow.processing_provider.engine.core import Readings, lines_of

STEP_M, LENGTH_M, LINES = 0.125, 10.0, 8
# As the model states them, in metres: what a carried instrument does, and how lines are compared.
ENDS_M, PACE_M, PACE_LENGTH_M, JITTER_M = 0.12, 0.15, 7.0, 0.06
NODE_M, FINE_M, COARSE_M, WINDOW_M, CORRELATED_M = 0.375, 0.3, 1.0, 0.8, 1.0
# Kinds of shapes have a variance each, drawn to that of all of them as by twenty weights; neighbours show a part of it.
PRIOR_WEIGHTS, UNSEEN, LEAST, LARGEST = 20.0, 1.8, 1e-4, 4.0


def profile(v):
    """Anomalies along a line, the same on all lines."""
    rng = np.random.default_rng(3)
    middle, width, height = rng.uniform(0, LENGTH_M, 10), rng.uniform(0.4, 0.9, 10), rng.uniform(-4, 4, 10)
    return (height * np.exp(-(((v[..., None] - middle) / width) ** 2) / 2)).sum(axis=-1)


def walked(seed, ends_m, bow_m):
    """Return lines and values of a grid whose lines start and stop off, and bow in between."""
    rng = np.random.default_rng(seed)
    v = np.tile(np.arange(STEP_M / 2, LENGTH_M, STEP_M), (LINES, 1))
    t = v / LENGTH_M
    start, stop, bow = rng.normal(0, 1, (3, LINES, 1)) * np.array([ends_m, ends_m, bow_m])[:, None, None]
    ahead = start * (1 - t) + stop * t + bow * np.sin(np.pi * t)
    values = profile(v + ahead) + rng.normal(0, 0.1, v.shape)
    number = np.arange(1, LINES + 1)[:, None] + 0 * v
    readings = Readings.build(number.ravel().astype(int), {"eca": values.ravel()}, grids=("A",), v_m=v.ravel(),
                              u_m=(number.ravel() - 0.5) * 0.5)  # fmt: skip
    lines = lines_of(readings)
    return lines, lines.resample(readings, readings.channels["eca"])


class Reference:
    """Position errors of lines whose neighbours lie straight beside them."""

    def __init__(self, matrix):
        fine, coarse = (self._smooth(matrix, size / STEP_M, 3.0) for size in (FINE_M, COARSE_M))
        self.data = (fine - coarse)[:, :: round(NODE_M / STEP_M)]
        self.v = np.arange(self.data.shape[1]) * NODE_M
        self.shapes, self.kind = self._shapes()
        self.curves = [CubicSpline(self.v, row) for row in self.data]

    @staticmethod
    def _smooth(values, size, reach):
        smooth = gaussian_filter1d(values, size, axis=-1, mode="constant", truncate=reach)
        return smooth / gaussian_filter1d(np.ones_like(values), size, axis=-1, mode="constant", truncate=reach)

    def _shapes(self):
        t = self.v / self.v[-1]
        even = np.sqrt(ENDS_M**2 / 2 + JITTER_M**2) * np.ones_like(t)
        gauss = np.exp(-((self.v[:, None] - self.v) ** 2) / (2 * PACE_LENGTH_M**2))
        ends = [0, -1]
        gauss = gauss - gauss[:, ends] @ np.linalg.solve(gauss[np.ix_(ends, ends)], gauss[ends])
        size, shape = np.linalg.eigh(PACE_M**2 * gauss / np.mean(np.diag(gauss)))
        wander = (shape * np.sqrt(np.maximum(size, 0)))[:, ::-1][:, :4]
        shapes = np.column_stack([even, ENDS_M * (2 * t - 1) / np.sqrt(2), wander])
        return shapes, np.array([0, 0, 1, 2, 2, 2])

    def misfit(self, weight):
        """Return (L, V) how the lines differ from their neighbours, NaN beyond the ends of the readings."""
        at = self.v - weight.reshape(LINES, -1) @ self.shapes.T
        inside = (at > -NODE_M / 2) & (at < self.v[-1] + NODE_M / 2)
        taken = np.array([curve(np.clip(row, 0, self.v[-1])) for curve, row in zip(self.curves, at)])
        taken = np.where(inside, taken, np.nan)
        beside = np.stack([np.pad(taken, ((1, 0), (0, 0)), constant_values=np.nan)[:-1],
                           np.pad(taken, ((0, 1), (0, 0)), constant_values=np.nan)[1:]])  # fmt: skip
        there = np.isfinite(beside)
        count = there.sum(axis=0)
        return taken - np.where(there, beside, 0).sum(axis=0) / np.where(count > 0, count, np.nan)

    def _residuals(self, weight, root, prior):
        return np.concatenate([np.nan_to_num(self.misfit(weight) * root).ravel(), weight * prior])

    def solve(self, rounds=6):
        """Return position errors (L, V), their standard errors and the standard deviation of them all."""
        size, weight = np.ones(len(self.kind)), np.zeros(LINES * len(self.kind))
        for _ in range(rounds):
            misfit = self.misfit(weight)
            used = np.isfinite(misfit)
            square = gaussian_filter1d(np.where(used, misfit, 0) ** 2, WINDOW_M / NODE_M, mode="constant", truncate=2.5)
            share = gaussian_filter1d(used.astype(float), WINDOW_M / NODE_M, mode="constant", truncate=2.5)
            variance = square / np.maximum(share, 0.05)
            precision = NODE_M / CORRELATED_M / (variance + np.median(variance[used]) / 2)
            root, prior = np.where(used, np.sqrt(precision), 0), 1 / np.sqrt(np.tile(size, LINES))
            found = least_squares(self._residuals, weight, "2-point", max_nfev=4, args=(root, prior))
            weight = found.x
            covariance = np.linalg.inv(found.jac.T @ found.jac)
            size = self._sizes(weight.reshape(LINES, -1), np.diag(covariance).reshape(LINES, -1), size)
        own = covariance.reshape(LINES, len(size), LINES, len(size))[range(LINES), :, range(LINES)]
        error = np.sqrt(np.einsum("vi,lij,vj->lv", self.shapes, own, self.shapes))
        return weight.reshape(LINES, -1) @ self.shapes.T, error, np.sqrt(np.mean(self.shapes**2 @ size))

    def _sizes(self, weight, variance, size):
        square = np.array([UNSEEN * np.sum(weight[:, self.kind == k] ** 2) for k in range(3)])
        seen = np.array([np.sum((1 - variance / size)[:, self.kind == k]) for k in range(3)])
        common = np.clip(square.sum() / seen.sum(), LEAST, LARGEST)
        return np.clip((square + PRIOR_WEIGHTS * common) / (seen + PRIOR_WEIGHTS), LEAST, LARGEST)[self.kind]


@pytest.mark.parametrize(("seed", "ends_m", "bow_m"), [(0, 0.2, 0.0), (1, 0.05, 0.2), (2, 0.1, 0.1)])
def test_position_errors_are_those_of_least_squares(monkeypatch, seed, ends_m, bow_m):
    # Features lie straight across the lines, and both know it.
    monkeypatch.setattr(engine, "_slants", lambda data, *others: np.zeros(data.shape))
    lines, matrix = walked(seed, ends_m, bow_m)
    found = engine.position_errors([matrix], lines)
    ahead, error, sd = Reference(matrix).solve()
    # The engine's slopes are differences over 0.75 m: of a wave sin(x) / x of its slope, x = 2 pi 0.375 m / wavelength,
    # which is 0.78 for 2 m and 0.94 for 4 m. Weights differ by part of a standard error, and errors come out larger.
    moved = found.moved
    assert np.count_nonzero(moved) >= LINES - 2
    assert np.sqrt(np.mean(((found.ahead_m - ahead) / error)[moved] ** 2)) < 0.5
    assert 1.0 < np.median(found.standard_error_m[moved] / error[moved]) < 1.25
    assert found.sd_m == pytest.approx(sd, rel=0.08)
