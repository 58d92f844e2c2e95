"""Readings and tables between QGIS layers and arrays."""

from __future__ import annotations

from typing import Callable, Iterable, Mapping, Optional, Sequence

import numpy as np
from qgis.core import (
    NULL,
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsFeature,
    QgsFeatureSink,
    QgsField,
    QgsFields,
    QgsGeometry,
    QgsPointXY,
    QgsUnitTypes,
    QgsWkbTypes,
)

from ..engine.errors import EngineError
from ..engine.layout import EXTRA_ROLES
from ..engine.readings import FIXED_FIELDS, Readings
from .geopackage import plain

EXTRAS = ("mark", *EXTRA_ROLES)
TEXT_FIELDS = ("grid", "flag", "source")
WHOLE_FIELDS = ("line", "run", "seq", "heading", "row")
SUFFIXES = ("_raw", "_se")


def field(name: str, kind: type, unit: str = "") -> QgsField:
    """Return a field of the kind ``int``, ``float`` or ``str``; the unit is kept as its comment."""
    if Qgis.QGIS_VERSION_INT >= 33800:
        from qgis.PyQt.QtCore import QMetaType

        types = {int: QMetaType.Type.Int, float: QMetaType.Type.Double, str: QMetaType.Type.QString}
    else:
        from qgis.PyQt.QtCore import QVariant

        types = {int: QVariant.Int, float: QVariant.Double, str: QVariant.String}
    return QgsField(name, types[kind], comment=unit)


def readings_fields(readings: Readings) -> QgsFields:
    """Return the fields of a readings layer, in the order of ``Readings.to_columns``."""
    fields = QgsFields()
    units = {channel + suffix: unit for channel, unit in readings.units.items() for suffix in ("", *SUFFIXES)}
    for name in readings.to_columns():
        kind = str if name in TEXT_FIELDS else int if name in WHOLE_FIELDS else float
        fields.append(field(name, kind, units.get(name, "")))
    return fields


def write_readings(readings: Readings, make_sink: Callable, crs: QgsCoordinateReferenceSystem, feedback=None) -> None:
    """Write readings to the sink that ``make_sink(fields, geometry, crs)`` returns.

    Points where the CRS is valid (readings without a place get none), a table otherwise. NaN becomes NULL.
    """
    fields = readings_fields(readings)
    placed = crs is not None and crs.isValid()
    kind = QgsWkbTypes.Type.Point if placed else QgsWkbTypes.Type.NoGeometry
    sink = make_sink(fields, kind, crs if placed else QgsCoordinateReferenceSystem())
    columns = [plain(values) for values in readings.to_columns().values()]
    x, y = readings.x.tolist(), readings.y.tolist()
    for number, attributes in enumerate(zip(*columns)):
        feature = QgsFeature(fields)
        feature.setAttributes(list(attributes))
        if placed and x[number] == x[number]:
            feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x[number], y[number])))
        _add(sink, feature)


def rows_sink_fields(columns: Mapping[str, type]) -> QgsFields:
    """Return fields from names and kinds."""
    fields = QgsFields()
    for name, kind in columns.items():
        fields.append(field(name, kind))
    return fields


def write_rows(rows: Iterable[Sequence], fields: QgsFields, make_sink: Callable) -> None:
    """Write rows of values as a table without geometry; NaN becomes NULL."""
    sink = make_sink(fields, QgsWkbTypes.Type.NoGeometry, QgsCoordinateReferenceSystem())
    for row in rows:
        feature = QgsFeature(fields)
        feature.setAttributes([None if value != value else value for value in row])
        _add(sink, feature)


def _add(sink, feature: QgsFeature) -> None:
    if not sink.addFeature(feature, QgsFeatureSink.Flag.FastInsert):
        raise EngineError(f"A row could not be written: {sink.lastError()}. Is the disk full?")


def channel_names(fields: QgsFields) -> list[str]:
    """Return which fields of a readings layer are channels: numbers that mean nothing else."""
    known = {*FIXED_FIELDS, *EXTRAS, "fid", "x", "y", "id", "ogc_fid"}
    names = [f.name() for f in fields]
    return [
        f.name()
        for f in fields
        if f.isNumeric()
        and f.name().lower() not in known
        and not any(f.name().endswith(s) and f.name()[: -len(s)] in names for s in SUFFIXES)
    ]


def read_readings(source) -> Readings:
    """Return the readings of a feature source (any layer with the fields of a readings layer).

    Raises
    ------
    EngineError
        When a field that is needed is not there, or there is no reading.
    """
    fields = source.fields()
    channels = channel_names(fields)
    if "line" not in fields.names() or not channels:
        what = "field line" if "line" not in fields.names() else "channel (a field with measured numbers)"
        raise EngineError(
            f"The layer {source.sourceName()} has no {what}. It must be a readings layer as 'Read traverse log' or "
            "'Place readings on the ground' writes it."
        )
    rows, x, y = [], [], []
    for feature in source.getFeatures():
        rows.append(feature.attributes())
        point = None if feature.geometry().isNull() else feature.geometry().asPoint()
        x.append(point.x() if point else np.nan)
        y.append(point.y() if point else np.nan)
    if not rows:
        raise EngineError(f"The layer {source.sourceName()} has no readings. Choose one that has.")
    columns = {name: _column(values, name) for name, values in zip(fields.names(), zip(*rows))}
    units = {name: fields.field(name).comment() for name in channels if fields.field(name).comment()}
    readings = Readings.from_columns(columns, channels, np.array(x), np.array(y), units)
    extras = {name: columns[name] for name in EXTRAS if name in columns}
    return readings.replace(extras=extras)


def _column(values: Sequence, name: str) -> np.ndarray:
    if name in TEXT_FIELDS:
        return np.array([None if value is None or value == NULL else str(value) for value in values], dtype=object)
    if any(isinstance(value, str) for value in values):
        return np.array(values, dtype=object)
    numbers = np.array([np.nan if value is None or value == NULL else value for value in values], dtype=float)
    if name in WHOLE_FIELDS:
        if np.isnan(numbers).any():
            raise EngineError(f"The field {name} is empty in some readings. Every reading needs it.")
        return numbers.astype(np.int32)
    return numbers


def read_table(source) -> list[dict]:
    """Return the rows of a feature source as dicts, None for NULL; a point brings its position as ``x`` and ``y``."""
    names = source.fields().names()
    rows = []
    for feature in source.getFeatures():
        row = {n: None if v is None or v == NULL else v for n, v in zip(names, feature.attributes())}
        geometry = feature.geometry()
        if not geometry.isNull() and geometry.type() == QgsWkbTypes.GeometryType.PointGeometry:
            point = geometry.asPoint()
            row.update(x=point.x(), y=point.y())
        rows.append(row)
    return rows


def corners_in(rows: Sequence[Mapping], crs, target: QgsCoordinateReferenceSystem, context) -> list[dict]:
    """Return corner rows with ``x`` and ``y`` in the target CRS; a table without a CRS counts as in it already."""
    if crs is None or not crs.isValid() or crs == target:
        return [dict(row) for row in rows]
    transform = QgsCoordinateTransform(crs, target, context.transformContext())
    moved = []
    for row in rows:
        point = transform.transform(float(row["x"]), float(row["y"]))
        moved.append({**row, "x": point.x(), "y": point.y()})
    return moved


def check_metric_crs(crs: Optional[QgsCoordinateReferenceSystem], what: str, place=None) -> None:
    """Raise EngineError unless a CRS counts in projected metres; offers the UTM zone of ``place`` (lon, lat)."""
    if crs is None or not crs.isValid():
        raise EngineError(f"The CRS of {what} is not known. Give the projected CRS in metres that the corners are in.")
    if crs.isGeographic() or crs.mapUnits() != QgsUnitTypes.DistanceUnit.DistanceMeters:
        unit = "degrees" if crs.isGeographic() else QgsUnitTypes.toString(crs.mapUnits())
        offer = ""
        if place is not None and abs(place[0]) <= 180 and abs(place[1]) <= 90:
            zone = int((place[0] + 180) // 6) + 1
            offer = f", such as UTM zone {zone} (EPSG:{(32600 if place[1] >= 0 else 32700) + min(zone, 60)})"
        raise EngineError(
            f"{crs.authid() or 'The CRS'} of {what} counts in {unit}. A survey needs a projected CRS in metres{offer}"
            f"{'' if offer else ', such as the UTM zone of the site'}."
        )
