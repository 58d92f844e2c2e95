"""Whether the sample comes out as at an earlier commit: python tests/benchmarks/same_as.py COMMIT.

Runs the sample survey at that commit and as the files are now, and prints the largest difference of readings, of levels
and of rasters. With two folders of results instead, as of two versions of QGIS, compares those.
Ends with 1 where one is above 1e-6, or where there is something on one side only.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from _measure import ROOT, whole_benchmark
from osgeo import gdal, ogr

MOST = 1e-6
LEVELS = ("traverses", "grids")
# What a run is called, and when it was, changes from run to run.
NOT_COMPARED = {"fid"}

gdal.UseExceptions()


def run_sample(tree: Path, out: Path) -> None:
    """Process the sample survey of a checkout into a folder."""
    subprocess.run(["bash", str(tree / "sample_project" / "run.sh"), str(out)], check=True, capture_output=True)


def table(path: Path, layer: str) -> dict[str, np.ndarray]:
    """Return the columns of a layer in the order of its rows; texts as they are."""
    source = ogr.Open(str(path))
    rows = [feature.items() for feature in source.GetLayerByName(layer)]
    names = [name for name in (rows[0] if rows else {}) if name not in NOT_COMPARED]
    return {name: np.array([row[name] for row in rows], object) for name in names}


def difference(one: np.ndarray, other: np.ndarray) -> float:
    """Return the largest difference of two columns; infinite where a text or a gap differs."""
    if one.shape != other.shape:
        return np.inf
    try:
        first, second = one.astype(float), other.astype(float)
    except (TypeError, ValueError):
        return 0.0 if all(a == b for a, b in zip(one.ravel(), other.ravel())) else np.inf
    if not np.array_equal(np.isnan(first), np.isnan(second)):
        return np.inf
    return float(np.nanmax(np.abs(first - second), initial=0.0))


def compare_tables(before: Path, now: Path, layer: str) -> dict[str, float]:
    """Return the largest difference of each column that one of two GeoPackages has in a layer."""
    old, new = table(before / "survey.gpkg", layer), table(now / "survey.gpkg", layer)
    lacking = np.zeros(0)
    return {name: difference(old.get(name, lacking), new.get(name, lacking)) for name in {**old, **new}}


def compare_rasters(before: Path, now: Path) -> dict[str, float]:
    """Return the largest difference of each raster, and of its place and nodata."""
    names = sorted({path.relative_to(out).as_posix() for out in (before, now) for path in out.rglob("*.tif")})
    found = {}
    for name in names:
        if not ((before / name).exists() and (now / name).exists()):
            found[name] = np.inf
            continue
        old, new = gdal.Open(str(before / name)), gdal.Open(str(now / name))
        where = difference(np.array(old.GetGeoTransform()), np.array(new.GetGeoTransform()))
        found[name] = max(where, difference(old.ReadAsArray(), new.ReadAsArray()))
    return found


def compare(before: Path, now: Path) -> int:
    """Print what differs most between two folders of results; return 1 where it is too much."""
    found = {
        "readings": compare_tables(before, now, "readings"),
        "levels": {f"{layer}.{k}": v for layer in LEVELS for k, v in compare_tables(before, now, layer).items()},
        "rasters": compare_rasters(before, now),
    }
    for what, differences in found.items():
        worst = max(differences, key=lambda name: differences[name])
        print(f"{what}: {len(differences)} compared, largest difference {differences[worst]:.3g} ({worst})")
    return int(any(value > MOST for differences in found.values() for value in differences.values()))


def against(commit: str) -> int:
    """Run the sample at a commit and now, and compare."""
    with tempfile.TemporaryDirectory() as scratch:
        tree, before, now = (Path(scratch) / name for name in ("tree", "before", "now"))
        subprocess.run(["git", "-C", str(ROOT), "worktree", "add", "--detach", str(tree), commit], check=True,
                       capture_output=True)  # fmt: skip
        try:
            run_sample(tree, before)
        finally:
            subprocess.run(["git", "-C", str(ROOT), "worktree", "remove", "--force", str(tree)], check=True)
        run_sample(ROOT, now)
        return compare(before, now)


if __name__ == "__main__":
    with whole_benchmark():
        differs = compare(*map(Path, sys.argv[1:])) if len(sys.argv) == 3 else against(sys.argv[1])
    sys.exit(differs)
