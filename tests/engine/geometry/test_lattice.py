"""The lattice: edges on whole multiples, windows that fit, also at coordinates of five million metres."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry.lattice import Lattice


def test_edges_lie_on_whole_multiples_of_the_cell():
    lattice = Lattice.covering(400000.1, 5000000.3, 400010.2, 5000004.9, 0.25)
    assert lattice.extent == (400000.0, 5000000.25, 400010.25, 5000005.0)
    assert lattice.shape == (19, 41)


@pytest.mark.parametrize("cell_m", [0.1, 0.25, 0.3, 0.7, 1.0])
def test_an_extent_on_the_edges_is_not_widened_by_rounding(cell_m):
    left, bottom = 4_000_123, 50_000_321
    lattice = Lattice.covering(left * cell_m, bottom * cell_m, (left + 40) * cell_m, (bottom + 30) * cell_m, cell_m)
    assert lattice.shape == (30, 40)


@pytest.mark.parametrize("steps", [1, 100])
def test_coordinates_beyond_an_edge_by_rounding_alone_add_no_cells(steps):
    # Steps of float64 at 5e6 m are 2^-30 m = 0.93e-9 m; a hundred of them are what a chain of transformations leaves.
    box = np.array([5_000_000.0, 5_000_100.0, 5_000_010.0, 5_000_105.0])
    beyond = steps * np.spacing(box) * (-1, -1, 1, 1)
    assert Lattice.covering(*(box + beyond), 0.25) == Lattice.covering(*box, 0.25)
    lattice = Lattice.covering(4_999_990.0, 5_000_090.0, 5_000_020.0, 5_000_115.0, 0.25)
    assert lattice.window(*(box + beyond)) == lattice.window(*box)


def test_centres_and_geotransform_agree():
    lattice = Lattice.covering(400000, 5000000, 400002, 5000001, 0.5)
    x_min, width, _, y_max, _, height = lattice.geotransform
    np.testing.assert_allclose(lattice.x, x_min + (np.arange(4) + 0.5) * width, rtol=0, atol=1e-9)
    np.testing.assert_allclose(lattice.y, y_max + (np.arange(2) + 0.5) * height, rtol=0, atol=1e-9)


def test_two_extents_share_one_lattice():
    one, other = (Lattice.covering(x, 5e6, x + 10.1, 5e6 + 5, 0.3) for x in (400000.0, 400007.7))
    shared = np.intersect1d(np.round(one.x, 6), np.round(other.x, 6))
    assert len(shared) >= 7


def test_window_holds_the_cells_an_extent_touches():
    lattice = Lattice.covering(0, 0, 10, 10, 1)
    assert lattice.window(2.5, 3.0, 4.0, 5.5) == (4, 7, 2, 4)
    assert lattice.window(-5, -5, 50, 50) == (0, 10, 0, 10)


def test_window_outside_is_empty():
    row0, row1, col0, col1 = Lattice.covering(0, 0, 10, 10, 1).window(20, 20, 30, 30)
    assert row1 == row0 or col1 == col0


def test_part_of_a_lattice_has_the_same_cells():
    lattice = Lattice.covering(400000, 5000000, 400010, 5000010, 0.7)
    part = lattice.sub((2, 5, 3, 9))
    np.testing.assert_array_equal(part.x, lattice.x[3:9])
    np.testing.assert_array_equal(part.y, lattice.y[2:5])


@pytest.mark.parametrize(
    ("extent", "cell_m", "sentence"),
    [
        ((0, 0, 10, 10), 0.0, "Invalid cell size: 0 was given"),
        ((0, 0, 10, 10), float("nan"), "must be a number"),
        ((0, 0, 0, 10), 0.5, "Invalid extent"),
        ((0, 0, 1e6, 1e6), 0.1, "take larger cells"),
    ],
)
def test_senseless_lattices_fail_with_a_sentence(extent, cell_m, sentence):
    with pytest.raises(EngineError, match=sentence):
        Lattice.covering(*extent, cell_m)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_rounding_beyond_an_edge_is_forgiven_and_a_hundredth_of_a_millimetre_is_not(way):
    """Coordinates of 5e6 m are stored to 1e-9 m (numpy.spacing), which a few hundred operations add up to 5e-7 m."""
    inside = (400000.0, 5000000.0, 400010.0, 5000010.0)
    rounding, beyond = (np.array([-way, -way, way, way]) * off for off in (500 * np.spacing(5e6), 1e-5))
    assert rounding.max() == pytest.approx(5e-7, rel=0.1)
    assert Lattice.covering(*(inside + rounding), 0.5).shape == (20, 20)
    # What reaches beyond the edges takes a cell more on each side; what ends before them needs the last one still.
    assert Lattice.covering(*(inside + beyond), 0.5).shape == ((22, 22) if way > 0 else (20, 20))
    lattice = Lattice.covering(*inside, 0.5)
    assert lattice.window(*(np.array([402.0, 0, 404.0, 10]) + [4e5 - 400, 5e6, 4e5 - 400, 5e6] + rounding)) == (
        0,
        20,
        4,
        8,
    )
