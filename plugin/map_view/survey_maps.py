"""The maps of a processed survey in the project, so that its lines can be seen where they are."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProject, QgsRasterLayer, QgsVectorLayer

GEOPACKAGE = "survey.gpkg"
TABLES = ("findings", "grids")
ASIDE = ("_se", "_raw")
"""Ends of the names of maps that are not added: standard errors, and values as logged."""


def load_maps(folder: Path, channel: str, title: str) -> None:
    """Add the survey's maps in a group with a title, unless the project shows something of that folder already.

    The map of ``channel`` is switched on; styles come from the files beside the maps.
    """
    project = QgsProject.instance()
    inside = folder.resolve()
    for layer in project.mapLayers().values():
        if inside in Path(layer.source().split("|")[0]).resolve().parents:
            return
    package = folder / GEOPACKAGE
    layers = [QgsVectorLayer(f"{package}|layername={name}", name.capitalize(), "ogr") for name in TABLES]
    maps = [p for p in sorted(folder.glob("site_*.tif")) if not p.stem.endswith(ASIDE)]
    layers += [QgsRasterLayer(str(path), path.stem[len("site_") :]) for path in maps]
    group = project.layerTreeRoot().insertGroup(0, title)
    for layer in (layer for layer in layers if layer.isValid()):
        project.addMapLayer(layer, False)
        node = group.addLayer(layer)
        node.setExpanded(False)
        node.setItemVisibilityChecked(layer.name() == channel or not isinstance(layer, QgsRasterLayer))
