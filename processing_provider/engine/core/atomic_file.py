"""Files that appear under their final name only when they are whole."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from pathlib import Path
from typing import Iterator

from .errors import EngineError

SIDES = ("-wal", "-shm", "-journal", "~", ".aux.xml")


@contextmanager
def whole_file(path: Path, what: str) -> Iterator[Path]:
    """Lend a temporary path in the folder of ``path``; what was written there takes the final name at the end.

    Parameters
    ----------
    path : Path
        Final name; its folder is made when it is missing.
    what : str
        What the file is, for the message: ``raster``, ``report`` ...

    Raises
    ------
    EngineError
        When the file cannot be written. Whatever goes wrong, nothing half-written is left.
    """
    part = path.with_name(f"{path.stem}.part{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        part.replace(path)
        # Statistics that a program kept beside an earlier file of this name are not those of the new one.
        _remove(path, SIDES)
    except (OSError, RuntimeError, sqlite3.Error) as error:
        reason = " ".join(str(error).split())
        raise EngineError(
            f"The {what} {path.name} cannot be written to {path.parent}: {reason}. Is the disk full, or the folder "
            "read-only, or the file open elsewhere?"
        ) from error
    finally:
        if path.parent.is_dir():
            _remove(part, ("", *SIDES))


def _remove(path: Path, endings: tuple[str, ...]) -> None:
    for ending in endings:
        path.with_name(path.name + ending).unlink(missing_ok=True)
