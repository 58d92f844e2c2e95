"""Layers of grid corners in the project: which there are, what they hold, and a grid added to one."""

from __future__ import annotations

from typing import Mapping, Optional, Sequence

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsVectorLayer,
    QgsVectorLayerUtils,
    QgsWkbTypes,
)

from ...processing_provider.bridge.style import style_corners
from ...processing_provider.bridge.vector import check_metric_crs
from ...processing_provider.engine.core import EngineError
from ...processing_provider.engine.geometry import CORNERS, Corner, parse_corners
from ..texts import tr

FIELDS = ("grid", "corner")
SIZE = ("grid", "length_m", "width_m")


def corner_layers(project: QgsProject) -> list[QgsVectorLayer]:
    """Return the point layers of a project that have the fields of corners, by name."""
    point = QgsWkbTypes.GeometryType.PointGeometry
    layers = [
        layer
        for layer in project.mapLayers().values()
        if isinstance(layer, QgsVectorLayer)
        and layer.geometryType() == point
        and all(layer.fields().lookupField(name) >= 0 for name in FIELDS)
        # Readings and stake-out points are no corners, whatever else they are called.
        and layer.fields().lookupField("line") < 0
    ]
    return sorted(layers, key=lambda layer: layer.name())


def grid_names(layer: QgsVectorLayer) -> list[str]:
    """Return the names of the grids in a layer that has them."""
    index = layer.fields().lookupField("grid")
    return sorted({str(value) for value in layer.uniqueValues(index) if value})


def names_in_use(project: QgsProject) -> set[str]:
    """Return the names of the grids in all layers of corners and all tables of sizes of a project."""
    layers = [*corner_layers(project), *_size_tables(project)]
    return {name for layer in layers for name in grid_names(layer)}


def corners_of(layer: QgsVectorLayer, grid: str) -> list[Corner]:
    """Return the corners of a grid, in the layer's CRS.

    Raises
    ------
    EngineError
        When the layer is not in projected metres, or a row is no corner or stands twice.
    """
    check_metric_crs(layer.crs(), f"the layer {layer.name()}")
    rows = []
    for feature in layer.getFeatures():
        if str(feature["grid"]) == grid and feature.hasGeometry():
            point = feature.geometry().asPoint()
            rows.append({"grid": grid, "corner": feature["corner"], "x": point.x(), "y": point.y()})
    return parse_corners(rows, where=f"{layer.name()}, grid {grid}")


def size_of(project: QgsProject, grid: str) -> Optional[tuple[float, float]]:
    """Return length_m and width_m of a grid from a table of the project that has them, such as a register."""
    for layer in _size_tables(project):
        for feature in layer.getFeatures():
            if str(feature["grid"]) == grid:
                try:
                    return float(feature["length_m"]), float(feature["width_m"])
                except (TypeError, ValueError):  # an empty cell
                    return None
    return None


def _size_tables(project: QgsProject) -> list[QgsVectorLayer]:
    layers = (layer for layer in project.mapLayers().values() if isinstance(layer, QgsVectorLayer))
    return [layer for layer in layers if all(layer.fields().lookupField(name) >= 0 for name in SIZE)]


def new_corner_layer(crs: QgsCoordinateReferenceSystem) -> QgsVectorLayer:
    """Return an empty layer of corners in memory, styled and not in a project yet."""
    layer = QgsVectorLayer("Point?field=grid:string(80)&field=corner:string(10)", tr("Corners"), "memory")
    layer.setCrs(crs)
    style_corners(layer)
    return layer


def check_may_mark(crs: QgsCoordinateReferenceSystem, middle: QgsPointXY) -> None:
    """Raise EngineError unless corners can be marked on a map in a CRS; the UTM zone of the place is offered."""
    check_metric_crs(crs, "the map", [(middle.x(), middle.y())])


def add_grid(
    layer: QgsVectorLayer, grid: str, points: Sequence[QgsPointXY], crs: QgsCoordinateReferenceSystem
) -> dict[str, QgsPointXY]:
    """Add the corners of a grid to a layer, points in the order of ``CORNERS``; return where they are in its CRS.

    A layer that is being edited stays so: the person keeps or takes back the addition.

    Raises
    ------
    EngineError
        When the layer is not in projected metres, holds the grid already or takes no features.
    """
    name = layer.name()
    check_metric_crs(layer.crs(), f"the layer {name}")
    if grid in grid_names(layer):
        raise EngineError(
            tr("Grid {grid} has corners in {layer} already. Give the new grid another name.").format(
                grid=grid, layer=name
            )
        )
    positions = _moved(dict(zip(CORNERS, points)), crs, layer.crs(), name)
    fields = layer.fields()
    features = []
    for corner, point in positions.items():
        values = {fields.lookupField("grid"): grid, fields.lookupField("corner"): corner}
        features.append(QgsVectorLayerUtils.createFeature(layer, QgsGeometry.fromPointXY(point), values))
    _keep(layer, features)
    return positions


def _moved(
    positions: Mapping[str, QgsPointXY],
    source: QgsCoordinateReferenceSystem,
    target: QgsCoordinateReferenceSystem,
    name: str,
) -> dict[str, QgsPointXY]:
    way = QgsCoordinateTransform(source, target, QgsProject.instance())
    try:
        return {corner: way.transform(point) for corner, point in positions.items()}
    except QgsCsException as error:
        raise EngineError(
            tr("The corners have no place in the CRS of {layer}. Choose another layer.").format(layer=name)
        ) from error


def _keep(layer: QgsVectorLayer, features: Sequence[QgsFeature]) -> None:
    ours = not layer.isEditable()
    good = layer.startEditing() if ours else True
    layer.beginEditCommand(tr("Mark grid corners"))
    good = good and layer.addFeatures(list(features))
    layer.endEditCommand()
    if ours and good:
        good = layer.commitChanges()
    if not good:
        reason = " ".join(layer.commitErrors())
        if ours:
            layer.rollBack()
        raise EngineError(
            tr("The layer {layer} takes no corners: {reason} Choose a new layer.").format(
                layer=layer.name(), reason=reason or tr("it cannot be edited.")
            )
        )
    layer.triggerRepaint()
