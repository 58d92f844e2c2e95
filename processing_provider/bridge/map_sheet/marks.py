"""Marks on a map sheet: where readings stand at full scale, so that the map is a bound."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Optional

from qgis.core import QgsExpression, QgsProject, QgsRasterLayer, QgsVectorLayer

from ..project import DATABASE, MARKS
from ..raster import band_of
from ..style import style_full_scale

SAID = "at full scale (a bound)"


def full_scale_marks(layer: QgsRasterLayer, project: QgsProject) -> Optional[QgsVectorLayer]:
    """Return the readings of a map's channel at full scale, as the survey that it belongs to keeps them beside it.

    The layer is added to the project, so that a kept layout finds it again. None where there are none.
    """
    path = Path(layer.source())
    # Maps of single grids lie in a folder of their own.
    database = next((f / DATABASE for f in (path.parent, path.parent.parent) if (f / DATABASE).is_file()), None)
    if database is None or not _has_marks(database):
        return None
    channel, _ = band_of(path)
    marks = QgsVectorLayer(f"{database}|layername={MARKS}", f"{channel} {SAID}", "ogr")
    marks.setSubsetString(QgsExpression.createFieldEqualityExpression("channel", channel))
    if not marks.isValid() or not marks.featureCount():
        return None
    known = (one for one in project.mapLayers().values() if one.source() == marks.source())
    own = next((one for one in known if isinstance(one, QgsVectorLayer)), None)
    if own is None:
        style_full_scale(marks)
        project.addMapLayer(marks)
    return own or marks


def _has_marks(database: Path) -> bool:
    try:
        with closing(sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            found = connection.execute("SELECT 1 FROM gpkg_contents WHERE table_name = ?", (MARKS,)).fetchone()
    except sqlite3.Error:
        return False
    return found is not None
