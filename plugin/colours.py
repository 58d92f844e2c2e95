"""One range of colours for a channel over all its rasters in the project, and a grey look for print and back."""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple

from qgis.core import (
    QgsColorRampLegendNodeSettings,
    QgsColorRampShader,
    QgsProject,
    QgsRasterLayer,
    QgsRasterShader,
    QgsSingleBandPseudoColorRenderer,
)
from qgis.PyQt.QtXml import QDomDocument

from ..processing_provider.bridge.ramps import QUIET, about_zero, channel_look, from_zero, shared_range
from ..processing_provider.bridge.rasters import band_of, read_raster
from ..processing_provider.bridge.styles import style_raster
from ..processing_provider.engine.errors import EngineError
from .grey_mark import COLOURS
from .texts import tr


class Channel(NamedTuple):
    """What the band of a raster says it holds."""

    name: str
    unit: str


def channels_of(project: QgsProject) -> dict[Channel, list[QgsRasterLayer]]:
    """Return the single-band rasters of a project by the channel that their band names; others are left out."""
    found: dict[Channel, list[QgsRasterLayer]] = {}
    for layer in project.mapLayers().values():
        if not isinstance(layer, QgsRasterLayer) or not layer.isValid() or layer.bandCount() != 1:
            continue
        if layer.providerType() != "gdal" or not Path(layer.source()).is_file():
            continue
        channel = Channel(*band_of(Path(layer.source())))
        if channel.name:
            found.setdefault(channel, []).append(layer)
    return dict(sorted(found.items()))


def limits_of(layer: QgsRasterLayer) -> tuple[float, float]:
    """Return between which values a raster is coloured; NaN where it is not coloured by value."""
    renderer = layer.renderer()
    if not isinstance(renderer, QgsSingleBandPseudoColorRenderer):
        return math.nan, math.nan
    return renderer.classificationMin(), renderer.classificationMax()


def same_colours(project: QgsProject) -> str:
    """Give all rasters of a channel one range, the 2 to 98 % over all of them; return what was done, in a sentence.

    Each raster keeps its ramp. A range about zero stays about zero, one from zero on stays from zero on.

    Raises
    ------
    EngineError
        When the project holds no raster with a channel.
    """
    done = []
    for channel, layers in _found(project).items():
        values = [read_raster(Path(layer.source()))[0] for layer in layers]
        before = [limits_of(layer) for layer in layers]
        if any(math.isclose(low, -high, rel_tol=1e-6) for low, high in before):
            limits = about_zero(values)[0]
        elif all(low == 0 for low, _ in before):
            limits = from_zero(values)[0]
        else:
            limits = shared_range(values)
        for layer in layers:
            _colour(layer, limits, channel.unit, channel_look(values)[1])
        low, high = limits
        done.append(
            tr("{channel}: {count} maps from {low:.4g} to {high:.4g} {unit}")
            .format(channel=channel.name, count=len(layers), low=low, high=high, unit=channel.unit)
            .strip()
        )
    return "; ".join(done) + "."


def set_grey(project: QgsProject, wanted: bool) -> str:
    """Show the maps of all channels in greys with the ranges they have, or in their colours again; return a sentence.

    Raises
    ------
    EngineError
        When the project holds no raster with a channel.
    """
    changed = 0
    for channel, layers in _found(project).items():
        for layer in layers:
            if bool(layer.customProperty(COLOURS)) == wanted or not math.isfinite(sum(limits_of(layer))):
                continue
            if wanted:
                _to_grey(layer, channel.unit)
            else:
                _from_grey(layer, channel.unit)
            changed += 1
    text = tr("{count} maps are in greys now.") if wanted else tr("{count} maps are in their colours again.")
    return text.format(count=changed)


def _found(project: QgsProject) -> dict[Channel, list[QgsRasterLayer]]:
    found = channels_of(project)
    if not found:
        raise EngineError(
            tr(
                "The project holds no map whose band carries the name of a channel. Add the maps of a processed "
                "survey, or process one."
            )
        )
    return found


def _colour(layer: QgsRasterLayer, limits: tuple[float, float], unit: str, ramp: str) -> None:
    """Move a raster's colours to other limits; one that is not coloured by value yet takes a ramp."""
    low, high = limits_of(layer)
    if low < high:
        _stretch(layer, limits, unit)
    else:
        style_raster(layer, *limits, unit, ramp)
    _show(layer)


def _stretch(layer: QgsRasterLayer, limits: tuple[float, float], unit: str) -> None:
    """Move the values of a raster's colours evenly, whatever ramp they come from."""
    # The renderer in use is asked while it lives: a style by our hand takes its place.
    old = layer.renderer().shader().rasterShaderFunction()
    before, (low, high) = limits_of(layer), limits
    share = (high - low) / (before[1] - before[0])
    items = []
    for item in old.colorRampItemList():
        value = low + (item.value - before[0]) * share
        items.append(QgsColorRampShader.ColorRampItem(value, item.color, f"{value:.3g}"))
    ramp, kind, clip = old.sourceColorRamp(), old.colorRampType(), old.clip()
    shader = QgsColorRampShader(low, high, ramp.clone() if ramp is not None else None, kind, old.classificationMode())
    shader.setClip(clip)
    shader.setColorRampItemList(items)
    # Suffix and decimals of the legend are made in one place, for every raster of the plugin.
    style_raster(layer, low, high, unit)
    made = layer.renderer().shader().rasterShaderFunction()
    shader.setLegendSettings(QgsColorRampLegendNodeSettings(made.legendSettings()))
    whole = QgsRasterShader(low, high)
    whole.setRasterShaderFunction(shader)
    layer.renderer().setShader(whole)


def _to_grey(layer: QgsRasterLayer, unit: str) -> None:
    limits = limits_of(layer)
    document = QDomDocument()
    kept = document.createElement("colours")
    document.appendChild(kept)
    layer.renderer().writeXml(document, kept)
    layer.setCustomProperty(COLOURS, document.toString())
    style_raster(layer, *limits, unit, QUIET)
    _show(layer)


def _from_grey(layer: QgsRasterLayer, unit: str) -> None:
    """Take the colours from before; the range is that of the greys, which may have been changed since."""
    limits = limits_of(layer)
    document = QDomDocument()
    document.setContent(layer.customProperty(COLOURS))
    kept = document.documentElement().firstChildElement("rasterrenderer")
    layer.setRenderer(QgsSingleBandPseudoColorRenderer.create(kept, layer.dataProvider()))
    _stretch(layer, limits, unit)
    layer.removeCustomProperty(COLOURS)
    _show(layer)


def _show(layer: QgsRasterLayer) -> None:
    layer.triggerRepaint()
    layer.emitStyleChanged()
