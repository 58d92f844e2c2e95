"""Interpolation against linear triangulation by GDAL, side by side: error to the truth, and time.

    python tests/benchmarks/gridding.py [--profile]

The same readings without noise go to both. The truth are smooth Gaussian features on grids of 40 by 40 m, lines 0.5 m
apart, 8 readings a metre, cells of 0.25 m: one grid (25,600 readings) and sixteen (409,600). Prints ratios; cells that
either leaves empty count for neither.
"""

from __future__ import annotations

import cProfile
import importlib.util
import pstats
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Callable

import numpy as np
from osgeo import gdal, ogr

ROOT = Path(__file__).resolve().parents[2]
NAME = "turnrow"
SPACING_M, READINGS_PER_M, SIZE_M, CELL_M = 0.5, 8, 40.0, 0.25
X0, Y0 = 400000.0, 5000000.0

spec = importlib.util.spec_from_file_location(NAME, ROOT / "__init__.py", submodule_search_locations=[str(ROOT)])
package = importlib.util.module_from_spec(spec)
sys.modules[NAME] = package
spec.loader.exec_module(package)

from turnrow.processing_provider.engine.interpolate import interpolate_readings  # noqa: E402
from turnrow.processing_provider.engine.lattice import Lattice  # noqa: E402
from turnrow.processing_provider.engine.readings import Readings  # noqa: E402

gdal.UseExceptions()


def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Smooth ground: Gaussian features with standard deviations of 1 to 2.5 m, one on every 16 square metres."""
    rng = np.random.default_rng(7)
    side = 160.0
    z = np.full(np.shape(x), 20.0)
    for a, b, width, height in zip(*rng.uniform([[0], [0], [1.0], [-6]], [[side], [side], [2.5], [9]], (4, 1600))):
        near = (np.abs(x - X0 - a) < 7 * width) & (np.abs(y - Y0 - b) < 7 * width)
        z[near] += height * np.exp(-((x[near] - X0 - a) ** 2 + (y[near] - Y0 - b) ** 2) / 2 / width**2)
    return z


def survey(grids_a_side: int) -> Readings:
    """Return the readings of square blocks of grids, walked back and forth."""
    u = np.arange(SPACING_M / 2, SIZE_M, SPACING_M)
    v = (np.arange(SIZE_M * READINGS_PER_M) + 0.5) / READINGS_PER_M
    us, vs = np.meshgrid(u, v, indexing="ij")
    vs[1::2] = vs[1::2, ::-1].copy()
    count = grids_a_side**2
    grid = np.repeat(np.arange(count), us.size)
    u_m, v_m = np.tile(us.ravel(), count), np.tile(vs.ravel(), count)
    x, y = X0 + u_m + SIZE_M * (grid // grids_a_side), Y0 + v_m + SIZE_M * (grid % grids_a_side)
    line = np.tile(np.repeat(np.arange(1, len(u) + 1), len(v)), count)
    names = [f"G{n + 1}" for n in range(count)]
    return Readings.build(line, {"eca": ground(x, y)}, grids=names, grid=grid, u_m=u_m, v_m=v_m, x=x, y=y)


def fastest(run: Callable[[], np.ndarray], repeats: int) -> tuple[float, np.ndarray]:
    """Return the shortest time in seconds of several runs, and the last result."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        result = run()
        times.append(time.perf_counter() - start)
    return min(times), result


def gdal_in_process(readings: Readings, lattice: Lattice) -> Callable[[], np.ndarray]:
    """Return a function that runs gdal.Grid on a layer in memory, which spares GDAL reading a file."""
    source = gdal.GetDriverByName("Memory").Create("readings", 0, 0, 0, gdal.GDT_Unknown)
    layer = source.CreateLayer("readings", geom_type=ogr.wkbPoint25D)
    definition = layer.GetLayerDefn()
    for x, y, z in zip(readings.x, readings.y, readings.channels["eca"]):
        feature = ogr.Feature(definition)
        point = ogr.Geometry(ogr.wkbPoint25D)
        point.AddPoint(x, y, z)
        feature.SetGeometry(point)
        layer.CreateFeature(feature)
    x0, y0, x1, y1 = lattice.extent
    options = {"format": "MEM", "outputType": gdal.GDT_Float64, "width": lattice.cols, "height": lattice.rows,
               "outputBounds": [x0, y1, x1, y0], "algorithm": "linear:radius=0:nodata=nan"}  # fmt: skip
    return lambda: _north_up(gdal.Grid("", source, **options))


def gdal_program(readings: Readings, lattice: Lattice, folder: Path) -> Callable[[], np.ndarray]:
    """Return a function that runs the program gdal_grid on a text file."""
    table = np.stack([readings.x, readings.y, readings.channels["eca"]], axis=1)
    text, layer, raster = (folder / name for name in ("readings.csv", "readings.vrt", "grid.tif"))
    np.savetxt(text, table, delimiter=",", header="x,y,z", comments="", fmt="%.6f")
    layer.write_text(
        f'<OGRVRTDataSource><OGRVRTLayer name="readings"><SrcDataSource>{text}</SrcDataSource>'
        '<GeometryType>wkbPoint25D</GeometryType><GeometryField encoding="PointFromColumns" x="x" y="y" z="z"/>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    x0, y0, x1, y1 = (str(value) for value in lattice.extent)
    command = ["gdal_grid", "-q", "-a", "linear:radius=0:nodata=nan", "-txe", x0, x1, "-tye", y1, y0, "-outsize",
               str(lattice.cols), str(lattice.rows), "-ot", "Float64", str(layer), str(raster)]  # fmt: skip

    def run() -> np.ndarray:
        subprocess.run(command, check=True)
        return _north_up(gdal.Open(str(raster)))

    return run


def _north_up(raster: gdal.Dataset) -> np.ndarray:
    values = raster.ReadAsArray()
    return values if raster.GetGeoTransform()[5] < 0 else values[::-1]


def compare(grids_a_side: int, profile: bool) -> None:
    """Print errors, times and ratios for one size of survey."""
    readings = survey(grids_a_side)
    side = SIZE_M * grids_a_side
    lattice = Lattice.covering(X0, Y0, X0 + side, Y0 + side, CELL_M)
    truth = ground(*np.meshgrid(lattice.x, lattice.y))

    def ours() -> np.ndarray:
        return interpolate_readings(readings, "eca", lattice).values

    results = {"cubic": fastest(ours, 5)}
    results["gdal.Grid linear"] = fastest(gdal_in_process(readings, lattice), 1)
    with tempfile.TemporaryDirectory() as folder:
        results["gdal_grid linear"] = fastest(gdal_program(readings, lattice, Path(folder)), 1)
    common = np.all([np.isfinite(values) for _, values in results.values()], axis=0)
    seconds, values = results["cubic"]
    error = np.sqrt(np.mean((values - truth)[common] ** 2))
    print(f"{len(readings)} readings, {lattice.rows} x {lattice.cols} cells, {common.mean():.1%} compared")
    print(f"  cubic: {seconds:.3f} s, RMSE {error:.6f}")
    for name, (other_seconds, other) in list(results.items())[1:]:
        of_other = np.sqrt(np.mean((other - truth)[common] ** 2))
        print(f"  {name}: {other_seconds:.3f} s, RMSE {of_other:.6f}; cubic is {other_seconds / seconds:.0f} times "
              f"faster at 1/{of_other / error:.0f} of the error")  # fmt: skip
    if profile:
        watch = cProfile.Profile()
        watch.runcall(ours)
        pstats.Stats(watch).sort_stats("cumulative").print_stats(20)


def main() -> None:
    """Compare one grid and sixteen."""
    for grids_a_side in (1, 4):
        compare(grids_a_side, "--profile" in sys.argv and grids_a_side == 4)


if __name__ == "__main__":
    main()
