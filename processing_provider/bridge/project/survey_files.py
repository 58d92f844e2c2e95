"""The files of a processed survey: everything is written into a hidden folder first and moved when it is whole."""

from __future__ import annotations

import platform
import shutil
import tempfile
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Iterator, Mapping, Sequence

import numpy as np
from osgeo import gdal
from qgis.core import Qgis, QgsCoordinateReferenceSystem

from ...engine.core import FIELDS, EngineError, Progress, ValuesInUse, finding_rows, part_of
from ...engine.logs import layout_to_json
from ...engine.workflow import (
    SurveyResult,
    cells_of_grid,
    corner_rows,
    finding_places,
    grid_rows,
    outline,
    recipe_text,
    traverse_rows,
)
from ..raster import write_raster
from ..report import ReportContent, ReportMap, write_report
from ..style import Look, channel_look, from_zero
from ..vector import readings_layer, rows_layer, write_geopackage
from .metadata import history_lines
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
    "findings": {name: int if name in ("line", "run", "walk_again") else str for name in FIELDS},
}  # fmt: skip
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


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """Lend a hidden folder inside ``folder``; its files move out at the end, and nothing is left when that fails.

    Raises
    ------
    EngineError
        When the folder cannot be written.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=".part-", dir=folder))
    except OSError as error:
        raise EngineError(f"The output folder {folder} cannot be written: {error}. Choose another folder.") from error
    try:
        yield stage
        for path in sorted(p for p in stage.rglob("*") if p.is_file()):
            final = folder / path.relative_to(stage)
            final.parent.mkdir(exist_ok=True)
            path.replace(final)
    except OSError as error:
        raise EngineError(f"The output folder {folder} cannot be written: {error}. Is the disk full?") from error
    finally:
        shutil.rmtree(stage, ignore_errors=True)
        if made and not any(folder.iterdir()):
            folder.rmdir()


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
    layers = _tables(stage, result, grids, wkt, site, part_of(progress, 0.0, 0.4))
    layers += _rasters(stage, result, looks, wkt, site, part_of(progress, 0.4, 0.8))
    keep_looks(layers, site, history_lines(result.records))
    _layouts(stage / "layouts", result)
    recipe = replace(result.recipe, inputs=tuple(inputs), target_crs=crs.authid() or wkt)
    text = recipe_text(recipe, versions=versions(), results=result.records)
    (stage / "recipe.json").write_text(text, "utf-8")
    write_report(stage / "report.html", _report(result, grids, looks, crs, site, inputs))
    write_project(stage / "site.qgz", layers, crs, site)
    return layers


def _layouts(folder: Path, result: SurveyResult) -> None:
    """Keep the layouts that were found out, so that they can be mended and given in the register."""
    for grid in result.grids:
        if grid.source.layout is None:
            folder.mkdir(exist_ok=True)
            for path, layout in zip(dict.fromkeys(grid.source.logs), grid.layouts):
                (folder / f"{path.stem}.json").write_text(layout_to_json(layout), "utf-8")


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
    stage: Path, result: SurveyResult, grids: Sequence[dict], wkt: str, site: str, progress: Progress
) -> list[SurveyLayer]:
    offsets = {f"offset_{channel}": float for channel in result.rasters}
    places = finding_places(result.findings, result.corrected)
    findings = [dict(zip(FIELDS, row)) for row in finding_rows(list(result.findings))]
    for row in findings:
        place = places.get((row["grid"], row["line"], row["run"]))
        row["geometry"] = [place] if place else None
    tables = (
        rows_layer("findings", "point", findings, TYPES["findings"]),
        rows_layer("corners", "point", corner_rows(result), TYPES["corners"]),
        rows_layer("grids", "polygon", grids, TYPES["grids"]),
        rows_layer("traverses", "line", traverse_rows(result), {**TYPES["traverses"], **offsets}),
        readings_layer((part for _, part in result.corrected.items()), sum(result.corrected.counts.values())),
    )
    path = stage / "survey.gpkg"
    write_geopackage(path, tables, wkt, progress)
    return [
        SurveyLayer(
            f"{path}|layername={t.name}",
            t.name.capitalize(),
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
    has_values = {
        name: [c for c in result.rasters if np.isfinite(part.channels[c]).any()]
        for name, part in result.corrected.items()
    }
    for number, (channel, raster) in enumerate(result.rasters.items()):
        if progress is not None:
            progress(number / len(result.rasters))
        unit = result.corrected.units.get(channel, "")
        limits, ramp = looks[channel]
        shown = {"limits": limits, "unit": unit, "ramp": ramp}
        path = stage / f"site_{channel}.tif"
        write_raster(path, raster.value_blocks, wkt, unit=unit, name=channel)
        maps.append(SurveyLayer(str(path), f"{channel}, whole site", (site,), "raster", visible=not number, **shown))
        path = stage / f"site_{channel}_raw.tif"
        write_raster(path, result.raw_rasters[channel].value_blocks, wkt, unit=unit, name=channel)
        name = f"{channel}, as logged"
        logged.append(SurveyLayer(str(path), name, (site, "As logged"), "raster", visible=False, **shown))
        path = stage / f"site_{channel}_se.tif"
        write_raster(path, raster.error_blocks, wkt, unit=unit, name=f"{channel} standard error")
        limits, ramp = from_zero(raster.error_blocks.blocks.values())
        errors.append(
            SurveyLayer(str(path), f"{channel}, standard error", (site, "Standard errors"), "raster", limits, unit,
                        ramp, visible=False)
        )  # fmt: skip
        for grid in result.grids:
            if channel in has_values[grid.grid]:
                path = stage / "grids" / f"{grid.grid}_{channel}.tif"
                write_raster(path, cells_of_grid(result, grid, channel), wkt, unit=unit, name=channel)
                name = f"{channel}, grid {grid.grid}"
                grids.append(SurveyLayer(str(path), name, (site, "Single grids"), "raster", visible=False, **shown))
    return [*maps, *logged, *grids, *errors]
