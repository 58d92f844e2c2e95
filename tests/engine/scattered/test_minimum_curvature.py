"""Minimum curvature with tension: planes, symmetry, the limit of a membrane, and what it refuses."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.scattered.minimum_curvature import (
    COARSE_TOLERANCE,
    fit_surface,
    minimum_curvature,
)
from turnrow.processing_provider.engine.scattered.multigrid import Preconditioner, prolonged, restricted

LATTICE = Lattice.covering(0, 0, 20, 15, 0.5)
REST = 1e-3
"""Each round is solved to 1e-4 of the range; differences of two surfaces and of several rounds add up."""


@pytest.fixture
def points():
    rng = np.random.default_rng(6)
    return rng.uniform(0.3, 19.7, 120), rng.uniform(0.3, 14.7, 120), rng.normal(15, 2, 120)


def test_a_plane_comes_out_to_its_free_edges(points):
    x, y, _ = points
    surface = minimum_curvature(x, y, 3 + 0.4 * x - 0.2 * y, LATTICE, tension=0.0)
    expected = 3 + 0.4 * LATTICE.x - 0.2 * LATTICE.y[:, None]
    assert np.abs(surface - expected).max() < REST * np.ptp(expected)


def test_a_constant_stays_under_any_tension(points):
    x, y, _ = points
    for tension in (0.0, 0.5, 0.9):
        np.testing.assert_allclose(minimum_curvature(x, y, np.full(len(x), 7.0), LATTICE, tension=tension), 7.0)


def test_readings_in_the_middle_of_cells_are_kept(points):
    cell = np.random.default_rng(1).choice(LATTICE.rows * LATTICE.cols, 100, replace=False)
    row, col = np.divmod(cell, LATTICE.cols)
    z = np.random.default_rng(2).normal(size=100)
    surface = minimum_curvature(LATTICE.x[col], LATTICE.y[row], z, LATTICE)
    np.testing.assert_allclose(surface[row, col], z, atol=1e-5 * np.ptp(z))  # single precision


def test_readings_off_the_middle_are_carried_along_the_slope(points):
    """On a parabola the mean of a cell's readings is exact once slope and curvature are taken off."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0.1, 20, 0.3), np.arange(0.2, 15, 0.3)))
    surface = minimum_curvature(x, y, 0.05 * (x - 8) ** 2 + 0.1 * y, LATTICE, tension=0.0)
    expected = 0.05 * (LATTICE.x - 8) ** 2 + 0.1 * LATTICE.y[:, None]
    inner = slice(3, -3), slice(3, -3)
    assert np.abs(surface - expected)[inner].max() < REST * np.ptp(expected)


def test_mirrored_and_transposed_readings_give_mirrored_and_transposed_surfaces(points):
    x, y, z = points
    square = Lattice.covering(0, 0, 20, 20, 0.5)
    surface = minimum_curvature(x, y, z, square)
    for turned, (u, v) in ((np.fliplr, (20 - x, y)), (np.flipud, (x, 20 - y)), (lambda p: p[::-1, ::-1].T, (y, x))):
        assert np.abs(minimum_curvature(u, v, z, square) - turned(surface)).max() < REST * np.ptp(z)


def test_a_plane_added_to_the_readings_is_added_to_the_surface(points):
    x, y, z = points
    surface = minimum_curvature(x, y, z, LATTICE, tension=0.0)
    tilted = minimum_curvature(x, y, z + 0.3 * x, LATTICE, tension=0.0)
    assert np.abs(tilted - surface - 0.3 * LATTICE.x)[2:-2, 2:-2].max() < 2 * REST * np.ptp(z + 0.3 * x)


def test_high_tension_tends_to_a_membrane():
    """Between two parallel lines held at 0 and 1 a membrane is a straight ramp: Laplace's equation in one dimension."""
    x = np.tile(LATTICE.x, 2)
    y = np.repeat([LATTICE.y[3], LATTICE.y[23]], LATTICE.cols)
    surface = minimum_curvature(x, y, np.repeat([0.0, 1.0], LATTICE.cols), LATTICE, tension=0.99)
    ramp = np.linspace(0, 1, 21)
    assert np.abs(surface[3:24] - ramp[:, None]).max() < 0.01


def test_residuals_are_the_errors_of_a_surface_without_the_readings():
    """Readings in the middle of cells are not carried, so a new surface through the others is the same."""
    cell = np.random.default_rng(8).choice(LATTICE.rows * LATTICE.cols, 150, replace=False)
    row, col = np.divmod(np.sort(cell), LATTICE.cols)
    x, y = LATTICE.x[col], LATTICE.y[row]
    z = np.sin(x / 2) + np.cos(y / 3)
    out = np.arange(150) % 3 == 1
    without = minimum_curvature(x[~out], y[~out], z[~out], LATTICE)
    surface = fit_surface(x, y, z, LATTICE)
    np.testing.assert_array_equal(surface.cell, np.sort(cell))
    expected = (z - without[row, col])[out]
    assert np.sqrt(np.mean(expected**2)) > 20 * COARSE_TOLERANCE * np.ptp(z)
    # Both are in equilibrium to their tolerances.
    assert np.abs(surface.residuals(out) - expected).max() < 5 * COARSE_TOLERANCE * np.ptp(z)


def test_what_holds_a_surface_is_counted():
    x, y = np.array([0.1, 0.4, 3.25, 90.0]), np.array([0.25, 0.25, 5.25, 1.0])
    surface = fit_surface(x, y, np.arange(4.0), LATTICE)
    row, col = np.divmod(surface.cell, LATTICE.cols)
    np.testing.assert_allclose(LATTICE.x[col], [3.25, 0.25])
    np.testing.assert_array_equal(surface.count, [1, 2])
    assert surface.number[0] == 2
    assert surface.number[1] in (0, 1)
    # 0.15 m are 0.3 cells.
    np.testing.assert_allclose(surface.spread, [[0, 0], [0, 0.09]], atol=1e-6)


def test_input_is_not_changed(points):
    before = [column.copy() for column in points]
    minimum_curvature(*points, LATTICE)
    for now, then in zip(points, before):
        np.testing.assert_array_equal(now, then)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"tension": 1.0}, "Invalid tension: 1 was given"),
        ({"x": np.array([1.0, np.nan, 3.0])}, "1 of 3 are no numbers"),
        ({"x": np.array([1.0, 2.0])}, "columns of the same length"),
        ({"x": np.array([100.0, 200.0, 300.0])}, "No reading lies on the lattice"),
    ],
)
def test_what_cannot_be_gridded_is_refused(change, sentence):
    given = {"x": np.array([1.0, 2.0, 3.0]), "y": np.array([1.0, 2.0, 2.5]), "z": np.zeros(3), **change}
    columns = [given.pop(name) for name in "xyz"]
    with pytest.raises(EngineError, match=sentence):
        minimum_curvature(*columns, LATTICE, **given)


def test_one_place_and_doubled_readings_are_enough():
    surface = minimum_curvature(np.array([5.0, 5.0]), np.array([5.0, 5.0]), np.array([2.0, 4.0]), LATTICE)
    np.testing.assert_allclose(surface, 3.0, atol=1e-4)


@pytest.mark.parametrize("shape", [(8, 6), (9, 7), (2, 5), (1, 3), (1, 1)])
def test_restriction_is_the_transpose_of_prolongation(shape):
    """Else the sum over levels is not symmetric, and conjugate gradients need not converge."""
    rng = np.random.default_rng(4)
    force, surface = rng.normal(size=shape), rng.normal(size=(-(-shape[0] // 2), -(-shape[1] // 2)))
    given = np.vdot(prolonged(surface, shape), force)
    assert given == pytest.approx(np.vdot(surface, restricted(force)), rel=1e-12, abs=1e-12)


def test_a_plane_prolonged_is_a_plane_to_its_edges():
    coarse, fine = Lattice.covering(0, 0, 20, 16, 2.0), Lattice.covering(0, 0, 20, 16, 1.0)
    planes = [3 + 0.4 * lattice.x - 0.2 * lattice.y[:, None] for lattice in (coarse, fine)]
    np.testing.assert_allclose(prolonged(planes[0], fine.shape), planes[1], rtol=0, atol=1e-12)


@pytest.mark.parametrize("tension", [0.0, 0.5])
def test_the_preconditioner_is_symmetric_and_positive(tension):
    """Conjugate gradients take only such."""
    rng = np.random.default_rng(5)
    free = rng.random((40, 33)) > 0.02
    precondition = Preconditioner(free, tension)
    one, other = (rng.normal(size=free.shape).astype(np.float32) * free for _ in range(2))
    there, back = np.vdot(one, precondition(other)), np.vdot(other, precondition(one))
    size = np.sqrt(np.vdot(one, precondition(one)) * np.vdot(other, precondition(other)))
    assert np.isfinite(size)
    assert abs(there - back) < 1e-5 * size  # single precision
    assert not precondition(one)[~free].any()
