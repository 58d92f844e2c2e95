"""The mark of a layer in its grey look; kept from what needs GDAL and numpy, since it is read at any time."""

from __future__ import annotations

from qgis.core import QgsProject

COLOURS = "turnrow/colours"
"""Layer property that keeps the colours while a map is grey."""


def is_grey(project: QgsProject) -> bool:
    """Return whether maps of the project are in their grey look."""
    return any(layer.customProperty(COLOURS) for layer in project.mapLayers().values())
