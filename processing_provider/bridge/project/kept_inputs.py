"""Inputs are never changed: whether what is about to be written is one of them, or belongs to one."""

from __future__ import annotations

from pathlib import Path
from typing import Iterable, Optional

from qgis.core import QgsDataProvider, QgsDataSourceUri, QgsMapLayer, QgsProviderRegistry, QgsVectorLayer

from ...engine.core import EngineError

RASTER_SIDES = (".qml", ".qmd", ".aux.xml")
"""Style, metadata and statistics beside a raster; the last comes behind the whole name."""
SHAPE_SIDES = (".dbf", ".shx", ".prj", ".cpg", ".qpj")
DATABASE_SIDES = ("-wal", "-shm", "-journal")


def is_same_file(one: Path, other: Path) -> bool:
    """Return whether two paths lead to one file, through links and under other spellings too."""
    try:
        return one.samefile(other)
    except (OSError, ValueError):
        return False


def check_inputs_kept(output: str, place: str, inputs: Iterable[Path], layers: Iterable[QgsMapLayer]) -> None:
    """Refuse an output that would change an input.

    Parameters
    ----------
    output : str
        Id of the parameter.
    place : str
        As the person gave it: a path, or ``ogr:dbname='...' table="..."`` for one table of a database.
    inputs : iterable of Path
    layers : iterable of QgsMapLayer
        Inputs that are layers: in a database into which one table is written only theirs must stay.

    Raises
    ------
    EngineError
        When what is written, or goes beside it, is an input or belongs to one.
    """
    if place.startswith(("ogr:", "spatialite:")):
        uri = QgsDataSourceUri(place.partition(":")[2])
        if any(is_same_file(Path(uri.database()), path) and table in (None, uri.table()) for path, table in
               map(_table, layers)):  # fmt: skip
            raise EngineError(
                f"Table {uri.table()} of {uri.database()} is an input, and inputs are never changed. Choose another "
                f"name for {output}."
            )
        return
    for path in inputs:
        if is_same_file(Path(place), path):
            raise EngineError(f"{place} is an input, and inputs are never changed. Choose another name for {output}.")
        for side in _with_sides(Path(place)):
            if any(is_same_file(side, own) for own in _with_sides(path)):
                raise EngineError(
                    f"{side} belongs to the input {path}, and {place} would change it. Inputs are never changed. "
                    f"Choose another name for {output}."
                )


def delete_output(path: Path) -> None:
    """Delete a file that a run has written, and what it has written beside it."""
    # A style beside a raster is written with it, other styles and metadata are a person's.
    others = [ending for ending in RASTER_SIDES[:2] if path.suffix.lower() not in (".tif", ".tiff") or ending == ".qmd"]
    for side in _with_sides(path):
        if side.suffix not in others:
            side.unlink(missing_ok=True)


def _table(layer: QgsMapLayer) -> tuple[Path, Optional[str]]:
    """Return file and table of a layer; without a name its file's first table, None where it has no tables."""
    uri = QgsProviderRegistry.instance().decodeUri(layer.providerType(), layer.source())
    name = uri.get("layerName")
    tables = layer.dataProvider().subLayers() if isinstance(layer, QgsVectorLayer) else []
    if not name and tables:
        name = tables[0].split(QgsDataProvider.sublayerSeparator())[1]
    return Path(uri.get("path") or ""), name or None


def _with_sides(path: Path) -> list[Path]:
    """Return a path and those of the files that belong to it."""
    sides = [path.with_suffix(suffix) for suffix in RASTER_SIDES[:2]] + [Path(f"{path}{RASTER_SIDES[2]}")]
    if path.suffix.lower() == ".shp":
        sides += [path.with_suffix(suffix) for suffix in SHAPE_SIDES]
    if path.suffix.lower() in (".gpkg", ".sqlite"):
        sides += [Path(f"{path}{ending}") for ending in DATABASE_SIDES]
    return [path, *sides]
