"""The folder of a result: it belongs to one run at a time, and takes that run's files as one thing.

Files are written into a hidden folder, the stage, and moved when all of them are whole. Before the first is moved, a
journal in the stage names them all: a run that was ended in the middle of moving is finished by the next one.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Iterable, Iterator

from qgis.PyQt.QtCore import QLockFile

from ...engine.core import EngineError, remove_sides, shown
from ...engine.workflow import sha256_of
from .kept_inputs import is_same_file

LOCK = ".turnrow.lock"
STAGE = ".part-"
JOURNAL = "moves.json"
DATABASE = "survey.gpkg"
MARKS = "full_scale"
"""Layer of the readings at full scale; there is none where no reading is."""
RECIPE = "recipe.json"


@contextmanager
def staging(folder: Path, inputs: Iterable[Path] = (), names: Iterable[str] = ()) -> Iterator[Path]:
    """Lend a hidden folder inside ``folder``; its files move out at the end, and nothing is left when that fails.

    Parameters
    ----------
    folder : Path
        Made when it is missing.
    inputs : iterable of Path
        Files that must not be replaced.
    names : iterable of str
        Files that are going to be written, as far as known, relative to the folder: an input among them is refused
        before any work; one among the others before anything is moved.

    Raises
    ------
    EngineError
        When the folder cannot be written, is another run's, or an input would be replaced.
    """
    made = not folder.exists()
    inputs = tuple(inputs)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _locked(folder):
            _finish_moves(folder)
            _keep_inputs(folder, names, inputs)
            _check_not_edited(folder / DATABASE)
            stage = Path(tempfile.mkdtemp(prefix=STAGE, dir=folder))
            try:
                yield stage
                _move(stage, folder, inputs)
            except BaseException:
                # What has a journal is finished by the next run; of anything else nothing must stay.
                if not (stage / JOURNAL).is_file():
                    shutil.rmtree(stage, ignore_errors=True)
                raise
            shutil.rmtree(stage, ignore_errors=True)
    except (OSError, sqlite3.OperationalError) as error:
        raise EngineError(
            f"The output folder {folder} cannot be written: {error}. Is the disk full, or the folder read-only, or a "
            "file in it open elsewhere?"
        ) from error
    finally:
        if made and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold the folder; a lock whose program is gone is taken over."""
    lock = QLockFile(str(folder / LOCK))
    # However long a run takes, its lock is valid as long as its program runs.
    lock.setStaleLockTime(0)
    if not lock.tryLock(0):
        if lock.error() == QLockFile.LockError.LockFailedError:
            raise EngineError(
                f"Another run writes into {folder} at this moment. Wait until it has ended, or choose another folder."
            )
        raise OSError("its lock file cannot be made")
    try:
        yield
    finally:
        lock.unlock()


def _finish_moves(folder: Path) -> None:
    """Finish what an earlier run had begun to move, and take away what earlier runs left behind."""
    for stage in sorted(path for path in folder.glob(f"{STAGE}*") if path.is_dir()):
        journal = stage / JOURNAL
        if journal.is_file():
            _follow(_read_journal(journal, folder), stage, folder)
        shutil.rmtree(stage)


def _read_journal(path: Path, folder: Path) -> dict[str, list[str]]:
    """Return what a journal in a folder names.

    Raises
    ------
    EngineError
        When it is none, or names what no run moves or removes: a folder may come from anywhere.
    """
    try:
        given = json.loads(path.read_text("utf-8"))
        move, remove = (list(given[what]) for what in ("move", "remove"))
        wrong = [name for name in (*move, *remove) if not _stays_inside(name)]
        wrong += [name for name in remove if name not in wrong and not _is_raster_of_a_result(name)]
    except (ValueError, KeyError, TypeError, RecursionError):
        move, remove, wrong = [], [], [path.read_text("utf-8", "replace")]
    if wrong:
        raise EngineError(
            f"The list of files {path.relative_to(folder).as_posix()} in {folder} is none that a run left: it names "
            f"{shown(wrong[0])}. Nothing was moved or removed. Delete {path.parent.name} there and run this again, or "
            "choose another folder."
        )
    return {"move": move, "remove": remove}


def _stays_inside(name: object) -> bool:
    """Return whether a name is a path below the folder that it is put behind, on every system."""
    if not isinstance(name, str) or not name or "\0" in name or PureWindowsPath(name).anchor:
        return False
    return not PurePosixPath(name).is_absolute() and ".." not in PureWindowsPath(name).parts


def _move(stage: Path, folder: Path, inputs: tuple[Path, ...]) -> None:
    files = sorted(path.relative_to(stage).as_posix() for path in stage.rglob("*") if path.is_file())
    _keep_inputs(folder, files, inputs)
    journal = {"move": files, "remove": _left_by_the_last_run(folder, files, inputs)}
    part = stage / f"{JOURNAL}.part"
    part.write_text(json.dumps(journal), "utf-8")
    part.replace(stage / JOURNAL)
    _follow(journal, stage, folder)


def _follow(journal: dict[str, list[str]], stage: Path, folder: Path) -> None:
    """Move what a journal names, as far as it was not moved before."""
    for name in journal["move"]:
        new, final = stage / name, folder / name
        if new.is_file():
            final.parent.mkdir(exist_ok=True)
            # The log of a database must not outlive it: it would be taken for that of the new one.
            remove_sides(final)
            new.replace(final)
    for name in journal["remove"]:
        remove_sides(folder / name)
        (folder / name).unlink(missing_ok=True)


def _left_by_the_last_run(folder: Path, files: list[str], inputs: tuple[Path, ...]) -> list[str]:
    """Return rasters of the run before which this one does not replace: they would pass for a part of its result."""
    return [
        name
        for name, digest in raster_digests(folder).items()
        if name not in files
        and (folder / name).is_file()
        and sha256_of(folder / name) == digest
        and not any(is_same_file(folder / name, given) for given in inputs)
    ]


def raster_digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of each raster of the result in a folder, as its recipe states them; {} where none does."""
    try:
        stated = json.loads((folder / RECIPE).read_text("utf-8"))["rasters"]
        return {name: digest for name, digest in stated.items() if _is_raster_of_a_result(name)}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _is_raster_of_a_result(name: str) -> bool:
    """Return whether a run gives a raster such a path; a recipe from elsewhere may name any file."""
    path = Path(name)
    return path.suffix == ".tif" and path.parent in (Path(), Path("grids"))


def _keep_inputs(folder: Path, names: Iterable[str], inputs: tuple[Path, ...]) -> None:
    for name in names:
        for given in inputs:
            if is_same_file(folder / name, given):
                raise EngineError(
                    f"{given} is an input, and the result would replace it as {name}. Inputs are never changed: choose "
                    "another output folder."
                )


def _check_not_edited(database: Path) -> None:
    """Refuse to replace a database in which another program is writing."""
    if not database.is_file():
        return
    try:
        with closing(sqlite3.connect(str(database), timeout=0, isolation_level=None)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("ROLLBACK")
    except sqlite3.DatabaseError as error:
        # What cannot be read, or not be written, is replaced like any other file.
        if "locked" in str(error):
            raise EngineError(
                f"Another program is writing into {database}. End its editing there, then run this again."
            ) from error
