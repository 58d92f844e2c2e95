"""Minimum curvature against surface of the Generic Mapping Tools and a thin-surface spline of scipy."""

import shutil
import subprocess

import numpy as np
import pytest
from scipy import sparse
from scipy.interpolate import RBFInterpolator
from scipy.sparse.linalg import spsolve
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.scattered.minimum_curvature import minimum_curvature
from turnrow.processing_provider.engine.scattered.multigrid import energy_gradient

LATTICE = Lattice.covering(0, 0, 40, 30, 0.5)
EDGE = 10
"""Cells: the programs treat the edges of the region differently."""


@pytest.fixture
def readings():
    """Readings in the middle of cells, so that programs differ in nothing but the surface."""
    cell = np.random.default_rng(1).choice(LATTICE.rows * LATTICE.cols, 150, replace=False)
    row, col = np.divmod(cell, LATTICE.cols)
    x, y = LATTICE.x[col], LATTICE.y[row]
    return x, y, 5 * np.sin(x / 5) * np.cos(y / 4) + 0.1 * x


@pytest.mark.parametrize("tension", [0.0, 0.25, 0.5, 0.9])
def test_it_is_the_surface_of_gmt(readings, tension, tmp_path):
    """gmt surface (GMT 6): same tension, same lattice; within 1 % of the range away from edges."""
    gdal = pytest.importorskip("osgeo.gdal")
    if not shutil.which("gmt"):
        pytest.skip("the program gmt is not installed")
    np.stack(readings, axis=1).tofile(tmp_path / "readings.bin")
    command = ["gmt", "surface", "readings.bin", "-R0/40/0/30", "-I0.5", "-r", "-bi3d", f"-T{tension}", "-Ggrid.nc",
               "-C1e-6", "-N5000"]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, cwd=tmp_path)
    data = gdal.Open(str(tmp_path / "grid.nc"))
    theirs = data.ReadAsArray().astype(float)
    theirs = theirs if data.GetGeoTransform()[5] < 0 else theirs[::-1]
    ours = minimum_curvature(*readings, LATTICE, tension=tension)
    inner = slice(EDGE, -EDGE), slice(EDGE, -EDGE)
    assert np.abs(ours - theirs)[inner].max() < 0.01 * np.ptp(readings[2])


def stiffness(rows, cols, tension):
    """Return the matrix of the surface's energy from differences along rows and columns as Kronecker products."""
    first = [sparse.diags([-1, 1], [0, 1], shape=(n - 1, n)) for n in (rows, cols)]
    second = [sparse.diags([1, -2, 1], [0, 1, 2], shape=(n - 2, n)) for n in (rows, cols)]
    whole = [sparse.identity(n) for n in (rows, cols)]

    def square(along, across):
        matrix = sparse.kron(along, across)
        return matrix.T @ matrix

    bend = square(second[0], whole[1]) + square(whole[0], second[1]) + 2 * square(*first)
    stretch = square(first[0], whole[1]) + square(whole[0], first[1])
    return ((1 - tension) * bend + tension * stretch).tocsc()


@pytest.mark.parametrize("tension", [0.0, 0.25, 0.9])
@pytest.mark.parametrize("shape", [(30, 17), (6, 400), (3, 4)])
def test_the_force_is_that_of_the_energy(shape, tension):
    """scipy.sparse: the energy's matrix, term by term."""
    surface = np.random.default_rng(7).normal(size=shape)
    expected = (stiffness(*shape, tension) @ surface.ravel()).reshape(shape)
    np.testing.assert_allclose(energy_gradient(surface, tension), expected, rtol=0, atol=1e-12)


@pytest.mark.parametrize("tension", [0.0, 0.25, 0.9])
@pytest.mark.parametrize("count", [30, 300])
def test_the_surface_is_in_equilibrium_however_sparse_the_readings(count, tension):
    """scipy.sparse.linalg.spsolve on the same energy. Rest is asked for to 1e-4 of the range."""
    lattice = Lattice.covering(0, 0, 50, 45, 0.5)
    cell = np.random.default_rng(count).choice(lattice.rows * lattice.cols, count, replace=False)
    row, col = np.divmod(cell, lattice.cols)
    x, y = lattice.x[col], lattice.y[row]
    z = np.sin(x / 15) + np.cos(y / 12) + 0.02 * x
    matrix, free = stiffness(*lattice.shape, tension), np.ones(lattice.rows * lattice.cols, bool)
    free[cell] = False
    expected = np.zeros(len(free))
    expected[cell] = z
    expected[free] = spsolve(matrix[free][:, free], -matrix[free][:, cell] @ z)
    off = np.abs(minimum_curvature(x, y, z, lattice, tension=tension) - expected.reshape(lattice.shape))
    # Outside the outermost readings hardly anything holds a surface without tension.
    assert np.sqrt(np.mean(off**2)) < (1e-3 if tension == 0.0 else 2e-4) * np.ptp(z)


def test_lines_off_the_middle_of_cells_are_gridded_as_gmt_surface_does(tmp_path):
    """gmt blockmean and surface (GMT 6): readings dense along lines 0.5 m apart, on the edges of cells of 0.125 m.

    surface keeps coordinates in single precision, so the origin is near.
    """
    gdal = pytest.importorskip("osgeo.gdal")
    if not shutil.which("gmt"):
        pytest.skip("the program gmt is not installed")
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0.25, 20, 0.5), np.arange(0.0625, 16, 0.125)))
    z = 4 * np.exp(-((x - 9) ** 2 + (y - 7) ** 2) / 2 / 0.8**2) + np.sin(x) * np.cos(y / 2)
    np.stack([x, y, z], axis=1).tofile(tmp_path / "readings.bin")
    where = ["-R0/20/0/16", "-I0.125", "-r", "-bi3d"]
    with (tmp_path / "means.bin").open("wb") as means:
        subprocess.run(["gmt", "blockmean", "readings.bin", *where, "-bo3d"], check=True, stdout=means, cwd=tmp_path)
    command = ["gmt", "surface", "means.bin", *where, "-T0.25", "-Ggrid.nc"]
    subprocess.run(command, check=True, capture_output=True, cwd=tmp_path)
    data = gdal.Open(str(tmp_path / "grid.nc"))
    theirs = data.ReadAsArray().astype(float)
    theirs = theirs if data.GetGeoTransform()[5] < 0 else theirs[::-1]
    ours = minimum_curvature(x, y, z, Lattice.covering(0, 0, 20, 16, 0.125))
    inner = slice(EDGE, -EDGE), slice(EDGE, -EDGE)
    assert np.abs(ours - theirs)[inner].max() < 0.01 * np.ptp(z)


def test_without_tension_it_tends_to_the_thin_plate_spline():
    """scipy.interpolate.RBFInterpolator, thin_plate_spline: the minimum of the bending energy over the whole plane.

    Cells of half the width bring the surface on a lattice nearer to it; edges of the lattice are free where the spline
    goes on, so only the middle is compared.
    """
    rng = np.random.default_rng(3)
    off = []
    for cell_m in (1.0, 0.5):
        lattice = Lattice.covering(0, 0, 40, 40, cell_m)
        cell = rng.choice(lattice.rows * lattice.cols, 300, replace=False)
        row, col = np.divmod(cell, lattice.cols)
        x, y = lattice.x[col], lattice.y[row]
        z = np.sin(x / 6) + np.cos(y / 5)
        spline = RBFInterpolator(np.stack([x, y], axis=1), z, kernel="thin_plate_spline")
        places = np.stack(np.meshgrid(lattice.x, lattice.y), axis=-1).reshape(-1, 2)
        apart = spline(places).reshape(lattice.shape) - minimum_curvature(x, y, z, lattice, tension=0.0)
        inner = slice(lattice.rows // 4, -lattice.rows // 4)
        off.append(np.sqrt(np.mean(apart[inner, inner] ** 2)) / np.ptp(z))
    assert off[0] < 0.01
    assert off[1] < 0.005
