"""The survey's GeoPackage: readings, traverses, grids, corners and findings as layers of one file."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Callable, Mapping, Optional, Sequence

import numpy as np
from osgeo import ogr, osr

from ..engine.readings import Readings
from ._insert import insert_rows
from ._rtree import fill_rtree
from .whole_file import whole_file

KINDS = {"point": ogr.wkbPoint, "line": ogr.wkbLineString, "polygon": ogr.wkbPolygon}
HEAD_BYTES = 8
"""Of a geometry blob, before the well-known binary."""
ROWS_AT_ONCE = 50_000
Progress = Optional[Callable[[float], None]]
FIELD_TYPES = {int: ogr.OFTInteger, float: ogr.OFTReal, str: ogr.OFTString}


@dataclass(frozen=True)
class Layer:
    """One layer of a GeoPackage.

    Attributes
    ----------
    name, kind : str
        ``kind`` is ``point``, ``line`` or ``polygon``.
    columns : dict of list
        Values by field name, None = NULL.
    types : dict of type
        ``int``, ``float`` or ``str`` by field name.
    geometries : list of bytes or None
        GeoPackage blobs (OGC 12-128r17, section 2.1.3), None = no place.
    units : dict of str
        Unit by field name, kept as the field's comment (GDAL from 3.7 on).
    """

    name: str
    kind: str
    columns: Mapping[str, Sequence]
    types: Mapping[str, type]
    geometries: Sequence[Optional[bytes]]
    units: Mapping[str, str] = field(default_factory=dict)


def write_geopackage(path: Path, layers: Sequence[Layer], crs_wkt: str, progress: Progress = None) -> None:
    """Write layers into one GeoPackage that appears under its name only when whole.

    Raises
    ------
    EngineError
        When the file cannot be written.

    Notes
    -----
    GDAL makes the tables and empty spatial indexes; the rows go in by SQL, which takes a sixth of the time of a
    feature at a time, and each index is packed at once.
    """
    with whole_file(path, "GeoPackage") as part:
        srs_id = _create(part, layers, crs_wkt)
        with closing(sqlite3.connect(str(part), isolation_level=None)) as connection:
            # A new file under a temporary name has nothing to lose in a power cut.
            for setting in ("journal_mode = OFF", "synchronous = OFF"):
                connection.execute("PRAGMA " + setting)
            connection.execute("BEGIN")
            for number, layer in enumerate(layers):
                step = progress and (lambda share, number=number: progress((number + share) / len(layers)))
                _fill(connection, layer, srs_id, step)
            connection.execute("COMMIT")


def readings_layer(readings: Readings) -> Layer:
    """Return the readings as points; readings without a place have no geometry."""
    columns = readings.to_columns()
    kinds = {"O": str, "i": int, "u": int, "f": float}
    types = {name: kinds[values.dtype.kind] for name, values in columns.items()}
    blobs = np.zeros(
        len(readings),
        [("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"), ("order", "u1"), ("type", "<u4"),
         ("x", "<f8"), ("y", "<f8")],
    )  # fmt: skip
    blobs["magic"], blobs["flags"], blobs["order"], blobs["type"] = b"GP", 1, 1, 1
    blobs["x"], blobs["y"] = readings.x, readings.y
    raw, size = blobs.tobytes(), blobs.dtype.itemsize
    placed = np.isfinite(readings.x).tolist()
    geometries = [raw[i * size : (i + 1) * size] if known else None for i, known in enumerate(placed)]
    units = {channel + ending: unit for channel, unit in readings.units.items() for ending in ("", "_raw", "_se")}
    return Layer("readings", "point", {n: plain(v) for n, v in columns.items()}, types, geometries, units)


def rows_layer(name: str, kind: str, rows: Sequence[Mapping], types: Mapping[str, type]) -> Layer:
    """Return rows (with ``geometry`` as a list of (x, y) or None) as a layer."""
    columns = {n: [_plain_value(row.get(n)) for row in rows] for n in types}
    return Layer(name, kind, columns, types, [_blob(kind, row.get("geometry")) for row in rows])


def plain(values: np.ndarray) -> list:
    """Return a column as Python values, None for NaN."""
    listed = values.tolist()
    if values.dtype.kind == "f" and np.isnan(values).any():
        return [None if value != value else value for value in listed]
    return listed


def _plain_value(value):
    return None if value is None or value != value else value


def _blob(kind: str, points: Optional[Sequence[tuple[float, float]]]) -> Optional[bytes]:
    if not points:
        return None
    flat = [coordinate for point in points for coordinate in point]
    numbers = struct.pack(f"<{len(flat)}d", *flat)
    head = {"point": struct.pack("<BI", 1, 1), "line": struct.pack("<BII", 1, 2, len(points)),
            "polygon": struct.pack("<BIII", 1, 3, 1, len(points))}[kind]  # fmt: skip
    return struct.pack("<2sBBi", b"GP", 0, 1, 0) + head + numbers


def _create(path: Path, layers: Sequence[Layer], crs_wkt: str) -> int:
    """Make the tables; return the number that the file gave the CRS."""
    crs = osr.SpatialReference()
    crs.ImportFromWkt(crs_wkt)
    source = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
    if source is None:
        raise OSError("the file cannot be made")
    for layer in layers:
        options = ["SPATIAL_INDEX=YES", "GEOMETRY_NAME=geom", "FID=fid"]
        made = source.CreateLayer(layer.name, crs, KINDS[layer.kind], options)
        for name, kind in layer.types.items():
            defined = ogr.FieldDefn(name, FIELD_TYPES[kind])
            if layer.units.get(name) and hasattr(defined, "SetComment"):
                defined.SetComment(layer.units[name])
            made.CreateField(defined)
    source = made = None
    with closing(sqlite3.connect(str(path))) as connection:
        return connection.execute("SELECT srs_id FROM gpkg_contents LIMIT 1").fetchone()[0]


def _fill(connection: sqlite3.Connection, layer: Layer, srs_id: int, progress: Progress) -> None:
    """Insert the rows; what GDAL's triggers do a row (with functions that only GDAL has) is done once instead."""
    triggers = connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (layer.name,)
    ).fetchall()
    for name, _ in triggers:
        connection.execute("DROP TRIGGER " + _quoted(name))
    _insert(connection, layer, srs_id, progress)
    numbers, boxes = _boxes(layer)
    fill_rtree(connection, f"rtree_{layer.name}_geom", numbers, boxes)
    count = len(layer.geometries)
    connection.execute("UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (count, layer.name))
    if len(boxes):
        extent = (*boxes[:, [0, 2]].min(axis=0).tolist(), *boxes[:, [1, 3]].max(axis=0).tolist())
        connection.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? WHERE table_name = ?",
            (*extent, layer.name),
        )
    for _, sql in triggers:
        connection.execute(sql)


def _insert(connection: sqlite3.Connection, layer: Layer, srs_id: int, progress: Progress) -> None:
    names = ", ".join(_quoted(name) for name in ("fid", "geom", *layer.columns))
    into = "INSERT INTO " + _quoted(layer.name) + " (" + names + ")"
    number, count = struct.pack("<i", srs_id), len(layer.geometries)
    for start in range(0, count, ROWS_AT_ONCE):
        if progress is not None:
            progress(start / count)
        rows = slice(start, start + ROWS_AT_ONCE)
        blobs = [blob and blob[:4] + number + blob[8:] for blob in layer.geometries[rows]]
        columns = [values[rows] for values in layer.columns.values()]
        numbered = zip(range(start + 1, count + 1), blobs, *columns)
        insert_rows(connection, into, len(columns) + 2, numbered, len(blobs))


def _boxes(layer: Layer) -> tuple[np.ndarray, np.ndarray]:
    """Return (fid, box as x_min, x_max, y_min, y_max) of the rows that have a geometry."""
    skip = HEAD_BYTES + {"point": 5, "line": 9, "polygon": 13}[layer.kind]
    found = [(fid, blob[skip:]) for fid, blob in enumerate(layer.geometries, 1) if blob]
    lengths = np.array([len(numbers) // 16 for _, numbers in found], int)
    points = np.frombuffer(b"".join(numbers for _, numbers in found), "<f8").reshape(-1, 2)
    if not found:
        return np.array([], int), np.empty((0, 4))
    first = np.cumsum(lengths) - lengths
    low, high = np.minimum.reduceat(points, first), np.maximum.reduceat(points, first)
    return np.array([fid for fid, _ in found]), np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
