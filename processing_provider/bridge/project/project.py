"""Layers of a processed survey in a project: named, styled, grouped by site and in a sensible order."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Sequence

from qgis.core import (
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsLayerTreeGroup,
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingLayerPostProcessorInterface,
    QgsProject,
    QgsRasterLayer,
    QgsReferencedRectangle,
    QgsVectorLayer,
)

from ...engine.core import EngineError, Progress, whole_file
from ..style import NEAR_SCALE, VECTOR_STYLES, Look, add_styles_by_value, keep_style_in_file, style_raster
from .metadata import describe

ORDER = "turnrow/order"
_KIND = QgsMapLayer.StyleCategory
OF_STYLES = _KIND.LayerConfiguration | _KIND.Symbology | _KIND.Rendering | _KIND.CustomProperties | _KIND.Legend
"""What a style beside a raster holds: all but what QGIS makes up for every layer, as the colour of its profile."""
TAG = re.compile(r"(<[\w:.-]+)((?:\s+[\w:.-]+=\"[^\"]*\")+)")
"""A tag of XML with its attributes, as Qt writes them: in the text between tags and in values, < and \" are escaped."""


@dataclass(frozen=True)
class SurveyLayer:
    """One layer of a survey as a project shows it.

    Attributes
    ----------
    uri, name : str
    group : tuple of str
        Names of the groups around it, outermost first.
    style : str
        Name of a vector style, or ``raster``.
    limits : (float, float)
        Of the colours of a raster.
    unit, ramp : str
    visible : bool
    looks : tuple of Look
        Colours of the channels of readings.
    """

    uri: str
    name: str
    group: tuple[str, ...]
    style: str
    limits: tuple[float, float] = (0.0, 1.0)
    unit: str = ""
    ramp: str = ""
    visible: bool = True
    looks: tuple[Look, ...] = ()

    def open(self) -> QgsMapLayer:
        """Return the layer, styled."""
        if self.style == "raster":
            layer = QgsRasterLayer(self.uri, self.name)
        else:
            layer = QgsVectorLayer(self.uri, self.name, "ogr")
        if not layer.isValid():
            raise EngineError(f"The layer {self.name} cannot be opened from {self.uri}. Was the file moved?")
        self.dress(layer)
        return layer

    def dress(self, layer: QgsMapLayer) -> None:
        """Give a layer its name and style, and the metadata that was kept with it."""
        layer.setName(self.name)
        if self.style == "raster":
            style_raster(layer, *self.limits, self.unit, self.ramp)
        else:
            VECTOR_STYLES[self.style](layer)
        if self.looks:
            add_styles_by_value(layer, self.looks)
        if self.group and self.style == "readings":
            layer.setScaleBasedVisibility(True)
            layer.setMinimumScale(NEAR_SCALE)
        layer.loadDefaultMetadata()


def keep_looks(layers: Sequence[SurveyLayer], site: str, history: Sequence[str], progress: Progress = None) -> None:
    """Store the style and the metadata of every layer beside its raster (``.qml``, ``.qmd``) or in its GeoPackage.

    Raises
    ------
    EngineError
        When a layer cannot be opened or its folder cannot be written.
    """
    for number, spec in enumerate(layers):
        if progress is not None:
            progress(number / len(layers))
        if spec.style == "raster":
            layer = keep_style_beside(spec)
        else:
            layer = spec.open()
            keep_style_in_file(layer)
        layer.setMetadata(describe(layer, spec.style, site, spec.unit, history))
        reason, stored = layer.saveDefaultMetadata()
        if not stored:
            raise EngineError(
                f"The metadata of {spec.name} cannot be kept: {reason}. Is the disk full, or the folder read-only?"
            )
        if spec.style == "raster":
            _in_order(Path(spec.uri).with_suffix(".qmd"), "metadata")


def keep_style_beside(spec: SurveyLayer) -> QgsRasterLayer:
    """Store the style of a raster beside it (``.qml``), so that it comes back wherever the file is opened.

    Raises
    ------
    EngineError
        When the raster cannot be opened or its folder cannot be written.
    """
    layer, path = spec.open(), Path(spec.uri).with_suffix(".qml")
    reason, kept = layer.saveNamedStyle(str(path), OF_STYLES)
    if not kept:
        raise EngineError(
            f"The style of {spec.name} cannot be kept: {reason}. Is the disk full, or the folder read-only?"
        )
    _in_order(path, "style")
    return layer


def _in_order(path: Path, what: str) -> None:
    """Sort the attributes of every tag: Qt writes them in another order in every run of the program."""
    attribute = re.compile(r"\s+[^=]+=\"[^\"]*\"")
    text = TAG.sub(lambda tag: tag[1] + "".join(sorted(attribute.findall(tag[2]))), path.read_text("utf-8"))
    with whole_file(path, what) as part:
        part.write_text(text, "utf-8")


def write_project(
    path: Path,
    layers: Sequence[SurveyLayer],
    crs: QgsCoordinateReferenceSystem,
    title: str,
    progress: Progress = None,
) -> None:
    """Write a QGIS project with relative paths.

    Raises
    ------
    EngineError
        When a layer cannot be opened or the project cannot be written.
    """
    project = QgsProject()
    project.setTitle(title)
    project.setCrs(crs)
    project.setFilePathStorage(Qgis.FilePathType.Relative)
    maps = []
    for order, spec in enumerate(layers):
        if progress is not None:
            progress(order / len(layers))
        layer = spec.open()
        project.addMapLayer(layer, False)
        _insert(project.layerTreeRoot(), spec, order, layer)
        maps += [layer] if spec.style == "raster" and spec.visible else []
    if maps:
        extent = maps[0].extent()
        extent.scale(1.1)
        project.viewSettings().setDefaultViewExtent(QgsReferencedRectangle(extent, crs))
    _write(project, path)


def with_layers(source: Path, path: Path, layers: Sequence) -> None:
    """Write a project again under another name, with layers put on top of it; paths stay relative.

    Raises
    ------
    EngineError
        When the project cannot be read or written.
    """
    project = QgsProject()
    if not project.read(str(source)):
        raise EngineError(f"The project {source} cannot be read. Run the survey first.")
    for layer in reversed(layers):
        project.addMapLayer(layer, False)
        project.layerTreeRoot().insertLayer(0, layer)
    _write(project, path)


def _write(project: QgsProject, path: Path) -> None:
    with whole_file(path, "project") as part:
        written = project.write(str(part))
        reason = project.error()
        project.clear()
        if not written:
            raise OSError(reason or "no reason given")


def load_when_done(context: QgsProcessingContext, layers: Sequence[SurveyLayer]) -> None:
    """Have the layers loaded, styled and grouped when the algorithm that calls this has ended.

    The post-processors are kept alive by the list below; QGIS does not own them.
    """
    if context.project() is None:
        return
    for order, spec in enumerate(layers):
        details = QgsProcessingContext.LayerDetails(spec.name, context.project(), spec.name)
        details.forceName = True
        arrival = _Arrival(spec, order)
        _ARRIVALS.append(arrival)
        details.setPostProcessor(arrival)
        context.addLayerToLoadOnCompletion(spec.uri, details)


def dress_when_loaded(context: QgsProcessingContext, spec: SurveyLayer) -> None:
    """Have an output of an algorithm named and styled when it is loaded; nothing happens when it is not."""
    if context.willLoadLayerOnCompletion(spec.uri):
        details = context.layerToLoadOnCompletionDetails(spec.uri)
        details.name, details.forceName = spec.name, True
        arrival = _Arrival(spec, 0)
        _ARRIVALS.append(arrival)
        details.setPostProcessor(arrival)


_ARRIVALS: list = []


class _Arrival(QgsProcessingLayerPostProcessorInterface):
    """Dresses one layer and moves it to its place when it has been loaded."""

    def __init__(self, spec: SurveyLayer, order: int) -> None:
        super().__init__()
        self.spec, self.order = spec, order

    def postProcessLayer(
        self, layer: QgsMapLayer, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> None:  # noqa: N802 (name fixed by QGIS)
        self.spec.dress(layer)
        layer.triggerRepaint()
        _ARRIVALS.remove(self)
        if not self.spec.group:
            return
        root = context.project().layerTreeRoot()
        old = root.findLayer(layer.id())
        _insert(root, self.spec, self.order, layer)
        if old is not None:
            old.parent().removeChildNode(old)


def _insert(root: QgsLayerTreeGroup, spec: SurveyLayer, order: int, layer: QgsMapLayer) -> None:
    group = root
    for depth, name in enumerate(spec.group):
        inner = next((g for g in group.findGroups() if g.name() == name), None)
        if inner is None:
            inner = group.insertGroup(0 if depth == 0 else _place(group, order), name)
            inner.setCustomProperty(ORDER, order)
            inner.setExpanded(depth == 0)
        group = inner
    node = group.insertLayer(_place(group, order), layer)
    node.setCustomProperty(ORDER, order)
    node.setItemVisibilityChecked(spec.visible)
    node.setExpanded(spec.style == "raster" and spec.visible)


def _place(group: QgsLayerTreeGroup, order: int) -> int:
    return sum(int(child.customProperty(ORDER, 0)) < order for child in group.children())
