"""How long each algorithm works without asking whether it is to stop.

    python tests/benchmarks/questions.py [words of the steps to run]

Runs every algorithm of the provider on one grid of 64,000 readings (kriging and minimum curvature as well, and a split
of a raster of four million cells), and a survey of four such grids. Prints, for each, its CPU seconds, how often it
asked, the longest times between two questions with the places in the code that asked, and how far its progress was at
each tenth of the time. CPU time, so that other work on the machine disturbs it little.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from types import FrameType
from typing import Optional

import numpy as np
from _measure import ROOT, whole_benchmark
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsFeatureRequest,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)
from turnrow import classFactory
from turnrow.processing_provider.bridge.raster import write_raster
from turnrow.processing_provider.engine.geometry import BlockRaster, Lattice
from turnrow.sample_project import simulator

CRS = "EPSG:32631"
LONGEST = 5
"""Times between questions that are printed for each algorithm."""
LENGTH_M, WIDTH_M, SPACING_M, RATE = 100.0, 40.0, 0.5, 8.0


class Questions(QgsProcessingFeedback):
    """Notes when it is asked whether to stop, by whom, and how far the work is."""

    def __init__(self) -> None:
        super().__init__(False)
        self.asked: list[tuple[float, str]] = []
        self.progress_at: list[tuple[float, float]] = []
        self.note("begin")

    def note(self, where: str) -> None:
        """Note a question."""
        self.asked.append((time.process_time(), where))

    def isCanceled(self) -> bool:  # noqa: N802 (name fixed by QGIS)
        """Return that the work is to go on."""
        self.note(_place(sys._getframe(1)))
        return False

    def setProgress(self, percent: float) -> None:  # noqa: N802 (name fixed by QGIS)
        """Note how far the work is."""
        self.progress_at.append((time.process_time(), percent))


def _place(frame: Optional[FrameType]) -> str:
    """Return file and line of the work that asks, without what only hands the question on."""
    while frame is not None:
        path, name = Path(frame.f_code.co_filename), frame.f_code.co_name
        if name not in ("progress", "<lambda>") and ROOT in path.parents:
            return f"{path.stem}.{name}:{frame.f_lineno}"
        frame = frame.f_back
    return "?"


def run(name: str, words: list[str], label: str = "", **parameters: object) -> dict:
    """Run an algorithm; print how it asked when it is among the wanted ones."""
    label = f"{name} {label}".strip()
    feedback = Questions()
    algorithm = plugin.provider.algorithm(name)
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    results, good = algorithm.run(parameters, context, feedback, {}, False)
    feedback.note("end")
    if not good:
        raise SystemExit(f"{label} failed")
    if not words or any(word in label for word in words):
        report(label, feedback)
    return results


def report(label: str, feedback: Questions) -> None:
    """Print how an algorithm asked."""
    asked = feedback.asked
    gaps = sorted(((b[0] - a[0], a[1], b[1]) for a, b in zip(asked, asked[1:])), reverse=True)
    print(f"{label}: {asked[-1][0] - asked[0][0]:.1f} s CPU, asked {len(asked) - 2} times")
    for gap, before, after in gaps[:LONGEST]:
        print(f"    {gap:6.2f} s from {before} to {after}")
    times, percents = np.array([(asked[0][0], 0.0), *feedback.progress_at, (asked[-1][0], 100.0)]).T
    tenths = np.interp(np.linspace(times[0], times[-1], 11), times, percents)
    print(f"    per cent at each tenth of the time: {', '.join(f'{percent:.0f}' for percent in tenths)}", flush=True)


def steps(folder: Path, words: list[str]) -> None:
    """Run every algorithm, one on the results of the others."""
    plans = simulator.block_plans(1, 1, length_m=LENGTH_M, width_m=WIDTH_M, spacing_m=SPACING_M, readings_per_m=RATE)
    simulator.write_survey(folder / "one", plans, seed=1)
    one, name = folder / "one", plans[0].grid
    scheme = {"GRID": name, "LENGTH": LENGTH_M, "WIDTH": WIDTH_M, "SPACING": SPACING_M, "READINGS_PER_METRE": RATE}
    notes = str(one / "notes.csv")

    def out(file: str) -> str:
        return str(folder / file)

    log, layout = str(one / plans[0].log), str(one / "layouts" / f"{plans[0].layout}.json")
    run("readlog", words, "without layout", LOG=[log], GRID=name, OUTPUT=out("detected.gpkg"), FINDINGS=out("f1.csv"))
    run("readlog", words, LOG=[log], LAYOUT=layout, GRID=name, OUTPUT=out("log.gpkg"), TRAVERSES=out("t.csv"))
    run("comparenotes", words, INPUT=out("log.gpkg"), NOTES=notes, FINDINGS=out("f2.csv"), **scheme)
    run("placereadings", words, INPUT=out("log.gpkg"), NOTES=notes, CORNERS=str(one / "corners.csv"), TARGET_CRS=CRS,
        OUTPUT=out("placed.gpkg"), **scheme)  # fmt: skip
    run("flagoutliers", words, INPUT=out("placed.gpkg"), OUTPUT=out("flagged.gpkg"))
    run("alignopposing", words, INPUT=out("flagged.gpkg"), OUTPUT=out("aligned.gpkg"))
    run("balancetraverses", words, INPUT=out("aligned.gpkg"), OUTPUT=out("balanced.gpkg"), OFFSETS=out("o1.csv"))
    run("balancegrids", words, INPUT=out("balanced.gpkg"), OUTPUT=out("levelled.gpkg"), OFFSETS=out("o2.csv"))
    for method in ("cubic", "linear", "sinc", "minimum curvature", "kriging"):
        run("interpolatereadings", words, method, INPUT=out("levelled.gpkg"), CHANNEL="eca_10", METHOD=method,
            CELL_SIZE=0.25, OUTPUT=out(f"{method}.tif"), STANDARD_ERROR=out(f"{method}_se.tif"))  # fmt: skip
    memory = QgsVectorLayer(out("placed.gpkg"), "placed", "ogr").materialize(QgsFeatureRequest())
    QgsProject.instance().addMapLayer(memory)
    run("flagoutliers", words, "of a layer in memory", INPUT=memory.id(), OUTPUT="memory:")
    run("splitresponse", words, INPUT=out("cubic.tif"), WIDTH=4, REGIONAL=out("r.tif"), LOCAL=out("l.tif"))
    run("splitresponse", words, "of a large raster", INPUT=large_raster(folder), WIDTH=20, REGIONAL=out("r2.tif"),
        LOCAL=out("l2.tif"))  # fmt: skip
    run("mapsheet", words, INPUT=[out("cubic.tif"), out("kriging.tif")], SITE="Site", OUTPUT=out("sheet.pdf"))
    surveys(folder, words)


def surveys(folder: Path, words: list[str]) -> None:
    """Run what goes over a whole register."""
    site = folder / "four"
    size = {"length_m": LENGTH_M, "width_m": WIDTH_M, "spacing_m": SPACING_M, "readings_per_m": RATE}
    simulator.write_survey(site, simulator.block_plans(2, 2, **size), seed=1)
    tables = {key.upper(): str(site / f"{key}.csv") for key in ("register", "corners", "notes")}
    run("eveningcheck", words, TARGET_CRS=CRS, FINDINGS=str(folder / "f3.csv"), SHEET=str(folder / "again.pdf"),
        GPX=str(folder / "again.gpx"), AGAIN_LINES=str(folder / "again.gpkg"), REDO_ROWS=str(folder / "redo.csv"),
        **tables)  # fmt: skip
    run("processregister", words, TARGET_CRS=CRS, CELL_SIZE=0.25, OUTPUT_FOLDER=str(folder / "out"), **tables)


def large_raster(folder: Path) -> str:
    """Write a raster of four million cells, some of them without value."""
    lattice = Lattice.covering(512_000, 6_206_000, 512_500, 6_206_500, 0.25)
    values = np.random.default_rng(1).normal(15.0, 1.0, lattice.shape)
    values[:300, :300] = np.nan
    wkt = QgsCoordinateReferenceSystem(CRS).toWkt()
    write_raster(folder / "large.tif", BlockRaster.of(values, lattice), wkt, unit="mS/m", name="eca")
    return str(folder / "large.tif")


if __name__ == "__main__":
    application = QgsApplication([], False)
    application.initQgis()
    plugin = classFactory(None)
    plugin.initProcessing()
    with whole_benchmark(), tempfile.TemporaryDirectory() as made:
        steps(Path(made), sys.argv[1:])
    plugin.unload()
