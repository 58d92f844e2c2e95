"""What goes on a map sheet: layers, their colours, the ground to show, and the record of the processing."""

from __future__ import annotations

from pathlib import Path
from typing import Optional, Protocol, Sequence

import numpy as np
from qgis.core import (
    QgsMapLayer,
    QgsProcessingContext,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsSingleBandPseudoColorRenderer,
    QgsSingleSymbolRenderer,
    QgsVectorLayer,
)

from ...engine.core import EngineError
from ..raster import band_of, read_raster
from ..style import channel_look, outline_symbol, style_raster
from ..vector import check_metric_crs
from .geometry import PAPERS, SheetPlan, plan_sheet
from .layout import Panel, Sheet
from .marks import full_scale_marks

__all__ = ["PAPERS", "SCALES", "sheet_of"]

SCALES = {"fit": None, "1:250": 250, "1:500": 500, "1:1000": 1000}
AROUND = 1.04
"""A little of the surroundings shows at the edges."""


class SheetValues(Protocol):
    """What the algorithm was given: maps, what lies on top of them, and how the sheet shall be."""

    input: list[QgsRasterLayer]
    compare: list[QgsRasterLayer]
    overlays: list[QgsVectorLayer]
    grids: Optional[QgsVectorLayer]
    each_grid: bool
    scale: str
    paper: str
    site: str
    title: str
    context: QgsProcessingContext


def sheet_of(values: SheetValues) -> tuple[QgsProject, Sheet, SheetPlan]:
    """Return the project that the layers are in, the sheet and its plan, from the values of the algorithm.

    Raises
    ------
    EngineError
        When the maps do not fit together, or not on the paper.
    """
    maps, logged = values.input, values.compare
    _check(maps, logged, values)
    project = values.context.project() or QgsProject.instance()
    maps = [_in_project(layer, project) for layer in maps]
    for layer in maps:
        _colour(layer)
    logged = [_in_project(layer, project) for layer in logged]
    for layer, like in zip(logged, maps):
        _colour_like(layer, like)
    grids = values.grids and _in_project(values.grids, project)
    on_top = tuple(_in_project(layer, project) for layer in values.overlays) + ((grids,) if grids else ())
    panels = []
    for number, layer in enumerate(maps):
        marks = full_scale_marks(layer, project)
        above = (*on_top, marks) if marks else on_top
        panels.append(Panel(layer.name(), (*above, layer), marks=marks))
        if logged:
            panels.insert(-1, Panel(f"{layer.name()} as logged", (*above, logged[number]), in_legend=False))
    each = grids if values.each_grid else None
    extent = _ground(maps, each)
    plan = plan_sheet((extent.width(), extent.height()), len(panels), values.paper, SCALES[values.scale])
    name = _free_name(project, f"{values.site} {values.title}".strip())
    summary = tuple(maps[0].metadata().history())
    return project, Sheet(name, values.site, values.title, tuple(panels), extent, maps[0].crs(), summary, each), plan


def _check(maps: Sequence, logged: Sequence, values: SheetValues) -> None:
    check_metric_crs(maps[0].crs(), f"the map {maps[0].name()}")
    for layer in (*maps, *logged):
        if layer.crs() != maps[0].crs():
            raise EngineError(
                f"{layer.name()} is in {layer.crs().authid()}, {maps[0].name()} in {maps[0].crs().authid()}. All maps "
                "of a sheet must be in one CRS."
            )
    if logged and len(logged) != len(maps):
        raise EngineError(
            f"{len(maps)} maps and {len(logged)} maps as logged were given. Give one as logged for each map, in the "
            "same order, or none."
        )
    if not values.each_grid:
        return
    if values.grids is None:
        raise EngineError("One page a grid was asked for, but no grids were given. Give the layer of their outlines.")
    if "grid" not in values.grids.fields().names():
        raise EngineError(f"The layer {values.grids.name()} has no field grid, so its pages would have no names.")


def _in_project(layer: QgsMapLayer, project: QgsProject) -> QgsMapLayer:
    """Return the layer as the project has it; one from a file is added, so that a kept layout finds it again."""
    if project.mapLayer(layer.id()):
        return layer
    own = layer.clone()
    # What Processing loads from a file comes without the style and the metadata that were kept with it.
    own.loadDefaultMetadata()
    _, styled = own.loadDefaultStyle()
    if isinstance(own, QgsRasterLayer):
        name, unit = band_of(Path(own.source()))
        own.setName(f"{name} ({unit})" if name and unit else name or own.name())
    elif not styled:
        own.setRenderer(QgsSingleSymbolRenderer(outline_symbol(own.geometryType())))
    project.addMapLayer(own)
    return own


def _colour(layer: QgsRasterLayer) -> None:
    """Give a map colours unless it has some of its own."""
    if isinstance(layer.renderer(), QgsSingleBandPseudoColorRenderer):
        return
    array, _, _, unit, _ = read_raster(Path(layer.source()))
    if not np.isfinite(array).any():
        raise EngineError(f"The map {layer.name()} has no value, only nodata, so there is nothing to show.")
    limits, ramp = channel_look([array])
    style_raster(layer, *limits, unit, ramp)


def _colour_like(layer: QgsRasterLayer, like: QgsRasterLayer) -> None:
    """Give a map the colours of another one."""
    colours = like.renderer()
    layer.setRenderer(colours.clone())
    # A copy does not know between which values it is coloured; layer properties and grey for print read that.
    layer.renderer().setClassificationMin(colours.classificationMin())
    layer.renderer().setClassificationMax(colours.classificationMax())


def _ground(maps: Sequence[QgsRasterLayer], each: Optional[QgsVectorLayer]) -> QgsRectangle:
    """Return the ground that a page shows: that of all maps, or as much as the largest grid needs."""
    box = QgsRectangle()
    if each is None:
        for layer in maps:
            box.combineExtentWith(layer.extent())
    else:
        boxes = [feature.geometry().boundingBox() for feature in each.getFeatures()]
        if not boxes:
            raise EngineError(f"The layer {each.name()} has no grid, so there is no page to make.")
        wide, high = max(b.width() for b in boxes), max(b.height() for b in boxes)
        box = QgsRectangle.fromCenterAndSize(boxes[0].center(), wide, high)
    box.scale(AROUND)
    return box


def _free_name(project: QgsProject, wanted: str) -> str:
    taken = {layout.name() for layout in project.layoutManager().layouts()}
    names = (wanted if n == 1 else f"{wanted} {n}" for n in range(1, len(taken) + 2))
    return next(name for name in names if name not in taken)
