"""Power in empty circles: between lines, among scattered points, and how far the nearest held cell is."""

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt
from scipy.spatial import Delaunay, cKDTree
from turnrow.processing_provider.engine.scattered.empty_circles import circle_power, to_nearest


def power_around(points, shape, widest):
    """Power among (n, 2) rows and columns on a lattice."""
    middles = np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), axis=-1).reshape(-1, 2)
    _, number = cKDTree(points).query(middles)
    down, right = (points[number] - middles).T.reshape(2, *shape).astype(np.float32)
    held = np.zeros(shape, bool)
    held[tuple(np.floor(points + 0.5).astype(int).T)] = True
    return circle_power(down, right, held, widest)


@pytest.mark.parametrize("spacing", [2.0, 3.0, 4.0, 7.5])
@pytest.mark.parametrize("offset", [0.0, 0.3, 0.499])
def test_between_two_lines_it_is_the_product_of_the_distances(spacing, offset):
    """The power of a point by a circle is the product of the parts of any chord through it (Euclid III 35)."""
    across = np.arange(2.0 + offset, 38.0, spacing)
    points = np.stack(np.meshgrid(across, np.arange(40.0), indexing="ij"), axis=-1).reshape(-1, 2)
    row = np.arange(10, 28)
    left = across[np.searchsorted(across, row, side="right") - 1]
    expected = (row - left) * (left + spacing - row)
    found = power_around(points, (40, 40), 2.0 * spacing)[10:28, 20]
    # A circle on the middle of a cell is less than a cell off the middle of the gap, towards the place: that takes off
    # twice that by the distance to the nearer line. Next to the middle of the gap circles between cells take off
    # nothing. Readings a cell apart along the line add up to a quarter.
    parts = np.sort([row - left, left + spacing - row], axis=0)
    off = np.where(parts[1] - parts[0] < 1, 0.0, 2 * parts[0])
    assert (found > expected - off - 1e-3).all()
    assert (found < expected + 0.25 + 1e-3).all()


def test_among_points_it_is_the_power_of_the_circles_through_their_triangles():
    """scipy.spatial.Delaunay: the empty circles; the widest stands on a middle of a cell up to 0.71 off."""
    shape = (80, 80)
    points = np.random.default_rng(3).uniform(0, 79, (90, 2))
    triangles = points[Delaunay(points).simplices]
    # Centres from the two bisectors.
    first = triangles[:, :1]
    centre = np.linalg.solve(2 * (triangles[:, 1:] - first), np.square(triangles[:, 1:]).sum(2)[..., None]
                             - np.square(first).sum(2)[..., None])[..., 0]  # fmt: skip
    square = np.square(centre - points[Delaunay(points).simplices[:, 0]]).sum(axis=1)
    row, col = np.mgrid[20:60, 20:60]
    away = (row[..., None] - centre[:, 0]) ** 2 + (col[..., None] - centre[:, 1]) ** 2
    expected = (square - away).max(axis=-1)
    ratio = power_around(points, shape, 30.0)[20:60, 20:60] / expected
    # Power changes along a line by twice the distance to the radical axis: 2 R 0.71 at most, R about 6 cells here.
    wide = expected > 10
    assert 0.85 < np.median(ratio[wide]) < 1.1


def test_the_nearest_held_cell_is_that_of_the_distance_transform():
    """scipy.ndimage.distance_transform_edt."""
    held = np.random.default_rng(4).random((50, 60)) < 0.05
    down, right = to_nearest(held, 59)
    np.testing.assert_allclose(np.hypot(down, right), distance_transform_edt(~held), rtol=1e-6)
    row, col = np.indices(held.shape)
    assert held[(row + down).astype(int), (col + right).astype(int)].all()


def test_no_circle_reaches_farther_than_asked_beyond_the_outer_line():
    """A line at column 5: at distance e the circle of radius 6 that touches it gives e (12 - e), and e^2 from 6 on."""
    points = np.stack([np.arange(60.0), np.full(60, 5.0)], axis=1)
    found = power_around(points, (60, 40), 6.0)[30, 6:25]
    away = np.arange(1.0, 20.0)
    np.testing.assert_allclose(found, np.where(away <= 6, away * (12 - away), away**2), rtol=1e-5)
