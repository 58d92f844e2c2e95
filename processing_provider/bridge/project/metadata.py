"""Metadata of a survey's layers: what they show, how they came about, where they lie."""

from __future__ import annotations

from typing import Sequence

from qgis.core import QgsBox3d, QgsLayerMetadata, QgsMapLayer, QgsRasterLayer

from ...engine.core import Record
from ...engine.interpolate import MapRecord
from ..report import CAUTIONS

KEYWORDS = ("electromagnetic survey", "apparent conductivity", "archaeology", "geophysical survey")
TOPIC = "geoscientificInformation"
"""Topic category of ISO 19115-1:2014, table B.3.30 (MD_TopicCategoryCode)."""
RIGHTS = "Not stated yet: ask the holder of the survey before using or publishing it."
ABSTRACTS = {
    "raster": "Values interpolated from the readings of an electromagnetic survey, north up; cells far from every "
    "reading in use are empty.",
    "readings": "Every reading of the survey. An empty flag means in use; a channel's value as logged is kept in the "
    "field that ends in _raw.",
    "traverses": "One line for each recording of a traverse, from its first to its last reading in use.",
    "grids": "Outlines of the survey grids as fitted to their corners.",
    "corners": "Surveyed corners of the grids, with their residuals.",
    "full_scale": "Readings that stand at an end of the scale of a channel: the ground lies beyond the map there, by "
    "about the field beyond (standard error).",
    "findings": "What disagrees between log, notes and corners, and what to do about it.",
}


def describe(layer: QgsMapLayer, kind: str, site: str, unit: str = "", history: Sequence[str] = ()) -> QgsLayerMetadata:
    """Return the metadata of a layer.

    Parameters
    ----------
    layer : QgsMapLayer
    kind : str
        One of ``ABSTRACTS``.
    site : str
    unit : str
        Of a raster's values.
    history : sequence of str
        The processing steps, first to last.
    """
    metadata = QgsLayerMetadata()
    metadata.setIdentifier(f"{site}/{layer.name()}".replace(" ", "-"))
    metadata.setType("dataset")
    metadata.setLanguage("ENG")
    metadata.setTitle(f"{site}: {layer.name()}")
    values = f" Values in {unit}." if unit else ""
    metadata.setAbstract(f"{ABSTRACTS[kind]}{values} {CAUTIONS[0][1]} {CAUTIONS[1][1]}")
    metadata.setKeywords({"gmd:topicCategory": [TOPIC], "turnrow": list(KEYWORDS)})
    metadata.setHistory(list(history))
    metadata.setRights([RIGHTS])
    metadata.setEncoding("" if isinstance(layer, QgsRasterLayer) else "UTF-8")
    metadata.setCrs(layer.crs())
    place = QgsLayerMetadata.SpatialExtent()
    place.extentCrs = layer.crs()
    box = layer.extent()
    place.bounds = QgsBox3d(box.xMinimum(), box.yMinimum(), 0, box.xMaximum(), box.yMaximum(), 0)
    extent = QgsLayerMetadata.Extent()
    extent.setSpatialExtents([place])
    metadata.setExtent(extent)
    return metadata


def history_lines(records: Sequence[Record]) -> list[str]:
    """Return a line for each step with its options, such as ``flagoutliers: threshold = 6``."""
    lines = []
    for record in records:
        options = {**({"channel": record.channel} if isinstance(record, MapRecord) else {}), **record.options}
        said = ", ".join(f"{name} = {_text(value)}" for name, value in options.items())
        lines.append(f"{record.step}: {said}" if said else record.step)
    return lines


def _text(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return " ".join(str(item) for item in value)
    return "automatic" if value is None or value == "" else str(value)
