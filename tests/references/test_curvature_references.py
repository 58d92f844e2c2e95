"""Minimum curvature against surface of the Generic Mapping Tools and a thin-plate spline of scipy."""

import shutil
import subprocess

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator
from turnrow.processing_provider.engine.curvature import minimum_curvature
from turnrow.processing_provider.engine.lattice import Lattice

LATTICE = Lattice.covering(0, 0, 40, 30, 0.5)
EDGE = 10
"""Cells: the programs treat the edges of the region differently."""


@pytest.fixture
def readings():
    """Readings in the middle of cells, so that programs differ in nothing but the plate."""
    cell = np.random.default_rng(1).choice(LATTICE.rows * LATTICE.cols, 150, replace=False)
    row, col = np.divmod(cell, LATTICE.cols)
    x, y = LATTICE.x[col], LATTICE.y[row]
    return x, y, 5 * np.sin(x / 5) * np.cos(y / 4) + 0.1 * x


@pytest.mark.parametrize("tension", [0.0, 0.25, 0.5, 0.9])
def test_the_plate_is_that_of_gmt_surface(readings, tension, tmp_path):
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


def test_without_tension_it_tends_to_the_thin_plate_spline():
    """scipy.interpolate.RBFInterpolator, thin_plate_spline: the minimum of the bending energy over the whole plane.

    Cells of half the width bring the plate on a lattice nearer to it; edges of the lattice are free where the spline
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
