"""Files that appear under their final name only when they are whole."""

from __future__ import annotations

import os
import sqlite3
from contextlib import contextmanager
from pathlib import Path
from typing import Iterator
from uuid import uuid4

from .errors import EngineError

SIDES_OF_PART = ("-wal", "-shm", "-journal", "~", ".aux.xml")
SIDES = ("-wal", "-shm", "-journal", ".aux.xml")
MOST_LETTERS = 40
"""Of the final name in the temporary one. Derived: 40 letters of at most 4 bytes, and 38 more, are within the 255 bytes
of a name."""


@contextmanager
def whole_file(path: Path, what: str, *, sides: tuple[str, ...] = SIDES) -> Iterator[Path]:
    """Lend a temporary path in the folder of ``path``; what was written there takes the final name at the end.

    Parameters
    ----------
    path : Path
        Final name; its folder is made when it is missing.
    what : str
        What the file is, for the message: ``raster``, ``report`` ...
    sides : tuple of str
        Endings of files beside an earlier one of this name that go with it.

    Raises
    ------
    EngineError
        When the file cannot be written. Whatever goes wrong, nothing half-written is left.
    """
    # Beside the final file, as a project keeps paths relative to where it is written, and beginning like it, as QGIS
    # names a project inside its archive after the file. No file of a person has such a name.
    part = path.with_name(f"{path.stem[:MOST_LETTERS]}.part-{uuid4().hex}{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        # A log that another program kept beside an earlier database of this name would be taken for one of the new
        # file; statistics beside an earlier raster likewise.
        _remove(path, sides)
        part.replace(path)
    except (OSError, RuntimeError, sqlite3.Error) as error:
        reason = " ".join(str(error).split())
        raise EngineError(
            f"The {what} {path.name} cannot be written to {path.parent}: {reason}. Is the disk full, or the folder "
            "read-only, or the file open elsewhere?"
        ) from error
    finally:
        if path.parent.is_dir():
            _remove(part, ("", *SIDES_OF_PART))


def remove_sides(path: Path) -> None:
    """Take away what programs keep beside a database or a raster that is about to be replaced."""
    _remove(path, SIDES)


def _remove(path: Path, endings: tuple[str, ...]) -> None:
    for ending in endings:
        side = path.with_name(path.name + ending)
        # A name that is too long with the ending is nobody's, and only to ask for it raises nothing.
        if os.path.lexists(side):
            side.unlink(missing_ok=True)
