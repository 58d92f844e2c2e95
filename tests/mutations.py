"""Faults that the tests must notice; tests/mutations.sh plants them one at a time.

A fault is a replacement in the code of one folder that must match exactly once, so that this file says when the code
has moved on. It is noticed when a test named beside it fails; a test that cannot be collected notices nothing.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ENGINE = "processing_provider/engine"
PATIENCE_S = 1200.0
FAILED = "FAILED "
"""How pytest's line of a failed test begins. Its return code says less: QGIS may crash at its end after a failure."""


@dataclass(frozen=True)
class Fault:
    """A fault: what it is, the folder or file that it is planted in, pattern and replacement, and who notices it."""

    what: str
    where: str
    pattern: str
    replacement: str
    tests: tuple[str, ...]


FAULTS = (
    Fault(
        "balancing adds no standard error",
        f"{ENGINE}/balance",
        r"error\[mine\] = np\.hypot\(error\[mine\], [\w.]+\.error\[[\w.\[\]]+\]\)",
        "error[mine] = error[mine]",
        ("tests/engine/balance/test_balance.py",),
    ),
    Fault(
        "the offset between the directions is taken off without proof",
        f"{ENGINE}/balance",
        r"^PROOF = 2\.0$",
        "PROOF = 0.0",
        ("tests/engine/balance/test_balance.py",),
    ),
    Fault(
        "a kind of walk shape is believed ten times sooner",
        f"{ENGINE}/align",
        r"^SURE = 20\.0$",
        "SURE = 2.0",
        ("tests/engine/align/test_align.py",),
    ),
    Fault(
        "drift within grids comes off however small",
        f"{ENGINE}/mosaic",
        r"^LEAST_DRIFT = 0\.7$",
        "LEAST_DRIFT = 0.0",
        ("tests/engine/mosaic/test_drift_within.py",),
    ),
    Fault(
        "rounding of coordinates widens the lattice",
        f"{ENGINE}/geometry",
        r"^EDGE_M = 1e-6$",
        "EDGE_M = 0.0",
        ("tests/engine/geometry/test_lattice.py",),
    ),
    Fault(
        "the lag moves lines the wrong way",
        f"{ENGINE}/align",
        r"part\.heading \* (lag\.shift_m)",
        r"-part.heading * \1",
        ("tests/engine/align/test_align.py::test_lag_of_a_quarter_second_moves_each_line_by_a_quarter_metre",),
    ),
    Fault(
        "a reading lies at the start of its interval",
        f"{ENGINE}/core",
        r"(np\.asarray\(station, float\) - self\.first_station) \+ 0\.5\)",
        r"\1)",
        ("tests/engine/core/test_scheme.py",),
    ),
    Fault(
        "coils ahead of the walker are taken to be behind",
        f"{ENGINE}/place",
        r"(\w+\.heading) \* scheme\.sensor_ahead_m",
        r"-\1 * scheme.sensor_ahead_m",
        ("tests/engine/place/test_place.py",),
    ),
    Fault(
        "the first readings beyond the far edge are no overrun",
        f"{ENGINE}/place",
        r"along > limit \+ EDGE_M",
        "along > limit + 0.2",
        ("tests/engine/place/test_place.py",),
    ),
    Fault(
        "cell centres lie half a cell off",
        f"{ENGINE}/geometry",
        r"np\.arange\(self\.cols\) \+ 0\.5\)",
        "np.arange(self.cols))",
        ("tests/engine/geometry/test_lattice.py",),
    ),
    Fault(
        "a second correction overwrites the values as logged",
        f"{ENGINE}/core",
        r"raw\.setdefault\(channel, self\.channels\[channel\]\)",
        "raw[channel] = self.channels[channel]",
        ("tests/engine/core/test_readings.py",),
    ),
    Fault(
        "flagged readings count on the common axis of the lines",
        f"{ENGINE}/core",
        r"\(self\.owner >= 0\) & \(readings\.flag == 0\) & np\.isfinite\(values\)",
        "(self.owner >= 0) & np.isfinite(values)",
        ("tests/engine/balance/test_balance.py::test_flagged_readings_do_not_count_but_follow_their_line",),
    ),
    Fault(
        "the kriging variance leaves the nugget out",
        f"{ENGINE}/scattered",
        r"variance = field\.psill \+ field\.\w+ - ",
        "variance = field.psill - ",
        ("tests/engine/scattered/test_kriging.py::test_equals_generalised_least_squares",),
    ),
    Fault(
        "checksums of the inputs of a recipe are not compared",
        f"{ENGINE}/workflow",
        r"if written_for\.get\(item\[\"path\"\], item\[\"sha256\"\]\) != item\[\"sha256\"\]",
        "if False",
        ("tests/qgis/algorithms/test_processregister.py::test_recipe_of_other_inputs_is_told",),
    ),
    Fault(
        "files are written under their final name at once",
        f"{ENGINE}/core",
        r"part = path\.with_name\(.*MOST_LETTERS.*\)",
        "part = path",
        ("tests/engine/core/test_atomic_file.py",),
    ),
    Fault(
        "the earlier of two recordings of a line is kept",
        f"{ENGINE}/place",
        r"later\.run\.run > earlier\.run\.run",
        "later.run.run < earlier.run.run",
        ("tests/engine/place/test_place.py",),
    ),
    Fault(
        "balancing grids adds no standard error",
        f"{ENGINE}/mosaic",
        r"error = np\.hypot\((part\.se\.get\(channel, np\.zeros\(len\(values\)\)\)), .*\)$",
        r"error = \1",
        ("tests/engine/mosaic/test_seams.py::test_standard_errors_add_in_squares",),
    ),
    Fault(
        "errors of position along the lines leave the standard error of the map as it is",
        f"{ENGINE}/interpolate",
        r"return (\w+) \+ (\w+ \* np\.nan_to_num\(np\.gradient)",
        r"return \1 + 0.0 * \2",
        ("tests/engine/interpolate/test_interpolate.py",),
    ),
    Fault(
        "cells without a value are no nodata to other programs",
        "processing_provider/bridge/raster",
        r"band\.SetNoDataValue\(NODATA\)",
        "band.SetNoDataValue(-NODATA)",
        ("tests/qgis/bridge/raster/test_geotiff.py",),
    ),
    Fault(
        "outliers stand out by half the threshold",
        f"{ENGINE}/flag",
        r"found = score > threshold$",
        "found = score > threshold / 2",
        ("tests/engine/flag/test_outliers.py",),
    ),
)


def copy_of(root: Path, folder: Path) -> Path:
    """Copy the files of a checkout, as they are now, that are in git or would be added to it."""
    listed = subprocess.run(
        ["git", "-C", str(root), "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    for name in filter(None, listed.split("\0")):
        source, target = root / name, folder / name
        if source.is_file() and not source.is_symlink():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)
    return folder


def planted(fault: Fault, root: Path) -> tuple[Path, str]:
    """Return the file that a fault belongs in and its text with the fault.

    Raises
    ------
    LookupError
        Unless the pattern matches exactly once in the fault's folder.
    """
    pattern, found = re.compile(fault.pattern, re.MULTILINE), []
    for path in sorted((root / fault.where).rglob("*.py")):
        text = path.read_text("utf-8")
        found += [(path, text)] * len(pattern.findall(text))
    if len(found) != 1:
        raise LookupError(f"{len(found)} places in {fault.where} match {fault.pattern}; the code has moved on")
    path, text = found[0]
    return path, pattern.sub(fault.replacement, text)


def run_tests(root: Path, tests: tuple[str, ...]) -> tuple[int, str]:
    """Run tests of a copy up to the first failure; return pytest's code and what failed, or its last line."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "--no-header", "--tb=no", *tests]
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command, cwd=root, env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False
        )
    except subprocess.TimeoutExpired:
        return -1, f"not done after {PATIENCE_S:.0f} s"
    lines = [line for line in done.stdout.splitlines() if line.strip()] or [done.stderr[-200:]]
    return done.returncode, next((line for line in lines if line.startswith((FAILED, "ERROR"))), lines[-1])


def noticed(fault: Fault, root: Path) -> tuple[bool, str]:
    """Plant a fault, run its tests, take it out again; return whether they failed, and by what."""
    try:
        path, text = planted(fault, root)
    except LookupError as error:
        return False, str(error)
    before = path.read_text("utf-8")
    path.write_text(text, encoding="utf-8")
    try:
        _, last = run_tests(root, fault.tests)
    finally:
        path.write_text(before, encoding="utf-8")
    return last.startswith(FAILED), last


def main(words: list[str]) -> int:
    """Plant the faults that carry one of the words, or all; print what is noticed."""
    chosen = [fault for fault in FAULTS if not words or any(word in fault.what for word in words)]
    with tempfile.TemporaryDirectory(prefix="mutations") as scratch:
        root = copy_of(ROOT, Path(scratch))
        code, last = run_tests(root, tuple(sorted({test for fault in chosen for test in fault.tests})))
        if code:
            print(f"Without any fault the tests do not pass: {last}")
            return 1
        count = 0
        for fault in chosen:
            start = time.perf_counter()
            good, last = noticed(fault, root)
            count += good
            word, seconds = "noticed" if good else "NOT NOTICED", time.perf_counter() - start
            print(f"{word:11s} {fault.what} ({seconds:.0f} s): {last}", flush=True)
    print(f"{count} of {len(chosen)} faults are noticed")
    return int(count < len(chosen))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
