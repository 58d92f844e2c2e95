"""Interpolation side by side with other programs and libraries: time, memory, and error to the truth, as ratios.

    python tests/benchmarks/interpolation.py [--quick]

The truth is a formula (Gaussian features with standard deviations of 0.5 to 2 m, ridges, a trend; no noise), walked
on lines 0.5 m apart with 8 readings a metre. Surveys of 25,600, 409,600 and 1,638,400 readings; cells of 0.25 and
0.125 m. ``--quick`` stops after 409,600 readings at 0.25 m. Every method runs in a process of its own, one after the
other. Ours are called with their defaults, so they estimate standard errors besides the values, but for "the surface
alone". The ratio of times is that of processor time, all threads and programs together, which other work on the machine
disturbs least. Ours start no threads of their own, but for the search trees of the methods for scattered points; the
linear algebra of numpy may. Cells that a method leaves empty do not count for it. Needs the programs gdal_grid, gmt
and saga_cmd (``apt-get install gdal-bin gmt saga``); what is missing is said. Methods that needed more than
``PATIENCE_S`` for one size are not run on the next.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Callable, Optional

import numpy as np
from _measure import best_of, whole_benchmark
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings
from turnrow.processing_provider.engine.scattered.minimum_curvature import minimum_curvature

SPACING_M, READINGS_PER_M, SIZE_M = 0.5, 8, 40.0
X0, Y0 = 400000.0, 5000000.0
PATIENCE_S = 100.0
TRIES = 9


def truth_at(x: np.ndarray, y: np.ndarray, side: float) -> np.ndarray:
    """Return the truth at map positions: a feature on every 16 square metres, a ridge on every 400."""
    rng = np.random.default_rng(7)
    x, y = x - X0, y - Y0
    z = 20.0 + 0.02 * x - 0.01 * y
    for a, b, width, height in rng.uniform([0, 0, 0.5, -4], [side, side, 2.0, 6], (int(side**2 / 16), 4)):
        near = (np.abs(x - a) < 7 * width) & (np.abs(y - b) < 7 * width)
        z[near] += height * np.exp(-((x[near] - a) ** 2 + (y[near] - b) ** 2) / 2 / width**2)
    for a, b, angle, width, height in rng.uniform(
        [0, 0, 0, 0.5, -3], [side, side, np.pi, 1.0, 3], (max(1, int(side**2 / 400)), 5)
    ):
        away = (x - a) * np.sin(angle) - (y - b) * np.cos(angle)
        along = (x - a) * np.cos(angle) + (y - b) * np.sin(angle)
        z += height * np.exp(-((away / width) ** 2) / 2 - (along / 12.0) ** 2 / 2)
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
    values = {"eca": truth_at(x, y, SIZE_M * grids_a_side)}
    return Readings.build(line, values, grids=names, grid=grid, u_m=u_m, v_m=v_m, x=x, y=y)


Run = Callable[[], np.ndarray]


def ours(readings: Readings, lattice: Lattice, method: str) -> Run:
    """Return a function that interpolates on the traverses."""
    return lambda: interpolate_readings(readings, "eca", lattice, method=method).values


def surface_alone(readings: Readings, lattice: Lattice) -> Run:
    """Return a function that evaluates a minimum-curvature surface alone, as other programs do."""
    return lambda: minimum_curvature(readings.x, readings.y, readings.channels["eca"], lattice)


def triangles_of_scipy(readings: Readings, lattice: Lattice) -> Run:
    """Return a function that joins cubic pieces on triangles."""
    from scipy.interpolate import CloughTocher2DInterpolator

    points = np.stack([readings.x - X0, readings.y - Y0], axis=1)

    def run() -> np.ndarray:
        function = CloughTocher2DInterpolator(points, readings.channels["eca"])
        return function(*np.meshgrid(lattice.x - X0, lattice.y - Y0))

    return run


def gdal_in_process(readings: Readings, lattice: Lattice, algorithm: str) -> Run:
    """Return a function that runs gdal.Grid on a layer in memory, which spares GDAL reading a file."""
    from osgeo import gdal, ogr

    gdal.UseExceptions()
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
               "outputBounds": [x0, y1, x1, y0], "algorithm": f"{algorithm}:nodata=nan"}  # fmt: skip
    return lambda: _north_up(gdal.Grid("", source, **options))


def gdal_program(readings: Readings, lattice: Lattice, folder: Path) -> Run:
    """Return a function that runs the program gdal_grid on a text file and leaves a GeoTIFF."""
    text, layer, raster = (folder / name for name in ("readings.csv", "readings.vrt", "grid.tif"))
    _text(readings, text, ",", "x,y,z")
    layer.write_text(
        f'<OGRVRTDataSource><OGRVRTLayer name="readings"><SrcDataSource>{text}</SrcDataSource>'
        '<GeometryType>wkbPoint25D</GeometryType><GeometryField encoding="PointFromColumns" x="x" y="y" z="z"/>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    x0, y0, x1, y1 = (str(value) for value in lattice.extent)
    command = ["gdal_grid", "-q", "-a", "linear:radius=0:nodata=nan", "-txe", x0, x1, "-tye", y1, y0, "-outsize",
               str(lattice.cols), str(lattice.rows), "-ot", "Float64", str(layer), str(raster)]  # fmt: skip
    return _program(command, raster)


def gmt_surface(readings: Readings, lattice: Lattice, folder: Path) -> Run:
    """Return a function that runs surface of the Generic Mapping Tools on a binary file of block means.

    surface keeps coordinates in single precision, 0.5 m at 5,000,000 m, so it gets them from the site's corner on.
    """
    x0, y0, x1, y1 = (value - origin for value, origin in zip(lattice.extent, (X0, Y0, X0, Y0)))
    where = [f"-R{x0}/{x1}/{y0}/{y1}", f"-I{lattice.cell_m}", "-r"]
    table, means, grid = (folder / name for name in ("readings.bin", "means.bin", "grid.nc"))
    np.stack([readings.x - X0, readings.y - Y0, readings.channels["eca"]], axis=1).astype(float).tofile(table)
    with means.open("wb") as target:
        subprocess.run(["gmt", "blockmean", str(table), *where, "-bi3d", "-bo3d"], check=True, stdout=target)
    return _program(["gmt", "surface", str(means), *where, "-bi3d", "-T0.25", f"-G{grid}"], grid)


def saga_splines(readings: Readings, lattice: Lattice, folder: Path) -> Run:
    """Return a function that runs the multilevel B-splines of SAGA on a shapefile."""
    from osgeo import gdal

    gdal.UseExceptions()
    text, grid = folder / "readings.csv", folder / "grid.sgrd"
    _text(readings, text, ",", "x,y,z")
    columns = ["X_POSSIBLE_NAMES=x", "Y_POSSIBLE_NAMES=y", "AUTODETECT_TYPE=YES", "KEEP_GEOM_COLUMNS=NO"]
    source = gdal.OpenEx(str(text), gdal.OF_VECTOR, allowed_drivers=["CSV"], open_options=columns)
    gdal.VectorTranslate(str(folder / "readings.shp"), source, format="ESRI Shapefile")
    half = lattice.cell_m / 2
    x0, y0, x1, y1 = lattice.extent
    box = [f"-TARGET_USER_XMIN={x0 + half}", f"-TARGET_USER_XMAX={x1 - half}", f"-TARGET_USER_YMIN={y0 + half}",
           f"-TARGET_USER_YMAX={y1 - half}", f"-TARGET_USER_SIZE={lattice.cell_m}"]  # fmt: skip
    command = ["saga_cmd", "grid_spline", "4", f"-SHAPES={folder / 'readings.shp'}", "-FIELD=z",
               "-TARGET_DEFINITION=0", *box, f"-TARGET_OUT_GRID={grid}"]  # fmt: skip
    return _program(command, folder / "grid.sdat")


def qgis_triangles(readings: Readings, lattice: Lattice, folder: Path) -> Run:
    """Return a function that runs QGIS's triangulation through Processing on a delimited text."""
    text, raster = folder / "readings.csv", folder / "grid.tif"
    _text(readings, text, ",", "x,y,z")
    x0, y0, x1, y1 = lattice.extent
    program = shutil.which("qgis_process.bin") or "qgis_process"
    os.environ["QGIS_CUSTOM_CONFIG_PATH"] = str(folder / "profile")
    subprocess.run([program, "plugins", "enable", "processing"], check=True, capture_output=True)
    source = f"delimitedtext://file://{text}?type=csv&xField=x&yField=y&crs=EPSG:32631"
    command = [program, "run", "qgis:tininterpolation", "--", f"INTERPOLATION_DATA={source}::~::0::~::2::~::0",
               "METHOD=0", f"EXTENT={x0},{x1},{y0},{y1} [EPSG:32631]", f"PIXEL_SIZE={lattice.cell_m}",
               f"OUTPUT={raster}"]  # fmt: skip
    return _program(command, raster)


def whole_command(readings: Readings, lattice: Lattice, folder: Path) -> Run:
    """Return a function that goes from a text file to a GeoTIFF, as gdal_grid does.

    Besides position and value the text names grid and line, and the corners of the grids are known.
    """
    from turnrow.processing_provider.bridge.raster.geotiff import write_raster

    text = folder / "readings.csv"
    columns = [readings.grid, readings.line, readings.x, readings.y, readings.channels["eca"]]
    np.savetxt(text, np.stack(columns, axis=1), delimiter=",", fmt=["%d", "%d", "%.6f", "%.6f", "%.6f"])
    blocks = round(len(readings.grids) ** 0.5)

    def run() -> np.ndarray:
        grid, line, x, y, z = np.loadtxt(text, delimiter=",").T
        u, v = x - X0 - SIZE_M * (grid // blocks), y - Y0 - SIZE_M * (grid % blocks)
        given = Readings.build(line.astype(int), {"eca": z}, grids=readings.grids, grid=grid.astype(int), u_m=u, v_m=v,
                               x=x, y=y)  # fmt: skip
        result = interpolate_readings(given, "eca", lattice)
        write_raster(folder / "grid.tif", result.value_blocks, "")
        return result.values

    return run


def _text(readings: Readings, path: Path, delimiter: str, header: str) -> None:
    table = np.stack([readings.x, readings.y, readings.channels["eca"]], axis=1)
    np.savetxt(path, table, delimiter=delimiter, header=header, comments="", fmt="%.6f")


def _program(command: list[str], raster: Path) -> Run:
    from osgeo import gdal

    gdal.UseExceptions()

    def run() -> np.ndarray:
        subprocess.run(command, check=True, capture_output=True)
        return _north_up(gdal.Open(str(raster)))

    return run


def _north_up(raster) -> np.ndarray:
    values = raster.ReadAsArray().astype(float)
    nodata = raster.GetRasterBand(1).GetNoDataValue()
    if nodata is not None:
        values[values == nodata] = np.nan
    return values if raster.GetGeoTransform()[5] < 0 else values[::-1]


METHODS: dict[str, tuple[str, Callable]] = {
    "cubic": ("", lambda r, g, f: ours(r, g, "cubic")),
    "linear": ("", lambda r, g, f: ours(r, g, "linear")),
    "sinc": ("", lambda r, g, f: ours(r, g, "sinc")),
    "minimum curvature, the surface alone": ("", lambda r, g, f: surface_alone(r, g)),
    "minimum curvature": ("", lambda r, g, f: ours(r, g, "minimum curvature")),
    "kriging": ("", lambda r, g, f: ours(r, g, "kriging")),
    "gdal.Grid linear, in the process": ("", lambda r, g, f: gdal_in_process(r, g, "linear:radius=0")),
    "gdal.Grid invdistnn, in the process": (
        "", lambda r, g, f: gdal_in_process(r, g, "invdistnn:radius=1:max_points=12")),
    "gdal.Grid nearest, in the process": ("", lambda r, g, f: gdal_in_process(r, g, "nearest")),
    "scipy CloughTocher": ("", lambda r, g, f: triangles_of_scipy(r, g)),
    "GMT surface, tension 0.25": ("gmt", gmt_surface),
    "QGIS triangles": ("qgis_process", qgis_triangles),
    "SAGA multilevel B-splines": ("saga_cmd", saga_splines),
    "cubic, text to GeoTIFF": ("", whole_command),
    "gdal_grid linear, text to GeoTIFF": ("gdal_grid", gdal_program),
}  # fmt: skip


def measure(name: str, readings: Readings, lattice: Lattice, truth: np.ndarray) -> tuple[float, float, float, float]:
    """Return seconds and seconds of processor time (best of up to ``TRIES``), megabytes beyond what the readings
    take, and RMSE of a method."""
    here, there = multiprocessing.Pipe()
    child = multiprocessing.get_context("fork").Process(
        target=_measure_here, args=(METHODS[name][1], readings, lattice, truth, there)
    )
    child.start()
    result = here.recv()
    child.join()
    return result


def _measure_here(make: Callable, readings, lattice, truth, pipe) -> None:
    with tempfile.TemporaryDirectory() as folder:
        # Some programs leave their history where they are started.
        os.chdir(folder)
        run = make(readings, lattice, Path(folder))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        taken = best_of(TRIES, run, patience_s=5.0)
        own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        of_programs = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    values = taken.result
    known = np.isfinite(values)
    error = np.sqrt(np.mean((values[known] - truth[known]) ** 2))
    pipe.send((taken.wall_s, taken.cpu_s, max(own, of_programs) / 1024, float(error)))


def compare(grids_a_side: int, cell_m: float, tired: set[str]) -> None:
    """Print times, memory and errors for one size of survey, and ratios to our cubic."""
    readings = survey(grids_a_side)
    side = SIZE_M * grids_a_side
    lattice = Lattice.covering(X0, Y0, X0 + side, Y0 + side, cell_m)
    truth = truth_at(*np.meshgrid(lattice.x, lattice.y), side)
    print(f"\n{len(readings):,} readings, {lattice.rows} x {lattice.cols} cells of {cell_m} m")
    print(f"{'':36s} {'wall s':>9s} {'CPU s':>9s} {'MB':>7s} {'RMSE':>9s} {'time':>8s} {'error':>8s}")
    first: Optional[tuple] = None
    for name, (program, _) in METHODS.items():
        if program and not shutil.which(program) and not shutil.which(f"{program}.bin"):
            print(f"{name:36s} {program} is not installed")
            continue
        if name in tired:
            print(f"{name:36s} not run: took more than {PATIENCE_S:.0f} s before")
            continue
        seconds, processor, megabytes, error = measure(name, readings, lattice, truth)
        first = first or (processor, error)
        print(f"{name:36s} {seconds:9.3f} {processor:9.3f} {megabytes:7.0f} {error:9.5f} "
              f"{processor / first[0]:7.1f}x {error / first[1]:7.1f}x", flush=True)  # fmt: skip
        if seconds > PATIENCE_S / 4:
            tired.add(name)


def main() -> None:
    """Compare surveys of one, sixteen and sixty-four grids."""
    tired: set[str] = set()
    sizes = ((1, 0.25), (1, 0.125), (4, 0.25)) + (() if "--quick" in sys.argv else ((4, 0.125), (8, 0.25), (8, 0.125)))
    with whole_benchmark():
        for grids_a_side, cell_m in sizes:
            compare(grids_a_side, cell_m, tired)


if __name__ == "__main__":
    main()
