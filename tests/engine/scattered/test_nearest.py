"""The reading nearest to every cell, against a search tree."""

import numpy as np
import pytest
from scipy.spatial import cKDTree
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.scattered.nearest import EDGE_M, Nearest

X0, Y0 = 400000.0, 5000000.0


def lines(spacing, interval, size=20.0):
    u, v = np.meshgrid(np.arange(spacing / 2, size, spacing), np.arange(interval / 2, size, interval))
    return np.stack([u.ravel(), v.ravel()], axis=1)


def scattered(count, size=20.0):
    return np.random.default_rng(2).uniform(0, size, (count, 2))


def crowded():
    return np.concatenate([scattered(300), 5 + 0.1 * scattered(40, 1.0)])


@pytest.mark.parametrize(
    ("points", "cell_m", "reach_m"),
    [
        (lines(0.5, 0.125), 0.25, 0.75),
        (lines(1.0, 0.25), 0.1, 1.5),
        (lines(0.5, 0.125), 1.0, 0.75),
        (scattered(500), 0.25, 2.0),
        (scattered(40), 0.05, 1.0),
        (crowded(), 0.5, 1.5),
        (np.concatenate([scattered(200), [150.0, 200.0] + scattered(200)]), 0.25, 1.0),
    ],
)
def test_it_equals_a_search_tree(points, cell_m, reach_m):
    """scipy.spatial.cKDTree.query; of readings equally far, to single precision, either will do."""
    points = points + [X0, Y0]
    lattice = Lattice.covering(*(points.min(axis=0) - 1.0), *(points.max(axis=0) + 1.0), cell_m)
    tree, found = cKDTree(points), np.zeros(lattice.shape, bool)
    for start, cells, number, away in Nearest(points, lattice, reach_m).blocks():
        row, col = np.divmod(cells, min(512, lattice.cols - start[1]))
        centres = np.stack([lattice.x[col + start[1]], lattice.y[row + start[0]]], axis=1)
        np.testing.assert_allclose(away, tree.query(centres)[0], rtol=0, atol=EDGE_M)
        np.testing.assert_allclose(np.hypot(*(points[number] - centres).T), away, rtol=0, atol=EDGE_M)
        found[row + start[0], col + start[1]] = True
    every = np.stack([grid.ravel() for grid in np.meshgrid(lattice.x, lattice.y)], axis=1)
    away = tree.query(every)[0].reshape(lattice.shape)
    assert found[away < reach_m].all()
    assert not found[away > reach_m + 2 * EDGE_M].any()
