"""Grids of a survey one at a time: in memory while they are few, beyond that in files of a scratch folder."""

from __future__ import annotations

import inspect
import shutil
import tempfile
import weakref
from contextlib import contextmanager
from dataclasses import fields
from functools import wraps
from pathlib import Path
from typing import (
    TYPE_CHECKING,
    Callable,
    Hashable,
    Iterable,
    Iterator,
    Mapping,
    Optional,
    Protocol,
    Sequence,
    TypeVar,
    Union,
    cast,
)

import numpy as np

from .columns import full_scale_names
from .errors import EngineError
from .lines import grids_of
from .readings import Readings

if TYPE_CHECKING:
    # Python 3.9 has no ParamSpec; only a checker of types needs it.
    from typing import Concatenate, ParamSpec

    Options = ParamSpec("Options")
    Result_co = TypeVar("Result_co", covariant=True)

    class Correction(Protocol[Options, Result_co]):
        """A correction in its form for a table of readings."""

        @property
        def on_store(self) -> Callable[Concatenate[GridStore, Options], Result_co]:
            """The correction as written, on the grids of a store."""

        def __call__(
            self, readings: Readings, *args: Options.args, **options: Options.kwargs
        ) -> tuple[Readings, Result_co]:
            """Return the corrected readings and the record."""

else:
    Correction = Callable

MOST_BYTES = 128 * 2**20
"""What a store of grids keeps in memory. Derived: a million readings of two channels, some 16 columns of 8 bytes."""
MOST_BYTES_OF_BLOCKS = 32 * 2**20
"""What a raster in blocks keeps in memory. Derived: 4 million cells of 8 bytes, a site of 500 m at 0.25 m."""
COLUMNS = tuple(
    item.name for item in fields(Readings) if item.name not in ("grids", "sources", "units", "channels", "raw", "se",
                                                                "extras")
)  # fmt: skip
Result = TypeVar("Result")
BY_NAME = ("channels", "raw", "se", "extras")


@contextmanager
def scratch_folder(parent: Path) -> Iterator[Path]:
    """Lend an empty folder inside ``parent``; whatever happens, it is gone afterwards.

    Raises
    ------
    EngineError
        When it cannot be made.
    """
    try:
        folder = Path(tempfile.mkdtemp(prefix=".scratch-", dir=parent))
    except OSError as error:
        raise EngineError(f"No scratch folder can be made in {parent}: {error}. Choose another folder.") from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class _File:
    """Arrays in a file, which is deleted when nothing refers to it any more."""

    def __init__(self, folder: Path, arrays: Sequence[np.ndarray]) -> None:
        try:
            with tempfile.NamedTemporaryFile(dir=folder, suffix=".npy", delete=False) as file:
                self._path, self._count = Path(file.name), len(arrays)
                weakref.finalize(self, self._path.unlink, missing_ok=True)
                for array in arrays:
                    np.save(file, array, allow_pickle=False)
        except OSError as error:
            raise EngineError(
                f"The scratch folder {folder} cannot be written: {error}. Is the disk full? A survey needs about "
                "500 bytes a reading there while it is processed; make room, or choose a folder on another disk."
            ) from error

    def arrays(self) -> list[np.ndarray]:
        with self._path.open("rb") as file:
            return [np.load(file, allow_pickle=False) for _ in range(self._count)]


class Shelf(Mapping[Hashable, "list[np.ndarray]"]):
    """Lists of arrays by key; what goes beyond a size is kept in files.

    Parameters
    ----------
    folder : Path, optional
        For the files; without one all stays in memory.
    most_bytes : int
        Kept in memory.
    """

    def __init__(self, folder: Optional[Path] = None, most_bytes: int = MOST_BYTES) -> None:
        self._folder, self._most, self._held = folder, most_bytes, 0
        self._kept: dict[Hashable, Union[list[np.ndarray], _File]] = {}

    def __setitem__(self, key: Hashable, arrays: Sequence[np.ndarray]) -> None:
        before = self._kept.pop(key, None)
        if isinstance(before, list):
            self._held -= sum(a.nbytes for a in before)
        size = sum(a.nbytes for a in arrays)
        if self._folder is None or self._held + size <= self._most:
            self._kept[key] = list(arrays)
            self._held += size
        else:
            self._kept[key] = _File(self._folder, arrays)

    def __getitem__(self, key: Hashable) -> list[np.ndarray]:
        kept = self._kept[key]
        return kept if isinstance(kept, list) else kept.arrays()

    def __contains__(self, key: object) -> bool:
        return key in self._kept

    def __iter__(self) -> Iterator[Hashable]:
        return iter(self._kept)

    def __len__(self) -> int:
        return len(self._kept)

    def copy(self) -> Shelf:
        """Return a shelf with the same arrays, which goes its own way from here on."""
        other = Shelf(self._folder, self._most)
        other._kept, other._held = dict(self._kept), self._held
        return other


class Blocks(Mapping["tuple[int, int]", np.ndarray]):
    """Blocks of a raster by first row and column, see ``BlockRaster``; what goes beyond a size is kept in files."""

    def __init__(self, folder: Optional[Path] = None, most_bytes: int = MOST_BYTES_OF_BLOCKS) -> None:
        self._shelf = Shelf(folder, most_bytes)
        self._starts: dict[tuple[int, int], None] = {}

    def __setitem__(self, start: tuple[int, int], block: np.ndarray) -> None:
        self._shelf[start] = [block]
        self._starts[start] = None

    def __getitem__(self, start: tuple[int, int]) -> np.ndarray:
        return self._shelf[start][0]

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(self._starts)

    def __len__(self) -> int:
        return len(self._starts)


class GridStore:
    """Tables of readings, one a grid, in the order in which they came.

    All tables that come out have the same channels, extras and units, NaN where a grid has none, as if they had been
    joined by ``concatenate``.

    Parameters
    ----------
    folder : Path, optional
        Scratch folder; without one all stays in memory.
    most_bytes : int
        Kept in memory.
    """

    def __init__(self, folder: Optional[Path] = None, most_bytes: int = MOST_BYTES) -> None:
        self.folder, self.most_bytes = folder, most_bytes
        self._shelf = Shelf(folder, most_bytes)
        self._heads: dict[str, _Head] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the grids."""
        return tuple(self._heads)

    @property
    def counts(self) -> dict[str, int]:
        """How many readings each grid has."""
        return {name: head.count for name, head in self._heads.items()}

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that any grid has."""
        return self._names("channels")

    @property
    def units(self) -> dict[str, str]:
        """Unit by channel, as the first grid that has the channel gives it."""
        return {k: v for head in reversed(self._heads.values()) for k, v in head.units.items()}

    def put(self, name: str, readings: Readings) -> None:
        """Keep the readings of a grid, in the place of those it had.

        Raises
        ------
        EngineError
            When the scratch folder cannot be written.
        """
        names = {group: tuple(getattr(readings, group)) for group in BY_NAME}
        arrays = [getattr(readings, column) for column in COLUMNS]
        arrays += [getattr(readings, group)[key] for group in BY_NAME for key in names[group]]
        self._shelf[name] = arrays
        self._heads[name] = _Head(readings, names)

    def get(self, name: str) -> Readings:
        """Return the readings of a grid."""
        head, arrays = self._heads[name], iter(self._shelf[name])
        values: dict[str, object] = {column: next(arrays) for column in COLUMNS}
        groups = {group: {key: next(arrays) for key in head.names[group]} for group in BY_NAME}
        for group in ("channels", "extras"):
            own = groups[group]
            groups[group] = {key: own[key] if key in own else np.full(head.count, np.nan) for key in self._names(group)}
        return head.empty.replace(units=self.units, **values, **groups)

    def rename(self, names: Mapping[str, str]) -> None:
        """Give channels other names, by their names now."""
        self._heads = {grid: head.renamed(names) for grid, head in self._heads.items()}

    def items(self) -> Iterator[tuple[str, Readings]]:
        """Yield name and readings of each grid that has any."""
        for name, count in self.counts.items():
            if count:
                yield name, self.get(name)

    def copy(self) -> GridStore:
        """Return a store of the same readings, which goes its own way from here on."""
        other = GridStore(self.folder, self.most_bytes)
        other._shelf, other._heads = self._shelf.copy(), dict(self._heads)
        return other

    def _names(self, group: str) -> tuple[str, ...]:
        return tuple(dict.fromkeys(key for head in self._heads.values() for key in head.names[group]))


class ValuesInUse:
    """The values of a channel that are in use, grid by grid, as often as they are gone through."""

    def __init__(self, grids: GridStore, channel: str) -> None:
        self._grids, self._channel = grids, channel

    def __iter__(self) -> Iterator[np.ndarray]:
        for _, part in self._grids.items():
            yield part.channels[self._channel][part.in_use]


class _Head:
    """What a table of readings has besides its arrays."""

    def __init__(self, readings: Readings, names: Mapping[str, tuple[str, ...]], count: Optional[int] = None) -> None:
        self.empty, self.units = readings.take(np.zeros(0, int)), readings.units
        self.names, self.count = names, len(readings) if count is None else count

    def renamed(self, names: Mapping[str, str]) -> _Head:
        """Return it with other names of channels, by their names now."""
        of_extras = full_scale_names(names)
        own = {g: tuple((of_extras if g == "extras" else names).get(k, k) for k in v) for g, v in self.names.items()}
        return _Head(self.empty.renamed(names), own, self.count)


def for_tables(work: Callable[Concatenate[GridStore, Options], Result]) -> Correction[Options, Result]:
    """Return the form for a table of readings of a correction that is written on a store.

    A correction exists once: ``work(grids, *, options) -> record`` changes the grids of a store. What this makes of it,
    under the same name, is ``correction(readings, *, options) -> (readings, record)``, and ``correction.on_store`` is
    the correction as written. Its docstring describes the form for a table.
    """

    @wraps(work)
    def correction(readings: Readings, *args: Options.args, **options: Options.kwargs) -> tuple[Readings, Result]:
        return grid_by_grid(readings, lambda grids: work(grids, *args, **options))

    own = inspect.signature(work)
    first = inspect.Parameter("readings", inspect.Parameter.POSITIONAL_OR_KEYWORD, annotation="Readings")
    returned = f"tuple[Readings, {own.return_annotation}]"
    signature = own.replace(parameters=[first, *list(own.parameters.values())[1:]], return_annotation=returned)
    vars(correction).update(on_store=work, __signature__=signature)
    return cast("Correction[Options, Result]", correction)


def grid_by_grid(readings: Readings, work: Callable[[GridStore], Result]) -> tuple[Readings, Result]:
    """Have work that goes grid by grid done on one table; return the table as it is then, and what the work returns."""
    before, store = {name: (rows, part) for name, rows, part in grids_of(readings)}, GridStore()
    nothing = readings.take(np.zeros(0, int))
    # In an order that the grids themselves give, whatever the order of the table.
    for name in sorted(readings.grids):
        store.put(name, before[name][1] if name in before else nothing)
    result = work(store)
    after = [store.get(name) for name in before]
    return (_put_back(readings, before.values(), after) if before else readings), result


def _put_back(readings: Readings, before: Iterable[tuple], after: Sequence[Readings]) -> Readings:
    """Return the table with the columns that have changed; ``before`` holds rows and readings of each grid."""
    rows, parts = zip(*before)
    changed: dict[str, object] = {}

    def joined(columns: Sequence[np.ndarray]) -> np.ndarray:
        if len(columns) == 1 and len(columns[0]) == len(readings):
            return columns[0]
        whole = np.empty(len(readings), columns[0].dtype)
        for where, column in zip(rows, columns):
            whole[where] = column
        return whole

    for name in COLUMNS:
        columns = [getattr(part, name) for part in after]
        if any(column is not getattr(part, name) for column, part in zip(columns, parts)):
            changed[name] = joined(columns)
    for group in BY_NAME:
        tables, own = [getattr(part, group) for part in after], [getattr(part, group) for part in parts]
        whole = dict(getattr(readings, group))
        for key in tables[0]:
            if any(table[key] is not old.get(key) for table, old in zip(tables, own)):
                whole[key] = joined([table[key] for table in tables])
        changed[group] = whole
    return readings.replace(**changed)
