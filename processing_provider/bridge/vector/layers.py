"""Readings and tables between QGIS layers and arrays."""

from __future__ import annotations

import csv
import re
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Callable, Iterable, Iterator, Mapping, Optional, Sequence

import numpy as np
from osgeo import ogr
from qgis.core import (
    NULL,
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureSink,
    QgsFeatureSource,
    QgsField,
    QgsFields,
    QgsGeometry,
    QgsPointXY,
    QgsProviderRegistry,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt import QtCore

from ...engine.core import FIELD_ENDINGS, FIXED_FIELDS, FULL_SCALE, PLACE, EngineError, Progress, Readings
from ...engine.logs import EXTRA_ROLES
from .arrow_stream import can_stream, stream
from .geopackage import plain

EXTRAS = ("mark", *EXTRA_ROLES)
TEXT_FIELDS = ("grid", "kind", "flag", "source")
WHOLE_FIELDS = ("line", "run", "seq", "heading", "row")
ROWS_AT_ONCE = 5000
TEXT_TABLES = (".csv", ".txt", ".tsv")


def field(name: str, kind: type, unit: str = "") -> QgsField:
    """Return a field of the kind ``int``, ``float`` or ``str``; the unit is kept as its comment."""
    new = Qgis.QGIS_VERSION_INT >= 33800
    words = {int: "Int", float: "Double", str: "QString" if new else "String"}
    return QgsField(name, getattr(QtCore.QMetaType.Type if new else QtCore.QVariant, words[kind]), comment=unit)


def readings_fields(readings: Readings) -> QgsFields:
    """Return the fields of a readings layer, in the order of ``Readings.to_columns``."""
    fields, units = QgsFields(), _field_units(readings)
    for name in readings.to_columns():
        kind = str if name in TEXT_FIELDS else int if name in WHOLE_FIELDS else float
        fields.append(field(name, kind, units.get(name, "")))
    return fields


def _field_units(readings: Readings) -> dict[str, str]:
    return {channel + ending: unit for channel, unit in readings.units.items() for ending in FIELD_ENDINGS}


def label_units(layer: QgsVectorLayer, readings: Readings) -> None:
    """Keep the units in the fields' aliases too: temporary layers forget comments."""
    for name, unit in _field_units(readings).items():
        if name in layer.fields().names():
            layer.setFieldAlias(layer.fields().indexOf(name), f"{name} ({unit})")


def keep_units_in_file(uri: str, readings: Readings) -> None:
    """Keep the units in the metadata of a GeoPackage's layer too: GDAL before 3.7 forgets comments of fields.

    Parameters
    ----------
    uri : str
        Source of the layer that the readings were written to; one that lies elsewhere is left as it is.
    readings : Readings
    """
    with _layer_in_file(uri, update=True) as table:
        if table is not None:
            for name, unit in _field_units(readings).items():
                table.SetMetadataItem(f"unit of {name}", unit)


@contextmanager
def _layer_in_file(uri: str, update: bool = False) -> Iterator[Optional[ogr.Layer]]:
    """Give the OGR layer of a layer in a GeoPackage; None for any other layer."""
    place = QgsProviderRegistry.instance().decodeUri("ogr", uri)
    path = str(place.get("path") or "")
    dataset = ogr.Open(path, int(update)) if path.lower().endswith(".gpkg") else None
    name = place.get("layerName")
    yield dataset and (dataset.GetLayerByName(name) if name else dataset.GetLayer(0))
    # Closed here, what was changed is written.
    del dataset


def _units_of_layer(layer: Optional[QgsVectorLayer], fields: QgsFields, channels: Sequence[str]) -> dict[str, str]:
    """Return the units that fields hold, and those in the layer's file for fields that hold none."""
    units = units_of(fields, channels)
    silent = [channel for channel in channels if channel not in units]
    if silent and layer is not None and layer.providerType() == "ogr":
        with _layer_in_file(layer.source()) as table:
            kept = table.GetMetadata() if table is not None else {}
            units.update({c: kept[f"unit of {c}"] for c in silent if kept.get(f"unit of {c}")})
    return units


def units_of(fields: QgsFields, channels: Sequence[str]) -> dict[str, str]:
    """Return the units that comments or aliases of fields hold; a channel without one is left out."""
    units = {}
    for channel in channels:
        found = fields.field(channel)
        in_alias = re.fullmatch(re.escape(channel) + r" \((.+)\)", found.alias())
        unit = found.comment() or (in_alias and in_alias[1])
        if unit:
            units[channel] = unit
    return units


def write_readings(
    readings: Readings, make_sink: Callable, crs: QgsCoordinateReferenceSystem, progress: Progress = None
) -> None:
    """Write readings to the sink that ``make_sink(fields, geometry, crs)`` returns.

    Points where the CRS is valid (readings without a place get none), a table otherwise. NaN becomes NULL.
    """
    placed = crs is not None and crs.isValid()
    kind = QgsWkbTypes.Type.Point if placed else QgsWkbTypes.Type.NoGeometry
    sink = make_sink(readings_fields(readings), kind, crs if placed else QgsCoordinateReferenceSystem())
    rows = zip(*(plain(values) for values in readings.to_columns().values()))
    places = zip(readings.x.tolist(), readings.y.tolist()) if placed else None
    _add(sink, _features(rows, places), len(readings), progress)


def rows_sink_fields(columns: Mapping[str, type]) -> QgsFields:
    """Return fields from names and kinds."""
    fields = QgsFields()
    for name, kind in columns.items():
        fields.append(field(name, kind))
    return fields


def write_rows(rows: Iterable[Sequence], fields: QgsFields, make_sink: Callable) -> None:
    """Write rows of values as a table without geometry; NaN becomes NULL."""
    sink = make_sink(fields, QgsWkbTypes.Type.NoGeometry, QgsCoordinateReferenceSystem())
    _add(sink, _features([None if value != value else value for value in row] for row in rows))


def write_lines(
    rows: Iterable[Sequence], fields: QgsFields, make_sink: Callable, crs: QgsCoordinateReferenceSystem
) -> None:
    """Write rows of values as lines; the last value of a row holds the (x, y) positions of the line."""
    rows = list(rows)
    features = list(_features(row[:-1] for row in rows))
    for feature, row in zip(features, rows):
        feature.setGeometry(QgsGeometry.fromPolylineXY([QgsPointXY(x, y) for x, y in row[-1]]))
    _add(make_sink(fields, QgsWkbTypes.Type.LineString, crs), iter(features))


def _features(rows: Iterable[Sequence], places: Optional[Iterator[tuple[float, float]]] = None) -> Iterator[QgsFeature]:
    for row in rows:
        feature = QgsFeature()
        feature.setAttributes(list(row))
        if places is not None:
            x, y = next(places)
            if x == x:
                feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        yield feature


def _add(sink: QgsFeatureSink, features: Iterator[QgsFeature], count: int = 0, progress: Progress = None) -> None:
    """Add features to a sink, ``count`` of them where progress is to be reported."""
    for number, batch in enumerate(iter(lambda: list(islice(features, ROWS_AT_ONCE)), [])):
        if progress is not None:
            progress(number * ROWS_AT_ONCE / count)
        if not sink.addFeatures(batch, QgsFeatureSink.Flag.FastInsert):
            raise EngineError(f"The rows could not be written: {sink.lastError()}. Is the disk full?")


def channel_names(fields: QgsFields) -> list[str]:
    """Return which fields of a readings layer are channels: numbers that mean nothing else."""
    known = {*FIXED_FIELDS, *EXTRAS, "fid", "x", "y", "id", "ogc_fid"}
    names = [f.name() for f in fields]
    return [
        f.name()
        for f in fields
        if f.isNumeric()
        and f.name().lower() not in known
        and not any(f.name().endswith(s) and f.name()[: -len(s)] in names for s in filter(None, FIELD_ENDINGS))
    ]


def read_readings(
    source: QgsFeatureSource,
    layer: Optional[QgsVectorLayer] = None,
    *,
    needs_lines: bool = True,
    progress: Progress = None,
) -> Readings:
    """Return the readings of a feature source (any layer with the fields of a readings layer).

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    layer : QgsVectorLayer, optional
        What the source comes from; a layer that lies in a file is then read at once.
    needs_lines : bool
        Whether a layer without the field ``line`` is refused; else all its points count as line 0.
    progress : callable, optional
        Called with the fraction done; what it raises ends the reading.

    Raises
    ------
    EngineError
        When a field that is needed is not there, there is no reading, or the geometries are no points.
    """
    fields, name = source.fields(), source.sourceName()
    channels = channel_names(fields)
    lines = "line" in fields.names()
    if (needs_lines and not lines) or not channels:
        no_line = needs_lines and not lines
        what = "field line" if no_line else "channel (a field with measured numbers)"
        instead = " Points without lines are mapped by 'Interpolate readings to a raster'." if no_line else ""
        raise EngineError(
            f"The layer {name} has no {what}. It must be a readings layer as 'Read traverse log' or 'Place readings on "
            f"the ground' writes it.{instead}"
        )
    geometry = QgsWkbTypes.geometryType(source.wkbType())
    if geometry not in (QgsWkbTypes.GeometryType.PointGeometry, QgsWkbTypes.GeometryType.NullGeometry):
        raise EngineError(f"The layer {name} holds no points. Readings are points, or a table without geometry.")
    measured = (channel + ending for channel in channels for ending in FIELD_ENDINGS)
    known = {*FIXED_FIELDS, f"{PLACE}_se", *EXTRAS, *measured}
    names = [field_name for field_name in fields.names() if field_name in known]
    streamed = stream(layer, names, progress) if can_stream(layer, source.featureCount()) else None
    columns, x, y = streamed or _one_by_one(source, names, progress)
    if not len(x):
        raise EngineError(f"The layer {name} has no readings. Choose one that has.")
    columns = columns if lines else {"line": np.zeros(len(x)), **columns}
    for whole in (w for w in WHOLE_FIELDS if w in columns):
        if np.isnan(columns[whole]).any():
            raise EngineError(f"The field {whole} of {name} is empty in some readings. Every reading needs it.")
        columns[whole] = columns[whole].astype(np.int32)
    extras = {name: columns[name] for name in (*EXTRAS, *(c + FULL_SCALE for c in channels)) if name in columns}
    return Readings.from_columns(columns, channels, x, y, _units_of_layer(layer, fields, channels)).replace(
        extras=extras
    )


def _one_by_one(
    source: QgsFeatureSource, names: Sequence[str], progress: Progress
) -> tuple[dict, np.ndarray, np.ndarray]:
    indices = [source.fields().indexOf(name) for name in names]
    rows, places = [], []
    for number, feature in enumerate(source.getFeatures()):
        if progress is not None and number % ROWS_AT_ONCE == 0:
            # Some sources do not know how many features they have.
            progress(min(number / max(source.featureCount(), 1), 1.0))
        values = feature.attributes()
        rows.append([values[i] for i in indices])
        places.append(_place(feature.geometry(), source))
    columns = {}
    for name, values in zip(names, zip(*rows)):
        if progress is not None:
            progress(1.0)
        columns[name] = _column(values, name in TEXT_FIELDS)
    x, y = np.array(places, dtype=float).reshape(-1, 2).T
    return columns, x, y


def _place(geometry: QgsGeometry, source: QgsFeatureSource) -> tuple[float, float]:
    if geometry.isNull() or geometry.isEmpty():
        return np.nan, np.nan
    points = geometry.asMultiPoint() if geometry.isMultipart() else [geometry.asPoint()]
    if len(points) > 1:
        raise EngineError(
            f"A feature of the layer {source.sourceName()} has {len(points)} points. Run 'Multipart to singleparts' on "
            "it first."
        )
    return points[0].x(), points[0].y()


def _column(values: Sequence, text: bool) -> np.ndarray:
    """Return a column as ``stream`` does: texts with None, numbers with NaN."""
    known = [None if value is None or value == NULL else value for value in values]
    if text:
        return np.array([None if value is None else str(value) for value in known], dtype=object)
    return np.array([np.nan if value is None else value for value in known], dtype=float)


def read_table(source: QgsFeatureSource, path: Optional[Path] = None) -> list[dict]:
    """Return the rows of a feature source as dicts by lower-case field name, None for NULL.

    A point brings its position as ``x`` and ``y``. With the ``path`` of a CSV its empty rows, which GDAL leaves out,
    are rows of None, so that rows count as in a spreadsheet.
    """
    names = [name.strip().lower() for name in source.fields().names()]
    points = QgsWkbTypes.geometryType(source.wkbType()) == QgsWkbTypes.GeometryType.PointGeometry
    rows = []
    for feature in source.getFeatures():
        row = {n: None if v is None or v == NULL else v for n, v in zip(names, feature.attributes())}
        if points and feature.hasGeometry():
            row["x"], row["y"] = _place(feature.geometry(), source)
        rows.append(row)
    for k in _empty_rows(path, len(rows)) if path is not None and path.suffix.lower() in TEXT_TABLES else ():
        rows.insert(k, dict.fromkeys(names))
    return rows


def _empty_rows(path: Path, count: int) -> list[int]:
    """Return the positions of empty rows below the header of a CSV; none where the others are not ``count``."""
    # Signs of any encoding but those of the structure do not matter.
    with path.open(encoding="latin-1", newline="") as file:
        header = file.readline()
        file.seek(0)
        try:
            records = list(csv.reader(file, delimiter=max(",;\t", key=header.count)))[1:]
        except csv.Error:
            return []
    empty = [k for k, record in enumerate(records) if not record]
    return empty if len(records) - len(empty) == count else []
