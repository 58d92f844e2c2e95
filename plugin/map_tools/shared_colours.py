"""One range of colours for a channel over all its rasters in the project, and a grey look for print and back."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Callable, NamedTuple, Sequence

from qgis.core import (
    QgsColorRampLegendNodeSettings,
    QgsColorRampShader,
    QgsProject,
    QgsRasterLayer,
    QgsRasterShader,
    QgsSingleBandPseudoColorRenderer,
)
from qgis.PyQt.QtXml import QDomDocument

from ...processing_provider.bridge.raster import band_of, read_raster
from ...processing_provider.bridge.style import QUIET, about_zero, channel_look, from_zero, shared_range, style_raster
from ...processing_provider.engine.core import EngineError
from ..texts import tr
from .grey_mark import COLOURS

Look = tuple[tuple[float, float], str]
"""Range of the colours, and the ramp for a map that is not coloured by value yet."""


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


class Share(NamedTuple):
    """Maps of one channel that are to have one range."""

    channel: Channel
    layers: tuple[str, ...]
    files: tuple[Path, ...]
    before: tuple[tuple[float, float], ...]
    """Between which values each is coloured now."""


def to_share(project: QgsProject) -> list[Share]:
    """Return the maps of a project by channel, as ``shared_looks`` wants them.

    Raises
    ------
    EngineError
        When the project holds no raster with a channel.
    """
    return [
        Share(channel, tuple(la.id() for la in layers), tuple(Path(la.source()) for la in layers),
              tuple(limits_of(la) for la in layers))
        for channel, layers in _found(project).items()
    ]  # fmt: skip


def shared_looks(shares: Sequence[Share], progress: Callable[[float], None]) -> list[Look]:
    """Return one range for the maps of each channel, the 2 to 98 % over all of them; may run in another thread.

    A range about zero stays about zero, one from zero on stays from zero on.
    """
    looks, done, count = [], 0, sum(len(share.files) for share in shares)
    for share in shares:
        values = []
        for path in share.files:
            progress(done / count)
            values.append(read_raster(path)[0])
            done += 1
        ramp = channel_look(values)[1]
        if any(math.isclose(low, -high, rel_tol=1e-6) for low, high in share.before):
            limits = about_zero(values)[0]
        elif all(low == 0 for low, _ in share.before):
            limits = from_zero(values)[0]
        else:
            limits = shared_range(values)
        looks.append((limits, ramp))
    return looks


def show_shared(project: QgsProject, shares: Sequence[Share], looks: Sequence[Look]) -> str:
    """Give the maps of each channel their range; return what was done, in a sentence. Each keeps its ramp."""
    sentences = []
    for share, (limits, ramp) in zip(shares, looks):
        # A map may have been taken away in the meantime.
        layers = [layer for layer in map(project.mapLayer, share.layers) if layer is not None]
        for layer in layers:
            _colour(layer, limits, share.channel.unit, ramp)
        low, high = limits
        sentences.append(
            tr("{channel}: {count} maps from {low:.4g} to {high:.4g} {unit}")
            .format(channel=share.channel.name, count=len(layers), low=low, high=high, unit=share.channel.unit)
            .strip()
        )
    return "; ".join(sentences) + "."


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
    factor = (high - low) / (before[1] - before[0])
    items = []
    for item in old.colorRampItemList():
        value = low + (item.value - before[0]) * factor
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
