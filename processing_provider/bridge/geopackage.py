"""The survey's GeoPackage: readings, traverses, grids, corners and findings as layers of one file."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Callable, Mapping, Optional, Sequence

import numpy as np
from osgeo import ogr, osr

from ..engine.errors import EngineError
from ..engine.readings import Readings

KINDS = {"point": ogr.wkbPoint, "line": ogr.wkbLineString, "polygon": ogr.wkbPolygon}
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
    """

    name: str
    kind: str
    columns: Mapping[str, Sequence]
    types: Mapping[str, type]
    geometries: Sequence[Optional[bytes]]


def write_geopackage(
    path: Path, layers: Sequence[Layer], crs_wkt: str, progress: Optional[Callable[[float], None]] = None
) -> None:
    """Write layers into one GeoPackage that appears under its name only when whole.

    Raises
    ------
    EngineError
        When the file cannot be written.

    Notes
    -----
    GDAL makes the tables and the spatial indexes; the rows go in by one SQL statement a layer, which takes a seventh
    of the time of a feature at a time.
    """
    part = path.with_name(f".{path.stem}.part.gpkg")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if part.exists():
            part.unlink()
        srs_id = _create(part, layers, crs_wkt)
        with closing(sqlite3.connect(str(part))) as connection:
            for number, layer in enumerate(layers):
                if progress is not None:
                    progress(number / len(layers))
                _fill(connection, layer, srs_id)
        _index(part, layers)
        part.replace(path)
    except (OSError, RuntimeError, sqlite3.Error) as error:
        raise EngineError(
            f"{path.name} cannot be written to {path.parent}: {error}. Is the disk full, or the file open elsewhere?"
        ) from error
    finally:
        if part.exists():
            part.unlink()


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
    return Layer("readings", "point", {n: plain(v) for n, v in columns.items()}, types, geometries)


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
        options = ["SPATIAL_INDEX=NO", "GEOMETRY_NAME=geom", "FID=fid"]
        made = source.CreateLayer(layer.name, crs, KINDS[layer.kind], options)
        for name, kind in layer.types.items():
            made.CreateField(ogr.FieldDefn(name, FIELD_TYPES[kind]))
    source = made = None
    with closing(sqlite3.connect(str(path))) as connection:
        return connection.execute("SELECT srs_id FROM gpkg_contents LIMIT 1").fetchone()[0]


def _fill(connection: sqlite3.Connection, layer: Layer, srs_id: int) -> None:
    """Insert the rows; the count that GDAL keeps by a trigger a row is set once instead."""
    table = _quoted(layer.name)
    triggers = connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (layer.name,)
    ).fetchall()
    names = ", ".join(_quoted(name) for name in ("geom", *layer.columns))
    marks = ", ".join("?" * (len(layer.columns) + 1))
    number = struct.pack("<i", srs_id)
    blobs = [blob and blob[:4] + number + blob[8:] for blob in layer.geometries]
    with connection:
        for name, _ in triggers:
            connection.execute("DROP TRIGGER " + _quoted(name))
        insert = "INSERT INTO " + table + " (" + names + ") VALUES (" + marks + ")"
        connection.executemany(insert, zip(blobs, *layer.columns.values()))
        for _, sql in triggers:
            connection.execute(sql)
        connection.execute(
            "UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (len(blobs), layer.name)
        )
        extent = _extent(layer)
        if extent is not None:
            connection.execute(
                "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? WHERE table_name = ?",
                (*extent, layer.name),
            )


def _extent(layer: Layer) -> Optional[tuple[float, float, float, float]]:
    skip = {"point": 5, "line": 9, "polygon": 13}[layer.kind]
    numbers = b"".join(blob[8 + skip :] for blob in layer.geometries if blob)
    if not numbers:
        return None
    points = np.frombuffer(numbers, "<f8").reshape(-1, 2)
    (west, south), (east, north) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return west, south, east, north


def _index(path: Path, layers: Sequence[Layer]) -> None:
    source = ogr.Open(str(path), 1)
    for layer in layers:
        source.ExecuteSQL(f"SELECT CreateSpatialIndex('{layer.name}', 'geom')")
    source = None


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
