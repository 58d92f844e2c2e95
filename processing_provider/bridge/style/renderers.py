"""Styles: the same colours for a channel over the whole survey, and symbols that explain themselves."""

from __future__ import annotations

import math
import sqlite3
import sys
from contextlib import closing
from dataclasses import dataclass
from typing import Sequence

import numpy as np
from qgis.core import (
    QgsBasicNumericFormat,
    QgsCategorizedSymbolRenderer,
    QgsColorRampLegendNodeSettings,
    QgsColorRampShader,
    QgsExpression,
    QgsFillSymbol,
    QgsGradientColorRamp,
    QgsGradientStop,
    QgsGraduatedSymbolRenderer,
    QgsLineSymbol,
    QgsMarkerLineSymbolLayer,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsRasterLayer,
    QgsRasterShader,
    QgsRendererCategory,
    QgsRendererRange,
    QgsRuleBasedRenderer,
    QgsSingleBandPseudoColorRenderer,
    QgsSingleSymbolRenderer,
    QgsSymbol,
    QgsTextBufferSettings,
    QgsTextFormat,
    QgsVectorLayer,
    QgsVectorLayerSimpleLabeling,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QColor, QFont, QFontInfo
from qgis.PyQt.QtXml import QDomDocument

from ...engine.core import Readings
from .ramps import RAMPS, SEQUENTIAL, channel_look, colour_at

STEPS = 32
CLASSES = 12
NEAR_SCALE = 1000
"""Dots of a whole survey are drawn from this scale on: farther off they would hide the map."""
SEVERITY_COLOURS = {"error": "#b3261e", "warning": "#c77700", "note": "#4a6572"}


@dataclass(frozen=True)
class Look:
    """Colours of a channel."""

    channel: str
    limits: tuple[float, float]
    unit: str
    ramp: str


def looks_of(readings: Readings) -> tuple[Look, ...]:
    """Return the colours of every channel of some readings, ranges from those in use."""
    used = readings.in_use
    values = {name: column[used] for name, column in readings.channels.items()}
    return tuple(
        Look(name, limits, readings.units.get(name, ""), ramp)
        for name, (limits, ramp) in ((name, channel_look([column])) for name, column in values.items())
    )


def style_raster(layer: QgsRasterLayer, low: float, high: float, unit: str, ramp: str = SEQUENTIAL) -> None:
    """Colour a raster between two values, with a colour bar in the legend that carries the unit.

    The ramp is built here and not taken from QGIS's style library: that belongs to the main thread and to the person,
    who may have changed it.
    """
    shader = QgsColorRampShader(low, high, gradient(ramp), QgsColorRampShader.Type.Interpolated)
    items = []
    for share in np.linspace(0.0, 1.0, STEPS).tolist():
        value = low + share * (high - low)
        items.append(QgsColorRampShader.ColorRampItem(value, QColor(*colour_at(ramp, share)), f"{value:.3g}"))
    shader.setColorRampItemList(items)
    legend = QgsColorRampLegendNodeSettings()
    legend.setSuffix(f" {unit}" if unit else "")
    numbers = QgsBasicNumericFormat()
    numbers.setNumberDecimalPlaces(max(0, 2 - math.floor(math.log10(high - low))))
    legend.setNumericFormat(numbers)
    shader.setLegendSettings(legend)
    raster_shader = QgsRasterShader()
    raster_shader.setRasterShaderFunction(shader)
    renderer = QgsSingleBandPseudoColorRenderer(layer.dataProvider(), 1, raster_shader)
    renderer.setClassificationMin(low)
    renderer.setClassificationMax(high)
    layer.setRenderer(renderer)


def gradient(ramp: str) -> QgsGradientColorRamp:
    """Return a ramp as QGIS knows it."""
    colours = [QColor(colour) for colour in RAMPS[ramp]]
    between = [QgsGradientStop(i / (len(colours) - 1), c) for i, c in enumerate(colours[1:-1], 1)]
    return QgsGradientColorRamp(colours[0], colours[-1], False, between)


def style_readings(layer: QgsVectorLayer) -> None:
    """Readings as small dots: in use, out of use, outlying."""
    rules = (
        ("in use", '"flag" = \'\' OR "flag" IS NULL', "#2f4b3c", 0.5),
        ("outlying", "\"flag\" LIKE '%outlier%'", "#b3261e", 1.4),
        ("out of use", "ELSE", "#b9b4a5", 0.5),
    )
    root = QgsRuleBasedRenderer.Rule(None)
    for label, expression, colour, size in rules:
        symbol = QgsMarkerSymbol.createSimple(
            {"name": "circle", "color": colour, "size": str(size), "outline_style": "no"}
        )
        root.appendChild(QgsRuleBasedRenderer.Rule(symbol, 0, 0, expression, label))
    layer.setRenderer(QgsRuleBasedRenderer(root))


def style_readings_by_value(layer: QgsVectorLayer, look: Look) -> None:
    """Readings in use as dots in the colours of their channel; those out of use are left out."""
    low, high = look.limits
    edges = np.linspace(low, high, CLASSES + 1).tolist()
    # Values beyond the colours take the colour of the end.
    edges[0], edges[-1] = -sys.float_info.max, sys.float_info.max
    middles = np.linspace(0.5, CLASSES - 0.5, CLASSES) / CLASSES
    ranges = []
    for below, above, share in zip(edges, edges[1:], middles.tolist()):
        red, green, blue = colour_at(look.ramp, share)
        symbol = QgsMarkerSymbol.createSimple(
            {"name": "circle", "color": f"{red},{green},{blue}", "size": "1.1", "outline_style": "no"}
        )
        middle = low + share * (high - low)
        ranges.append(QgsRendererRange(below, above, symbol, f"{middle:.3g} {look.unit}".strip()))
    used = '"flag" = \'\' OR "flag" IS NULL'
    layer.setRenderer(
        QgsGraduatedSymbolRenderer(f"CASE WHEN {used} THEN {QgsExpression.quotedColumnRef(look.channel)} END", ranges)
    )


def add_styles_by_value(layer: QgsVectorLayer, looks: Sequence[Look]) -> None:
    """Keep beside the style that a layer of readings has one for each channel, to be chosen in the layer's menu."""
    manager = layer.styleManager()
    manager.renameStyle(manager.currentStyle(), "by flag")
    for look in looks:
        manager.addStyleFromLayer(f"by {look.channel}")
        manager.setCurrentStyle(f"by {look.channel}")
        style_readings_by_value(layer, look)
    manager.setCurrentStyle("by flag")


def style_traverses(layer: QgsVectorLayer) -> None:
    """Traverses as thin lines with an arrow in walking direction."""
    symbol = QgsLineSymbol.createSimple({"line_color": "#5b5b5b", "line_width": "0.15"})
    head = {"name": "filled_arrowhead", "size": "2.4", "color": "#5b5b5b", "outline_style": "no"}
    arrow = QgsMarkerSymbol.createSimple(head)
    heads = QgsMarkerLineSymbolLayer.create({"placement": "centralpoint"})
    heads.setSubSymbol(arrow)
    symbol.appendSymbolLayer(heads)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    layer.setMapTipTemplate(
        f'Grid {_as_text("grid")}, line [% "line" %], recording [% "run" %]: [% "in_use" %] of [% "readings" %] '
        "readings in use"
    )


def style_grids(layer: QgsVectorLayer) -> None:
    """Grids as outlines with their names."""
    style = {"style": "no", "outline_color": "#1d1d1d", "outline_width": "0.35"}
    layer.setRenderer(QgsSingleSymbolRenderer(QgsFillSymbol.createSimple(style)))
    _label(layer, "grid", 11)


def outline_symbol(geometry: QgsWkbTypes.GeometryType) -> QgsSymbol:
    """Return a symbol that hides nothing below it: outlines of areas, thin lines, small crosses."""
    if geometry == QgsWkbTypes.GeometryType.PolygonGeometry:
        return QgsFillSymbol.createSimple({"style": "no", "outline_color": "#1d1d1d", "outline_width": "0.25"})
    if geometry == QgsWkbTypes.GeometryType.PointGeometry:
        return QgsMarkerSymbol.createSimple({"name": "cross", "color": "#1d1d1d", "size": "1.6"})
    return QgsLineSymbol.createSimple({"line_color": "#1d1d1d", "line_width": "0.25"})


def _label(layer: QgsVectorLayer, name: str, size: int) -> None:
    settings = QgsPalLayerSettings()
    settings.fieldName = name
    text = QgsTextFormat()
    # The family that is really used: the name of an alias makes QGIS warn wherever the style is opened.
    text.setFont(QFont(QFontInfo(QFont()).family()))
    text.setSize(size)
    text.setColor(QColor("#1d1d1d"))
    buffer = QgsTextBufferSettings()
    buffer.setEnabled(True)
    buffer.setSize(0.8)
    text.setBuffer(buffer)
    settings.setFormat(text)
    layer.setLabeling(QgsVectorLayerSimpleLabeling(settings))
    layer.setLabelsEnabled(True)


def style_corners(layer: QgsVectorLayer) -> None:
    """Corners as crosses."""
    symbol = QgsMarkerSymbol.createSimple({"name": "cross", "color": "#1d1d1d", "size": "2.2", "outline_width": "0.4"})
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))


def style_full_scale(layer: QgsVectorLayer) -> None:
    """Readings at full scale as small crosses: the map is a bound there."""
    symbol = QgsMarkerSymbol.createSimple(
        {"name": "cross2", "color": "#1d1d1d", "outline_color": "#1d1d1d", "size": "1.1", "outline_width": "0.2"}
    )
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    layer.setMapTipTemplate(
        f'{_as_text("channel")} at full scale, [% "value" %]: the ground lies beyond it, by about [% "beyond" %]'
    )


def style_findings(layer: QgsVectorLayer) -> None:
    """Findings by severity, worst in the strongest colour."""
    shapes = {"error": "triangle", "warning": "diamond", "note": "circle"}
    categories = []
    for severity, colour in SEVERITY_COLOURS.items():
        symbol = QgsMarkerSymbol.createSimple(
            {"name": shapes[severity], "color": colour, "size": "3", "outline_color": "#ffffff", "outline_width": "0.3"}
        )
        categories.append(QgsRendererCategory(severity, symbol, severity))
    layer.setRenderer(QgsCategorizedSymbolRenderer("severity", categories))
    layer.setDisplayExpression('"found"')
    layer.setMapTipTemplate(f'<b>[% "severity" %]</b> {_as_text("found")} <i>{_as_text("advice")}</i>')


def _as_text(field: str) -> str:
    """Return the piece of a map tip, which is HTML, that shows a field as the text that it is."""
    shown = f"coalesce({QgsExpression.quotedColumnRef(field)}, '')"
    for sign, entity in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;")):
        shown = f"replace({shown}, '{sign}', '{entity}')"
    return f"[% {shown} %]"


VECTOR_STYLES = {
    "readings": style_readings,
    "traverses": style_traverses,
    "grids": style_grids,
    "corners": style_corners,
    "findings": style_findings,
    "full_scale": style_full_scale,
}


STYLE_TABLE = """
    CREATE TABLE IF NOT EXISTS layer_styles (
        id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
        f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
        useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME
    )
"""


def keep_style_in_file(layer: QgsVectorLayer) -> None:
    """Store a layer's style as the default in its GeoPackage, so that it comes back wherever the file is opened.

    Written by SQL into the table that QGIS keeps styles in: its own call for this changed its name between versions.
    """
    path, table = layer.source().split("|layername=")
    document = QDomDocument()
    layer.exportNamedStyle(document)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(STYLE_TABLE)
        connection.execute(
            "INSERT OR IGNORE INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles', 0)"
        )
        connection.execute(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
            "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
            "VALUES ('', '', ?, 'geom', ?, ?, '', 1, '', '', strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))",
            (table, table, document.toString()),
        )
