"""The survey's GeoPackage: readings, traverses, grids, corners and findings as layers of one file."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Callable, Iterable, Iterator, Mapping, Optional, Sequence, Union

import numpy as np
from osgeo import ogr, osr

from ...engine.core import FIELD_ENDINGS, Readings, part_of, whole_file
from .rtree import fill_rtree, outward
from .sqlite_rows import insert_rows

KINDS = {"point": ogr.wkbPoint, "line": ogr.wkbLineString, "polygon": ogr.wkbPolygon}
POINT = np.dtype(
    [("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"), ("order", "u1"), ("type", "<u4"),
     ("place", "<f8", 2)]
)  # fmt: skip
"""GeoPackage blob of a point: its head, then well-known binary (OGC 12-128r17, section 2.1.3)."""
NOWHERE = np.full((1, 2), np.nan)
ROWS_AT_ONCE = 50_000
Progress = Optional[Callable[[float], None]]
Places = Union[np.ndarray, Sequence[Optional[np.ndarray]]]
FIELD_TYPES = {int: ogr.OFTInteger, float: ogr.OFTReal, str: ogr.OFTString}


@dataclass(frozen=True)
class Layer:
    """One layer of a GeoPackage.

    Attributes
    ----------
    name, kind : str
        ``kind`` is ``point``, ``line`` or ``polygon``.
    types : dict of type
        ``int``, ``float`` or ``str`` by field name.
    count : int
        Number of rows.
    parts : iterable of (columns, places)
        The rows in order, part by part; gone through once. ``columns``: lists of values by field name, None = NULL.
        ``places``: a (k, 2) array of positions a row, None = no place; of points a single (n, 2) array, NaN = no place.
    units : dict of str
        Unit by field name, kept as the field's comment (GDAL from 3.7 on).
    """

    name: str
    kind: str
    types: Mapping[str, type]
    count: int
    parts: Iterable[tuple[Mapping[str, Sequence], Places]]
    units: Mapping[str, str] = field(default_factory=dict)


def write_geopackage(
    path: Path,
    layers: Sequence[Layer],
    crs_wkt: str,
    progress: Progress = None,
    metadata: Optional[Mapping[str, str]] = None,
) -> None:
    """Write layers into one GeoPackage that appears under its name only when whole; ``metadata`` is the file's.

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
        srs_id = _create(part, layers, crs_wkt, metadata or {})
        with closing(sqlite3.connect(str(part), isolation_level=None)) as connection:
            # A new file under a temporary name has nothing to lose in a power cut.
            for setting in ("journal_mode = OFF", "synchronous = OFF"):
                connection.execute("PRAGMA " + setting)
            connection.execute("BEGIN")
            done, rows = 0, max(sum(layer.count for layer in layers), 1)
            for layer in layers:
                before, done = done, done + layer.count
                _fill(connection, layer, srs_id, part_of(progress, before / rows, done / rows))
            connection.execute("COMMIT")


def readings_layer(tables: Iterable[Readings], count: int) -> Layer:
    """Return readings as points; readings without a place have no geometry.

    Parameters
    ----------
    tables : iterable of Readings
        With the same channels, one at least; gone through once, so that they need not be in memory together.
    count : int
        Readings in all of them.
    """
    tables = iter(tables)
    first = next(tables)
    kinds = {"O": str, "i": int, "u": int, "f": float}
    types = {name: kinds[values.dtype.kind] for name, values in first.to_columns().items()}
    units = {channel + ending: unit for channel, unit in first.units.items() for ending in FIELD_ENDINGS}
    parts = (
        ({name: plain(values) for name, values in part.to_columns().items()}, np.stack([part.x, part.y], axis=1))
        for part in chain([first], tables)
    )
    return Layer("readings", "point", types, count, parts, units)


def rows_layer(name: str, kind: str, rows: Sequence[Mapping], types: Mapping[str, type]) -> Layer:
    """Return rows (with ``geometry`` as a list of (x, y) or None) as a layer."""
    columns = {n: [_plain_value(row.get(n)) for row in rows] for n in types}
    found = [np.array(row["geometry"], "<f8") if row.get("geometry") else None for row in rows]
    places: Places = found
    if kind == "point":
        places = np.reshape([NOWHERE if place is None else place for place in found], (-1, 2))
    return Layer(name, kind, types, len(rows), [(columns, places)])


def plain(values: np.ndarray) -> list:
    """Return a column as Python values, None for NaN."""
    listed = values.tolist()
    if values.dtype.kind == "f" and np.isnan(values).any():
        return [None if value != value else value for value in listed]
    return listed


def _plain_value(value: object) -> object:
    return None if value is None or value != value else value


def _blobs(kind: str, places: Places, srs_id: int) -> list[Optional[bytes]]:
    """Return places as GeoPackage blobs, None where there is none."""
    if isinstance(places, np.ndarray):
        blobs = np.zeros(len(places), POINT)
        for name, value in (("magic", b"GP"), ("flags", 1), ("srs", srs_id), ("order", 1), ("type", 1)):
            blobs[name] = value
        blobs["place"] = places
        whole = blobs.view(f"V{POINT.itemsize}").tolist()
        return [blob if known else None for blob, known in zip(whole, np.isfinite(places[:, 0]).tolist())]
    return [None if place is None else _blob(kind, place, srs_id) for place in places]


def _blob(kind: str, place: np.ndarray, srs_id: int) -> bytes:
    """Return the line or polygon through (k, 2) positions."""
    count = len(place)
    head = struct.pack("<BII", 1, 2, count) if kind == "line" else struct.pack("<BIII", 1, 3, 1, count)
    return struct.pack("<2sBBi", b"GP", 0, 1, srs_id) + head + place.tobytes()


def _create(path: Path, layers: Sequence[Layer], crs_wkt: str, metadata: Mapping[str, str]) -> int:
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
    source.SetMetadata(dict(metadata))
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
    ids, boxes, extents = [np.zeros(0, int)], [np.zeros((0, 4), np.float32)], []
    for number, found in _inserted(connection, layer, srs_id, progress):
        ids.append(number)
        boxes.append(outward(found))
        if len(found):
            extents.append([*found[:, [0, 2]].min(axis=0), *found[:, [1, 3]].max(axis=0)])
    fill_rtree(connection, f"rtree_{layer.name}_geom", np.concatenate(ids), np.concatenate(boxes))
    connection.execute("UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (layer.count, layer.name))
    if extents:
        low, high = np.min(extents, axis=0), np.max(extents, axis=0)
        extent = (*low[:2].tolist(), *high[2:].tolist())
        connection.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? WHERE table_name = ?",
            (*extent, layer.name),
        )
    for _, sql in triggers:
        connection.execute(sql)


def _inserted(
    connection: sqlite3.Connection, layer: Layer, srs_id: int, progress: Progress
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Insert the rows; yield fid and box (x_min, x_max, y_min, y_max) of those in it that have a place."""
    names = ", ".join(_quoted(name) for name in ("fid", "geom", *layer.types))
    into = "INSERT INTO " + _quoted(layer.name) + " (" + names + ")"
    done = 0
    for columns, places in layer.parts:
        for start in range(0, len(places), ROWS_AT_ONCE):
            if progress is not None:
                progress(done / layer.count)
            rows = slice(start, start + ROWS_AT_ONCE)
            blobs = _blobs(layer.kind, places[rows], srs_id)
            fids = range(done + 1, done + 1 + len(blobs))
            insert_rows(
                connection, into, len(layer.types) + 2,
                zip(fids, blobs, *(columns[name][rows] for name in layer.types)), len(blobs),
            )  # fmt: skip
            done += len(blobs)
            boxes = _boxes(places[rows])
            known = np.isfinite(boxes[:, 0])
            yield np.array(fids)[known], boxes[known]


def _boxes(places: Places) -> np.ndarray:
    """Return x_min, x_max, y_min, y_max around each place, NaN where there is none."""
    if isinstance(places, np.ndarray):
        return np.repeat(places, 2, axis=1)
    known = (NOWHERE if place is None else place for place in places)
    ends = [(*place.min(axis=0), *place.max(axis=0)) for place in known]
    return np.reshape(ends, (-1, 4))[:, [0, 2, 1, 3]]


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
