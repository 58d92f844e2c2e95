"""A whole survey, from raw logs to points and rasters, against the truth and against linear triangulation by GDAL.

    python tests/benchmarks/survey.py [many|large]

Prints: how far readings of the sample lie from where the scheme puts them; the error of the sample's map without
walking errors against that of ``gdal_grid -a linear`` on the same readings; and time and memory of 410,000 readings in
16 grids, on a calm machine and beside one busy program, against the time that ``gdal_grid`` takes for the gridding
alone. Runs side by side on one machine; needs the command gdal_grid (Debian: gdal-bin). With ``many``: memory and
progress of 200 grids of 1,600 readings, some two minutes. With ``large``: time and memory
of 16 million readings in 640 grids instead, which takes about half an hour and 10 GB of disk.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Iterator

import numpy as np
from _measure import Measured, best_of, measured, print_times, whole_benchmark
from osgeo import gdal
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings
from turnrow.processing_provider.engine.workflow.read_survey import read_survey
from turnrow.processing_provider.engine.workflow.sources import gather_sources
from turnrow.sample_project import simulator as simulate

CHANNEL = "eca_10"
TRIES = 3
"""Of so many runs the fastest counts, ours and GDAL's."""


def rows(path: Path) -> list[dict]:
    """Return the rows of a CSV."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def sources_of(folder: Path):
    """Return the survey in a folder."""
    return gather_sources(*(rows(folder / f"{n}.csv") for n in ("register", "corners", "notes")), folder)


def gdal_grid(
    readings: Readings, lattice: Lattice, folder: Path, away=(0.0, 0.0), tries: int = 1
) -> tuple[np.ndarray, Measured]:
    """Return the raster of ``gdal_grid -a linear`` and its times; reading its table is part of them.

    ``away`` is taken from all coordinates first: GDAL's triangulation loses digits on map coordinates.
    """
    used = readings.in_use & np.isfinite(readings.channels[CHANNEL]) & np.isfinite(readings.x)
    table = np.stack([readings.x - away[0], readings.y - away[1], readings.channels[CHANNEL]], axis=1)[used]
    np.savetxt(folder / "points.csv", table, delimiter=",", header="x,y,z", comments="", fmt="%.6f")
    (folder / "points.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="points"><SrcDataSource relativeToVRT="1">points.csv</SrcDataSource>'
        '<GeometryType>wkbPoint</GeometryType><GeometryField encoding="PointFromColumns" x="x" y="y" z="z"/>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    west, south, east, north = np.array(lattice.extent) - [*away, *away]
    # On one thread, as Turnrow is.
    command = ["gdal_grid", "-q", "--config", "GDAL_NUM_THREADS", "1", "-a", "linear:radius=0:nodata=-9999",
               "-txe", west, east, "-tye", north, south, "-outsize", lattice.cols, lattice.rows, "points.vrt",
               "linear.tif"]  # fmt: skip
    taken = best_of(tries, partial(subprocess.run, [str(word) for word in command], cwd=folder, check=True))
    values = gdal.Open(str(folder / "linear.tif")).ReadAsArray().astype(float)
    return np.where(values == -9999, np.nan, values), taken


def placing(folder: Path) -> None:
    """Print how far every placed reading of the sample lies from where the scheme puts it."""
    grids = simulate.write_sample(folder)
    worst, placed, flags = 0.0, 0, 0
    for result, truth in zip(read_survey(sources_of(folder).grids, sources_of(folder).notes), grids):
        off = np.hypot(result.readings.x - truth.x, result.readings.y - truth.y)
        known = np.isfinite(truth.x)
        worst, placed = max(worst, float(off[known].max())), placed + int(known.sum())
        flags += int(np.count_nonzero(np.isnan(result.readings.x) != ~known))
    print(f"sample: {placed} readings placed, farthest from the scheme {worst:.1e} m (at most 1e-6), {flags} lost")


def truth_ratio(folder: Path) -> None:
    """Print the error of the map without walking errors, ours and by linear triangulation."""
    simulate.write_sample(folder, faults=simulate.Faults())
    results = read_survey(sources_of(folder).grids, sources_of(folder).notes)
    readings = concatenate([r.readings for r in results])
    used = readings.in_use & np.isfinite(readings.x)
    box = readings.x[used].min(), readings.y[used].min(), readings.x[used].max(), readings.y[used].max()
    lattice = Lattice.covering(*box, 0.25)
    ours = interpolate_readings(readings, CHANNEL, lattice).values
    linear, _ = gdal_grid(readings, lattice, folder)
    centred, _ = gdal_grid(readings, lattice, folder, away=box[:2])
    truth = simulate.truth(lattice.x[None, :], lattice.y[:, None], CHANNEL)
    both = np.isfinite(ours) & np.isfinite(linear) & np.isfinite(centred)
    errors = [float(np.sqrt(np.mean((z - truth)[both] ** 2))) for z in (ours, linear, centred)]
    print(f"sample without walking errors: RMSE {errors[0]:.4f} mS/m, gdal_grid linear {errors[1]:.4f}; "
          f"ratio 1/{errors[1] / errors[0]:.1f} (at most 1/4)")  # fmt: skip
    print(f"the same with gdal_grid helped by coordinates from the site's corner: {errors[2]:.4f}; "
          f"ratio 1/{errors[2] / errors[0]:.1f}")  # fmt: skip


def whole_survey(folder: Path) -> None:
    """Print time and memory from raw logs to points and rasters, as a multiple of gridding by GDAL."""
    simulate.write_survey(folder, simulate.block_plans(4, 4), seed=1)
    script = Path(__file__).with_name("_whole_survey.py")
    ours = best_of(TRIES, partial(run_script, script, folder))
    with busy_program():
        disturbed = best_of(TRIES, partial(run_script, script, folder))
    memory = float(ours.result.split()[-1])
    results = read_survey(sources_of(folder).grids, sources_of(folder).notes)
    readings = concatenate([r.readings for r in results])
    used = readings.in_use & np.isfinite(readings.x)
    box = readings.x[used].min(), readings.y[used].min(), readings.x[used].max(), readings.y[used].max()
    _, alone = gdal_grid(readings, Lattice.covering(*box, 0.25), folder, tries=TRIES)
    print(f"{len(readings)} readings in 16 grids, logs to points, rasters, report and project; best of {TRIES}")
    print_times({"turnrow": ours, "beside one busy program": disturbed, "gdal_grid linear, the gridding alone": alone})
    print(f"ratio of wall times {ours.wall_s / alone.wall_s:.2f} (at most 3), of CPU times "
          f"{ours.cpu_s / alone.cpu_s:.2f}; CPU over wall {ours.cpu_s / ours.wall_s:.2f} (at most 1.2)")  # fmt: skip
    print(f"beside one busy program {disturbed.wall_s / ours.wall_s:.2f} of the calm wall time (at most 1.3)")
    print(f"peak memory {memory:.0f} MB (at most 1000)")
    print(ours.result.rsplit("\n", 2)[0])


@contextmanager
def busy_program() -> Iterator[None]:
    """Keep one processor busy."""
    busy = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    try:
        yield
    finally:
        busy.kill()
        busy.wait()


def run_script(script: Path, folder: Path) -> str:
    """Run a script on a folder in a process of its own; return what it printed."""
    return subprocess.run([sys.executable, script, folder], check=True, capture_output=True, text=True).stdout


def write_large(folder: Path, down: int, across: int, **size: float) -> None:
    """Walk grids side by side and write them, one at a time."""
    plans = simulate.block_plans(down, across, **size)
    for plan in plans:
        path = folder / plan.log
        path.parent.mkdir(exist_ok=True)
        lines = simulate.LOG_WRITERS[plan.layout]([simulate.simulate_grid(plan, seed=1)])
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "layouts").mkdir()
    layout = json.dumps(simulate.layouts()[plans[0].layout])
    (folder / "layouts" / f"{plans[0].layout}.json").write_text(layout, encoding="utf-8")
    tables = {
        "register": [simulate.register_row(plan) for plan in plans],
        "corners": [{"x": f"{x:.4f}", "y": f"{y:.4f}", "grid": plan.grid, "corner": name}
                    for plan in plans for name, (x, y) in plan.corners().items()],
    }  # fmt: skip
    for name, table in tables.items():
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(table[0]))
            writer.writeheader()
            writer.writerows(table)
    (folder / "notes.csv").write_text(",".join(simulate.NOTE_COLUMNS) + "\n", encoding="utf-8")


def many_grids(folder: Path) -> None:
    """Print memory and progress of 200 grids of 1,600 readings, and the memory of 20 of them."""
    script, peaks = Path(__file__).with_name("_whole_survey.py"), []
    for down, across in ((4, 5), (10, 20)):
        site = folder / f"{down * across}"
        site.mkdir()
        write_large(site, down, across, length_m=20.0, width_m=10.0, readings_per_m=4.0)
        done = measured(partial(run_script, script, site))
        peaks.append(float(done.result.split()[-1]))
        print(f"{down * across} grids of 1,600 readings, logs to points, rasters, report and project: {done}")
        print(done.result.rsplit("\n", 2)[0])
        print(f"peak memory {peaks[-1]:.0f} MB (at most 500)")
    print(f"200 grids take {peaks[1] / peaks[0]:.2f} of the memory of 20")


def large_survey(folder: Path) -> None:
    """Print time and memory of 16 million readings."""
    write_large(folder, 20, 32)
    script = Path(__file__).with_name("_whole_survey.py")
    done = measured(partial(run_script, script, folder))
    print(f"16 million readings in 640 grids, logs to points, rasters, report and project: {done}")
    print(done.result.split("\n")[-3])
    print(f"peak memory {float(done.result.split()[-1]):.0f} MB (at most 2000)")


if __name__ == "__main__":
    with whole_benchmark():
        chosen = {"large": (large_survey,), "many": (many_grids,)}.get(" ".join(sys.argv[1:]))
        for part in chosen or (placing, truth_ratio, whole_survey):
            with tempfile.TemporaryDirectory() as made:
                part(Path(made))
