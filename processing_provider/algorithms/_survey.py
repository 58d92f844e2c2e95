"""The tables of a survey as parameters, shared by the algorithms that take a whole register."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..parameters import FolderIn, TableIn

if TYPE_CHECKING:
    from ..values import Values

SURVEY = (
    TableIn("REGISTER", "Register", "A row a grid: grid, log, length_m, width_m, spacing_m, readings_per_m ..."),
    TableIn("CORNERS", "Corners", "Points, or a table with x and y or Easting and Northing: grid, corner. Two or more "
            "a grid."),
    TableIn("NOTES", "Field notes", "A row a remark: grid, line, kind ...", optional=True),
    FolderIn("LOG_FOLDER", "Folder of the logs", "What paths in the register are relative to; its own folder when left "
             "empty.", optional=True),
)  # fmt: skip


def log_folder(values: Values) -> Path:
    """Return the folder that paths in the register are relative to.

    Raises
    ------
    EngineError
        When none is given, and the register is not in a file.
    """
    from ..engine.core import EngineError

    path = values.register[2]
    folder = values.log_folder or (path and path.parent)
    if folder is None:
        raise EngineError("The register is not a file, so its folder is unknown. Give the folder of the logs.")
    return folder
