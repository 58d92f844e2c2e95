"""Changes by hand that no recipe keeps yet, written aside, so that none is lost when QGIS ends without asking."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Optional

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QDateTime, QLocale

from ...processing_provider.engine.core import Edits, edits_as_json, read_text
from ...processing_provider.engine.workflow import edits_in, save_text


def path_for(register: Path) -> Path:
    """Return the file in the person's profile that holds the changes of one survey."""
    name = hashlib.sha256(str(register.resolve()).encode("utf-8")).hexdigest()[:20]
    return Path(QgsApplication.qgisSettingsDirPath()) / "turnrow" / f"unsaved_{name}.json"


def keep(register: Path, edits: Edits) -> None:
    """Write the changes of a survey aside, in the place of those from before.

    Raises
    ------
    EngineError
        When they cannot be written.
    """
    content = {"register": str(register), "edits": edits_as_json(edits)}
    save_text(path_for(register), json.dumps(content, indent=2, ensure_ascii=False) + "\n")


def kept(register: Path) -> Optional[tuple[str, Edits]]:
    """Return when changes of a survey were written aside, and the changes; None when there are none.

    Raises
    ------
    EngineError
        When the file cannot be understood.
    """
    path = path_for(register)
    if not path.is_file():
        return None
    when = QDateTime.fromSecsSinceEpoch(int(path.stat().st_mtime))
    said = QLocale(QgsApplication.locale()).toString(when, QLocale.FormatType.ShortFormat)
    return said, edits_in(read_text(path, "recipe"), path.name)


def drop(register: Path) -> None:
    """Forget the changes of a survey: a recipe keeps them now, or the person does not want them."""
    path_for(register).unlink(missing_ok=True)
