"""The same survey gives the same files, to the byte: in another program and folder, from its recipe, on two threads."""

import hashlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
PROGRAM = """
import importlib.util, json, sys

root, parameters, can_set_threads = json.loads(sys.argv[1])
spec = importlib.util.spec_from_file_location("turnrow", root + "/__init__.py", submodule_search_locations=[root])
sys.modules["turnrow"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["turnrow"])
from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback
from turnrow.processing_provider.engine.core import blas_threads

if not can_set_threads:
    blas_threads._libraries = list
application = QgsApplication([], False)
application.initQgis()
plugin = sys.modules["turnrow"].classFactory(None)
plugin.initProcessing()
run = plugin.provider.algorithm("processregister").run
results, good = run(parameters, QgsProcessingContext(), QgsProcessingFeedback(False))
plugin.unload()
sys.exit(not good or results["GRIDS_FAILED"])
"""


def run_survey(folder, output, threads, seed, can_set_threads=True, **more):
    """Run a survey in a program of its own, with so many threads of BLAS and hashes of their own."""
    names = {"REGISTER": "register.csv", "CORNERS": "corners.csv", "NOTES": "notes.csv"}
    parameters = {**{key: str(folder / name) for key, name in names.items()}, "TARGET_CRS": "EPSG:32631",
                  "OUTPUT_FOLDER": str(output), **more}  # fmt: skip
    number = {name: str(threads) for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")}
    command = [sys.executable, "-c", PROGRAM, json.dumps([str(ROOT), parameters, can_set_threads])]
    done = subprocess.run(command, capture_output=True, text=True, check=False,
                          env={**os.environ, **number, "PYTHONHASHSEED": str(seed)})  # fmt: skip
    assert done.returncode == 0, (done.stdout + done.stderr)[-2000:]


def facts_of(output):
    """Return what must be the same of a run's files: digests of rasters, styles and metadata; the report and recipe."""
    recipe = json.loads((output / "recipe.json").read_text("utf-8"))
    run = recipe.pop("run")
    assert re.fullmatch("[0-9a-f]{32}", run)
    kept = [path for path in output.rglob("*") if path.suffix in (".tif", ".qml", ".qmd")]
    files = {path.relative_to(output).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in kept}
    # The recipe names every raster and its digest.
    assert recipe["rasters"] == {name: digest for name, digest in files.items() if name.endswith(".tif")}
    report = (output / "report.html").read_text("utf-8")
    report, times = re.subn(r"processed \d{4}-\d\d-\d\d \d\d:\d\d", "", report)
    assert times == 1
    return files, recipe, report


def check_same(first, second):
    (files, recipe, report), (others, other_recipe, other_report) = facts_of(first), facts_of(second)
    assert len([name for name in files if name.endswith(".qml")]) == len(recipe["rasters"]) > 0
    assert others == files
    assert other_recipe == recipe
    assert other_report == report


def test_a_survey_comes_out_the_same_in_another_program(simulate, tmp_path):
    plans = simulate.block_plans(1, 2, length_m=20.0, width_m=15.0)
    simulate.write_survey(tmp_path, plans, seed=3)
    run_survey(tmp_path, tmp_path / "one", 1, 1)
    # The recipe repeats the run, also where BLAS cannot be held to one thread.
    again = tmp_path / "elsewhere" / "two"
    run_survey(tmp_path, again, 2, 2, can_set_threads=False, RECIPE=str(tmp_path / "one" / "recipe.json"))
    check_same(tmp_path / "one", again)


@pytest.mark.slow
def test_the_sample_comes_out_the_same_in_every_way(tmp_path):
    sample = ROOT / "sample_project"
    run_survey(sample, tmp_path / "one", 1, 1)
    recipe = str(tmp_path / "one" / "recipe.json")
    ways = [(1, 1, True, {}), (2, 2, True, {}), (2, 3, False, {}), (1, 4, False, {"RECIPE": recipe})]
    for number, (threads, seed, can_set_threads, more) in enumerate(ways):
        run_survey(sample, tmp_path / str(number), threads, seed, can_set_threads, **more)
        check_same(tmp_path / "one", tmp_path / str(number))
