"""The table of readings that flows through everything, as column arrays."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Iterator, Mapping, Optional, Sequence

import numpy as np
from numpy.typing import ArrayLike

from .columns import (
    COLUMN_TYPES,
    FIXED_FIELDS,
    FLAGS,
    KINDS,
    PLACE,
    flag_bit,
    flag_bits,
    flag_words,
    full_scale_names,
    kind_codes,
)
from .errors import EngineError
from .row_order import count_within, is_ascending, same_as_before


@dataclass(frozen=True)
class Run:
    """One recording of a traverse: where its readings are in the table, in walking order."""

    grid: str
    line: int
    run: int
    rows: np.ndarray


@dataclass(frozen=True)
class Readings:
    """Readings as columns of equal length n. Never changed in place: a correction returns a new table.

    Attributes
    ----------
    grids, sources : tuple of str
        Names that the integer columns ``grid`` and ``source`` point into.
    grid, source : (n,) int32
    line, run, seq, row : (n,) int32
        Recorded line number, recording of it (from 1), index in the recording (from 0), 1-based row in the file.
    station : (n,) float64
        Logger's station count; NaN where the log has none.
    time_s : (n,) float64
        Seconds since midnight of the log's first day, growing over midnight; NaN where unknown.
    u_m, v_m : (n,) float64
        Local position in metres along the baseline and along the traverse; NaN until placed.
    x, y : (n,) float64
        Position in the survey's CRS in metres; NaN until placed.
    heading : (n,) int8
        1 out (away from the baseline; a tie line: along it), -1 back, 0 unknown.
    kind : (n,) int8
        Index in ``KINDS``.
    flag : (n,) uint16
        Bits of ``FLAGS``; 0 = in use.
    channels, raw, se : dict of (n,) float64
        Values by channel; as logged (from the first correction on); standard error of the corrected value, and under
        ``PLACE`` that of ``v_m`` (from alignment on; NaN where it is not known).
    extras : dict of (n,) float64
        What else the log has of each reading (``mark``, ``temperature``, ``easting``, ...).
    units : dict of str
        Unit of each channel, such as ``mS/m`` or ``ppt``; empty when unknown.
    """

    grids: tuple[str, ...]
    sources: tuple[str, ...]
    grid: np.ndarray
    source: np.ndarray
    line: np.ndarray
    run: np.ndarray
    seq: np.ndarray
    row: np.ndarray
    station: np.ndarray
    time_s: np.ndarray
    u_m: np.ndarray
    v_m: np.ndarray
    x: np.ndarray
    y: np.ndarray
    heading: np.ndarray
    kind: np.ndarray
    flag: np.ndarray
    channels: dict[str, np.ndarray]
    raw: dict[str, np.ndarray] = field(default_factory=dict)
    se: dict[str, np.ndarray] = field(default_factory=dict)
    extras: dict[str, np.ndarray] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.line)

    @classmethod
    def build(
        cls,
        line: ArrayLike,
        channels: Mapping[str, ArrayLike],
        *,
        grids: Sequence[str] = ("",),
        sources: Sequence[str] = ("",),
        seq: Optional[ArrayLike] = None,
        raw: Optional[Mapping[str, np.ndarray]] = None,
        se: Optional[Mapping[str, np.ndarray]] = None,
        extras: Optional[Mapping[str, np.ndarray]] = None,
        units: Optional[Mapping[str, str]] = None,
        **columns: Optional[ArrayLike],
    ) -> Readings:
        """Build a table from what is known; missing columns take their neutral value.

        Parameters
        ----------
        line : (n,) int
        channels : mapping of (n,) float
        grids, sources, seq, raw, se, extras, units
            As the attributes; ``seq`` counts on within each recording when None.
        **columns : (n,) array
            Any other attribute of the class that is one; None as if it was not given.
        """
        numbers = np.asarray(line, np.int32)
        n = len(numbers)
        neutral = {"run": np.ones(n, np.int32), "row": np.arange(1, n + 1, dtype=np.int32)}
        for name, kind in COLUMN_TYPES.items():
            given = columns.pop(name, None)
            blank = neutral.get(name, np.full(n, np.nan if kind is np.float64 else 0))
            neutral[name] = np.asarray(blank if given is None else given, kind)
        if columns:
            raise TypeError(f"Readings have no column {', '.join(columns)}.")
        counted = count_within(neutral["grid"], numbers, neutral["run"]) if seq is None else np.asarray(seq, np.int32)
        return cls(
            tuple(grids),
            tuple(sources),
            line=numbers,
            seq=counted,
            channels={name: np.asarray(values, np.float64) for name, values in channels.items()},
            raw=dict(raw or {}),
            se=dict(se or {}),
            extras=dict(extras or {}),
            units=dict(units or {}),
            **neutral,
        )

    def stacked(self, channels: Sequence[str]) -> np.ndarray:
        """Return the (C, n) values of some channels."""
        return np.reshape([self.channels[c] for c in channels], (len(channels), len(self)))

    def replace(self, **columns: object) -> Readings:
        """Return a table in which the given attributes are exchanged."""
        values = {item.name: getattr(self, item.name) for item in fields(self)}
        values.update(columns)
        return type(self)(**values)

    @property
    def in_use(self) -> np.ndarray:
        """(n,) bool: readings without any flag."""
        return self.flag == 0

    def with_flag(self, word: str, where: np.ndarray) -> Readings:
        """Return the table with a flag added to the readings chosen by a (n,) bool or by indices."""
        bits = self.flag.copy()
        bits[where] |= np.uint16(flag_bit(word))
        return replace(self, flag=bits)

    def renamed(self, names: Mapping[str, str]) -> Readings:
        """Return the table with other names of channels, by their names now."""
        of_groups = {**dict.fromkeys(("channels", "raw", "se", "units"), names), "extras": full_scale_names(names)}
        return self.replace(**{g: {n.get(k, k): v for k, v in getattr(self, g).items()} for g, n in of_groups.items()})

    def has_flag(self, word: str) -> np.ndarray:
        """Return (n,) bool: readings that carry the flag."""
        return (self.flag & flag_bit(word)) != 0

    def flag_counts(self) -> dict[str, int]:
        """Return how many readings carry each flag, and how many are ``in use``; zeros left out."""
        counts = {word: int(np.count_nonzero(self.has_flag(word))) for word in FLAGS}
        counts["in use"] = int(np.count_nonzero(self.in_use))
        return {word: n for word, n in counts.items() if n}

    def with_channel(self, channel: str, values: np.ndarray, se: Optional[np.ndarray] = None) -> Readings:
        """Return the table with corrected values; the values as logged are kept in ``raw`` the first time."""
        raw = dict(self.raw)
        raw.setdefault(channel, self.channels[channel])
        errors = dict(self.se) if se is None else {**self.se, channel: se}
        return replace(self, channels={**self.channels, channel: values}, raw=raw, se=errors)

    def take(self, rows: np.ndarray) -> Readings:
        """Return the readings chosen by a (n,) bool or by indices, in that order."""
        changed = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                changed[item.name] = value[rows]
            elif isinstance(value, dict) and item.name != "units":
                changed[item.name] = {k: v[rows] for k, v in value.items()}
        return replace(self, **changed)

    def in_runs(self) -> tuple[np.ndarray, np.ndarray]:
        """Return (n,) rows recording by recording, in ``seq`` order within each, and (n,) the recording of each.

        Recordings are counted from 0 in the order in which they first appear.
        """
        keys = (self.grid, self.line, self.run)
        new = np.ones(len(self), bool)
        # Tables are in this order as a rule, and to see so is quicker than to sort.
        if is_ascending(*keys, self.seq):
            new[1:] = ~same_as_before(*keys)
            return np.arange(len(self)), np.cumsum(new) - 1
        order = np.lexsort((self.seq, *keys[::-1]))
        new[1:] = ~same_as_before(*(key[order] for key in keys))
        earliest = np.minimum.reduceat(order, np.flatnonzero(new))
        number = np.argsort(np.argsort(earliest))[np.cumsum(new) - 1]
        by_number = np.argsort(number, kind="stable")
        return order[by_number], number[by_number]

    def runs(self) -> list[Run]:
        """Return the recordings in the order in which they first appear, readings in ``seq`` order."""
        if not len(self):
            return []
        order, number = self.in_runs()
        ends = [0, *(np.flatnonzero(number[1:] != number[:-1]) + 1).tolist(), len(order)]
        parts = [order[begin:end] for begin, end in zip(ends, ends[1:])]
        return [Run(self.grids[self.grid[p[0]]], int(self.line[p[0]]), int(self.run[p[0]]), p) for p in parts]

    def by_grid(self) -> Iterator[tuple[str, Readings]]:
        """Yield (name, readings) of each grid in the order of ``grids``."""
        for code, name in enumerate(self.grids):
            rows = np.flatnonzero(self.grid == code)
            if len(rows):
                yield name, self.take(rows)

    def to_columns(self) -> dict[str, np.ndarray]:
        """Return the fields of a readings layer, in order: fixed fields, then each channel, ``_raw`` and ``_se``.

        Text fields are object arrays; positions ``x`` and ``y`` are left to the geometry.
        """
        columns: dict[str, np.ndarray] = {name: getattr(self, name) for name in FIXED_FIELDS}
        columns["grid"] = np.array(self.grids, dtype=object)[self.grid] if len(self) else np.array([], object)
        columns["source"] = np.array(self.sources, dtype=object)[self.source] if len(self) else np.array([], object)
        columns["kind"] = np.array(KINDS, dtype=object)[self.kind]
        columns["flag"] = flag_words(self.flag)
        columns.update(self.channels)
        columns.update({f"{name}_raw": values for name, values in self.raw.items()})
        columns.update({f"{name}_se": values for name, values in self.se.items()})
        columns.update(self.extras)
        return columns

    @classmethod
    def from_columns(
        cls,
        columns: Mapping[str, np.ndarray],
        channels: Sequence[str],
        x: Optional[np.ndarray] = None,
        y: Optional[np.ndarray] = None,
        units: Optional[Mapping[str, str]] = None,
    ) -> Readings:
        """Build a table from the fields of a readings layer; the inverse of ``to_columns``.

        Parameters
        ----------
        columns : mapping of (n,) arrays
            ``line`` and the channels are needed; other fixed fields take their neutral value when absent.
        channels : sequence of str
            Which columns are channels.
        x, y : (n,) float, optional
            Positions in map units.
        units : mapping of str, optional
            Unit by channel.

        Raises
        ------
        EngineError
            When a column that is needed is missing, or on a word that is no flag or no kind.
        """
        missing = [name for name in ("line", *channels) if name not in columns]
        if missing:
            raise EngineError(
                f"The layer has no field {', '.join(missing)}. It must be a readings layer as 'Read traverse log' "
                "or 'Place readings on the ground' writes it."
            )
        line = columns["line"]
        grids, grid = _names_and_codes(columns.get("grid"), len(line))
        sources, source = _names_and_codes(columns.get("source"), len(line))
        raw = {c: np.asarray(columns[f"{c}_raw"], float) for c in channels if f"{c}_raw" in columns}
        errors = {f"{name}_se": name for name in (PLACE, *channels)}
        se = {errors[name]: np.asarray(columns[name], float) for name in columns if name in errors}
        known = columns.get
        kind, flag = (None if known(name) is None else list(columns[name]) for name in ("kind", "flag"))
        return cls.build(
            line,
            {c: columns[c] for c in channels},
            grids=grids, sources=sources, grid=grid, source=source,
            run=known("run"), seq=known("seq"), row=known("row"), station=known("station"), time_s=known("time_s"),
            u_m=known("u_m"), v_m=known("v_m"), x=x, y=y, heading=known("heading"),
            kind=None if kind is None else kind_codes(kind), flag=None if flag is None else flag_bits(flag),
            raw=raw, se=se, units=units,
        )  # fmt: skip


def concatenate(tables: Sequence[Readings]) -> Readings:
    """Join tables end to end; a channel that a table lacks is NaN there."""
    if not tables:
        raise EngineError("There are no readings to join. Give at least one log or layer with readings.")
    grids, grid = _joined_codes([t.grids for t in tables], [t.grid for t in tables])
    sources, source = _joined_codes([t.sources for t in tables], [t.source for t in tables])

    def whole(name: str) -> np.ndarray:
        return np.concatenate([getattr(t, name) for t in tables])

    def by_name(group: str) -> dict[str, np.ndarray]:
        names = dict.fromkeys(name for t in tables for name in getattr(t, group))
        return {name: np.concatenate([_column(t, group, name) for t in tables]) for name in names}

    return Readings(
        grids, sources, grid, source,
        line=whole("line"), run=whole("run"), seq=whole("seq"), row=whole("row"),
        station=whole("station"), time_s=whole("time_s"), heading=whole("heading"),
        u_m=whole("u_m"), v_m=whole("v_m"), x=whole("x"), y=whole("y"), kind=whole("kind"), flag=whole("flag"),
        channels=by_name("channels"), raw=by_name("raw"), se=by_name("se"), extras=by_name("extras"),
        units={name: unit for t in reversed(tables) for name, unit in t.units.items()},
    )  # fmt: skip


def _joined_codes(names: Sequence[tuple[str, ...]], codes: Sequence[np.ndarray]) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the names of all tables, each once, and the codes of all readings into them."""
    joined = list(dict.fromkeys(name for some in names for name in some))
    places = [np.array([joined.index(name) for name in some], np.int32) for some in names]
    return tuple(joined), np.concatenate([place[code] for place, code in zip(places, codes)])


def _names_and_codes(texts: Optional[np.ndarray], count: int) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the distinct texts of a column in the order in which they come, and (n,) int32 the code of each row."""
    plain = np.array(["" if t is None else str(t) for t in ([""] * count if texts is None else texts)])
    names, first, inverse = np.unique(plain, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return tuple(str(t) for t in names[np.argsort(first)]), rank[inverse.reshape(-1)].astype(np.int32)


def _column(table: Readings, group: str, name: str) -> np.ndarray:
    # A table that was not corrected yet has its values as logged in the channel itself.
    if group == "raw" and name not in table.raw and name in table.channels:
        return table.channels[name]
    return getattr(table, group).get(name, np.full(len(table), np.nan))


Key = tuple[str, int, int]
"""Grid, line and recording."""
