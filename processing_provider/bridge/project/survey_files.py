"""The files of a processed survey."""

from __future__ import annotations

import platform
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Iterable, Mapping, Sequence
from uuid import uuid4

import numpy as np
from osgeo import gdal
from qgis.core import Qgis, QgsCoordinateReferenceSystem

from ...engine.core import FIELDS, MAP_ENDINGS, Progress, ValuesInUse, finding_rows, part_of
from ...engine.logs import layout_to_json
from ...engine.workflow import (
    GridSource,
    SurveyResult,
    SurveySources,
    cells_of_grid,
    corner_rows,
    finding_places,
    full_scale_rows,
    grid_rows,
    outline,
    recipe_text,
    sha256_of,
    traverse_rows,
)
from ..raster import write_raster
from ..report import ReportContent, ReportMap, write_report
from ..style import Look, channel_look, from_zero
from ..vector import readings_layer, rows_layer, write_geopackage
from .file_names import file_stems
from .metadata import history_lines
from .output_folder import DATABASE, MARKS, RECIPE
from .project import SurveyLayer, keep_looks, write_project

TYPES: Mapping[str, Mapping[str, type]] = {
    "grids": {
        "grid": str, "length_m": float, "width_m": float, "spacing_m": float, "readings_per_m": float, "pattern": str,
        "bearing_deg": float, "scale": float, "mirrored": int, "largest_residual_m": float, "readings": int,
        "in_use": int, "out_of_use": str, "findings": int, "walk_again": int, "comment": str,
    },
    "corners": {"grid": str, "corner": str, "residual_x_m": float, "residual_y_m": float},
    "traverses": {
        "grid": str, "line": int, "run": int, "kind": str, "heading": str, "readings": int, "in_use": int,
        "u_m": float, "first_station": float, "last_station": float, "start_s": float, "stop_s": float,
        "length_m": float,
    },
    MARKS: {
        "grid": str, "line": int, "run": int, "seq": int, "channel": str, "value": float, "beyond": float,
    },
    "findings": {name: int if name in ("line", "run", "walk_again") else str for name in FIELDS},
}  # fmt: skip
REPORT, PROJECT, LAYOUTS = "report.html", "site.qgz", "layouts"
RUN = "RUN"
"""Key of the GeoPackage's metadata under which it has the same value as the recipe's ``run``."""
WITH_STATISTICS = ".tif.aux.xml"
"""Ending of the longest name that a raster brings with it."""
HIDDEN = ("traverses", "readings")
"""Layers that would cover the maps; a click shows them."""


def versions() -> dict[str, str]:
    """Return the versions that a result depends on."""
    import scipy

    metadata = (Path(__file__).resolve().parents[3] / "metadata.txt").read_text("utf-8")
    own = next(line.split("=", 1)[1].strip() for line in metadata.splitlines() if line.startswith("version="))
    return {
        "turnrow": own,
        "qgis": Qgis.QGIS_VERSION,
        "gdal": gdal.__version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }


def write_survey(
    stage: Path,
    result: SurveyResult,
    crs: QgsCoordinateReferenceSystem,
    site: str,
    inputs: Sequence[dict],
    progress: Progress = None,
) -> list[SurveyLayer]:
    """Write every file of a survey into a folder; return its layers in the order of a project.

    Parameters
    ----------
    stage : Path
    result : SurveyResult
    crs : QgsCoordinateReferenceSystem
    site : str
        Name of the group in the project.
    inputs : sequence of dict
        Facts of the input files, for the recipe.
    """
    wkt = crs.toWkt()
    grids = grid_rows(result)
    looks = {name: channel_look(r.value_blocks.blocks.values()) for name, r in result.rasters.items()}
    run = uuid4().hex
    layers = _tables(stage, result, grids, wkt, site, run, part_of(progress, 0.0, 0.25))
    layers += _rasters(stage, result, looks, wkt, site, part_of(progress, 0.25, 0.4))
    keep_looks(layers, site, history_lines(result.records), part_of(progress, 0.4, 0.6))
    _layouts(stage, result)
    recipe = replace(result.recipe, inputs=tuple(inputs), target_crs=crs.authid() or wkt)
    rasters = {path.relative_to(stage).as_posix(): sha256_of(path) for path in sorted(stage.rglob("*.tif"))}
    text = recipe_text(recipe, versions=versions(), results=result.records, run=run, rasters=rasters)
    (stage / RECIPE).write_text(text, "utf-8")
    write_report(stage / REPORT, _report(result, grids, looks, crs, site, inputs), part_of(progress, 0.6, 0.8))
    write_project(stage / PROJECT, layers, crs, site, part_of(progress, 0.8, 1.0))
    if progress is not None:
        progress(1.0)
    return layers


def names_known_before(sources: SurveySources) -> list[str]:
    """Return the files that a run over a survey is going to write, as far as they are known before it has read logs."""
    return [DATABASE, RECIPE, REPORT, PROJECT, *_layout_names(sources.grids).values()]


def _layout_names(grids: Iterable[GridSource]) -> dict[tuple[str, ...], str]:
    """Return the file of the layout that is found out for each log without one, by the log's path."""
    logs = {path.parts: path.stem for grid in grids if grid.layout is None for path in grid.logs}
    return {key: f"{LAYOUTS}/{stem}.json" for key, stem in file_stems(logs, ".json").items()}


def _layouts(stage: Path, result: SurveyResult) -> None:
    """Keep the layouts that were found out, so that they can be mended or confirmed and given in the register."""
    names = _layout_names(grid.source for grid in result.results)
    for grid in result.results:
        if grid.source.layout is None and grid.layouts:
            (stage / LAYOUTS).mkdir(exist_ok=True)
            for path, layout in zip(dict.fromkeys(grid.source.logs), grid.layouts):
                (stage / names[path.parts]).write_text(layout_to_json(layout), "utf-8")


def _report(
    result: SurveyResult,
    grids: Sequence[dict],
    looks: Mapping,
    crs: QgsCoordinateReferenceSystem,
    site: str,
    inputs: Sequence[dict],
) -> ReportContent:
    units = result.corrected.units
    maps = [
        ReportMap(c, units.get(c, ""), result.raw_rasters[c].value_blocks, r.value_blocks, *looks[c])
        for c, r in result.rasters.items()
    ]
    return ReportContent(
        site=site,
        created=datetime.now().strftime("%Y-%m-%d %H:%M"),
        crs=f"{crs.authid()} {crs.description()}",
        maps=maps,
        outlines=[(grid.grid, *outline(grid)) for grid in result.grids],
        grids=grids,
        failed=result.failed,
        corners=corner_rows(result),
        findings=result.findings,
        records=result.records,
        inputs=inputs,
        versions=versions(),
        profiles=result.corrected.get(result.grids[0].grid),
    )


def _tables(
    stage: Path, result: SurveyResult, grids: Sequence[dict], wkt: str, site: str, run: str, progress: Progress
) -> list[SurveyLayer]:
    offsets = {f"offset_{channel}": float for channel in result.rasters}
    places = finding_places(result.findings, result.corrected)
    findings = [dict(zip(FIELDS, row)) for row in finding_rows(list(result.findings))]
    for row in findings:
        place = places.get((row["grid"], row["line"], row["run"]))
        row["geometry"] = [place] if place else None
    marks = full_scale_rows(result)
    tables = (
        rows_layer("findings", "point", findings, TYPES["findings"]),
        *([rows_layer(MARKS, "point", marks, TYPES[MARKS])] if marks else []),
        rows_layer("corners", "point", corner_rows(result), TYPES["corners"]),
        rows_layer("grids", "polygon", grids, TYPES["grids"]),
        rows_layer("traverses", "line", traverse_rows(result), {**TYPES["traverses"], **offsets}),
        readings_layer((part for _, part in result.corrected.items()), sum(result.corrected.counts.values())),
    )
    path = stage / DATABASE
    write_geopackage(path, tables, wkt, progress, metadata={RUN: run})
    return [
        SurveyLayer(
            f"{path}|layername={t.name}",
            t.name.replace("_", " ").capitalize(),
            (site,),
            t.name,
            visible=t.name not in HIDDEN,
            looks=_looks_of_readings(result) if t.name == "readings" else (),
        )
        for t in tables
    ]


def _looks_of_readings(result: SurveyResult) -> tuple[Look, ...]:
    units, grids = result.corrected.units, result.corrected
    return tuple(
        Look(name, limits, units.get(name, ""), ramp)
        for name in grids.channels
        for limits, ramp in [channel_look(ValuesInUse(grids, name))]
    )


def _rasters(
    stage: Path, result: SurveyResult, looks: Mapping, wkt: str, site: str, progress: Progress
) -> list[SurveyLayer]:
    maps, logged, grids, errors = [], [], [], []
    files = _raster_files(result)
    has_values = {
        name: [c for c in result.rasters if np.isfinite(part.channels[c]).any()]
        for name, part in result.corrected.items()
    }
    for number, (channel, raster) in enumerate(result.rasters.items()):
        within = part_of(progress, number / len(result.rasters), (number + 1) / len(result.rasters))
        unit = result.corrected.units.get(channel, "")
        limits, ramp = looks[channel]
        shown = {"limits": limits, "unit": unit, "ramp": ramp}
        path = stage / files["", channel, ""]
        write_raster(path, raster.value_blocks, wkt, unit=unit, name=channel)
        maps.append(SurveyLayer(str(path), f"{channel}, whole site", (site,), "raster", visible=not number, **shown))
        path = stage / files["", channel, "_raw"]
        write_raster(path, result.raw_rasters[channel].value_blocks, wkt, unit=unit, name=channel)
        name = f"{channel}, as logged"
        logged.append(SurveyLayer(str(path), name, (site, "As logged"), "raster", visible=False, **shown))
        path = stage / files["", channel, "_se"]
        write_raster(path, raster.error_blocks, wkt, unit=unit, name=f"{channel} standard error")
        limits, ramp = from_zero(raster.error_blocks.blocks.values())
        errors.append(
            SurveyLayer(str(path), f"{channel}, standard error", (site, "Standard errors"), "raster", limits, unit,
                        ramp, visible=False)
        )  # fmt: skip
        for done, grid in enumerate(result.grids):
            if within is not None:
                within(done / len(result.grids))
            if channel in has_values[grid.grid]:
                path = stage / files[grid.grid, channel, ""]
                write_raster(path, cells_of_grid(result, grid, channel), wkt, unit=unit, name=channel)
                name = f"{channel}, grid {grid.grid}"
                grids.append(SurveyLayer(str(path), name, (site, "Single grids"), "raster", visible=False, **shown))
    return [*maps, *logged, *grids, *errors]


def _raster_files(result: SurveyResult) -> dict[tuple[str, str, str], str]:
    """Return the file of each raster by grid (empty: whole site), channel and kind, for every grid of the register."""
    site = {("", c, kind): f"site_{c}{kind}" for c in result.rasters for kind in MAP_ENDINGS}
    grids = (*(one.grid for one in result.results), *result.failed)
    single = {(grid, c, ""): f"{grid}_{c}" for grid in grids for c in result.rasters}
    files = {key: f"{stem}.tif" for key, stem in file_stems(site, WITH_STATISTICS).items()}
    files.update((key, f"grids/{stem}.tif") for key, stem in file_stems(single, WITH_STATISTICS).items())
    return files
