"""Lines to walk again as routes of a GPX file, to find the place with a handheld receiver."""

from __future__ import annotations

from pathlib import Path
from typing import Sequence

from qgis.core import QgsCoordinateReferenceSystem, QgsCoordinateTransform, QgsCsException, QgsProcessingContext
from qgis.PyQt.QtCore import QByteArray, QXmlStreamWriter

from ...engine.core import EngineError, whole_file
from ...engine.workflow import GridPlan, Walk

NAMESPACE = "http://www.topografix.com/GPX/1/1"
CAUTION = (
    "For finding the place, not for pegs: a handheld receiver is off by metres. Lay the tape from the pegs of the grid."
)
DIGITS = 8
"""Decimals of degrees. Derived: 1e-8 degrees are 1 mm on the ground."""


def write_gpx(
    path: Path, plans: Sequence[GridPlan], crs: QgsCoordinateReferenceSystem, context: QgsProcessingContext
) -> None:
    """Write the lines to walk, a route from start to end each, and their starts as waypoints (GPX 1.1, WGS 84).

    Raises
    ------
    EngineError
        When the lines have no place in WGS 84, or the file cannot be written.
    """
    world = QgsCoordinateReferenceSystem("EPSG:4326")
    transform = QgsCoordinateTransform(crs, world, context.transformContext())
    walks = [walk for plan in plans for walk in plan.walks if walk.ends is not None]
    try:
        places = [[transform.transform(x, y) for x, y in walk.ends or ()] for walk in walks]
    except QgsCsException as error:
        raise EngineError(
            f"The lines to walk have no place in WGS 84: {error}. Check the CRS of the survey, and its corners."
        ) from error
    text = QByteArray()
    xml = QXmlStreamWriter(text)
    xml.setAutoFormatting(True)
    xml.writeStartDocument()
    xml.writeStartElement("gpx")
    for name, value in (("version", "1.1"), ("creator", "Turnrow"), ("xmlns", NAMESPACE)):
        xml.writeAttribute(name, value)
    xml.writeStartElement("metadata")
    xml.writeTextElement("name", "Lines to walk again")
    xml.writeTextElement("desc", CAUTION)
    xml.writeEndElement()
    for walk, ends in zip(walks, places):
        _point(xml, "wpt", ends[0].x(), ends[0].y(), f"{walk.grid} {walk.line} start", _words(walk))
    for walk, ends in zip(walks, places):
        xml.writeStartElement("rte")
        xml.writeTextElement("name", f"{walk.grid} {walk.line}")
        xml.writeTextElement("desc", f"{walk.why} {_words(walk)}")
        for place, word in zip(ends, ("start", "end")):
            _point(xml, "rtept", place.x(), place.y(), f"{walk.grid} {walk.line} {word}", "")
        xml.writeEndElement()
    xml.writeEndElement()
    xml.writeEndDocument()
    with whole_file(path, "GPX file") as part:
        part.write_bytes(bytes(text))


def _point(xml: QXmlStreamWriter, kind: str, longitude: float, latitude: float, name: str, words: str) -> None:
    xml.writeStartElement(kind)
    xml.writeAttribute("lat", f"{latitude:.{DIGITS}f}")
    xml.writeAttribute("lon", f"{longitude:.{DIGITS}f}")
    xml.writeTextElement("name", name)
    if words:
        xml.writeTextElement("desc", words)
    xml.writeEndElement()


def _words(walk: Walk) -> str:
    return f"Start at the {walk.start_edge}, tape {walk.position_m:.2f} m, station {walk.start_station:g}."
