"""All readings of a file at once: GDAL's Arrow stream as numpy arrays, some thirty times as fast as features."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np
from osgeo import gdal, ogr
from qgis.core import QgsProviderRegistry, QgsVectorLayer

from ...engine.core import Progress

POINT = np.dtype([("order", "u1"), ("kind", "<u4"), ("x", "<f8"), ("y", "<f8")])
"""Well-known binary of a point, little-endian (OGC 06-103r4, section 8.2)."""
NO_POINT = np.array([(1, 1, np.nan, np.nan)], POINT).tobytes()


def can_stream(layer: Optional[QgsVectorLayer], count: int) -> bool:
    """Return whether a layer shows exactly what is in its file: no filter, no selection, no edits, no joined fields.

    ``count`` is the number of features that are wanted. Text files are left out: what their numbers are is QGIS's
    choice, not GDAL's.
    """
    return (
        layer is not None
        and layer.providerType() == "ogr"
        and layer.dataProvider().storageType() != "CSV"
        and hasattr(ogr.Layer, "GetArrowStreamAsNumPy")
        and not layer.isModified()
        and not layer.subsetString()
        and layer.fields().names() == layer.dataProvider().fields().names()
        and count == layer.featureCount()
    )


def stream(
    layer: QgsVectorLayer, names: Sequence[str], progress: Progress = None
) -> Optional[tuple[dict, np.ndarray, np.ndarray]]:
    """Return columns by name, x and y of a layer; None where its geometries are not all single flat points.

    Numbers are float with NaN for NULL, texts are objects with None for NULL.
    """
    uri = QgsProviderRegistry.instance().decodeUri("ogr", layer.source())
    data = gdal.OpenEx(uri["path"], gdal.OF_VECTOR, open_options=uri.get("openOptions") or [])
    found = data.GetLayerByName(uri["layerName"]) if uri.get("layerName") else data.GetLayer(uri.get("layerId") or 0)
    report = progress or (lambda fraction: None)
    batches, columns, read, count = [], {}, 0, max(layer.featureCount(), 1)
    for batch in found.GetArrowStreamAsNumPy(options=["INCLUDE_FID=NO"]):
        batches.append(batch)
        read += len(batch[names[0]])
        report(min(read / count, 1.0) / 2)
    if not batches:
        return None
    for number, name in enumerate(names):
        report(0.5 + number / len(names) / 2)
        columns[name] = _plain(np.ma.concatenate([batch[name] for batch in batches]))
    x = y = np.full(len(columns[names[0]]), np.nan)
    if found.GetGeomType() != ogr.wkbNone:
        blobs = [blob or NO_POINT for b in batches for blob in b[found.GetGeometryColumn() or "wkb_geometry"].tolist()]
        if any(len(blob) != POINT.itemsize for blob in blobs):
            return None
        points = np.frombuffer(b"".join(blobs), POINT)
        x, y = points["x"].copy(), points["y"].copy()
    return columns, x, y


def _plain(values: np.ma.MaskedArray) -> np.ndarray:
    missing = np.ma.getmaskarray(values)
    if values.dtype.kind in "SO":
        texts, place = np.unique(np.ma.getdata(values).astype("S"), return_inverse=True)
        plain = np.array([text.decode("utf-8") for text in texts], dtype=object)[place.reshape(-1)]
        plain[missing] = None
        return plain
    plain = np.ma.getdata(values).astype(float)
    plain[missing] = np.nan
    return plain
