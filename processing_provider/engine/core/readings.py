"""The table of readings that flows through everything, as column arrays."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Iterator, Mapping, Sequence

import numpy as np

from .errors import EngineError

FLAGS = ("overrun", "dummy", "void", "redone", "obstacle", "outlier", "missing", "unplaced")
"""Words a reading out of use may carry, in the order of their bits in ``Readings.flag``."""

KINDS = ("survey", "tie", "base")
"""What a recording is for: the map, or (a line across the others, readings at one spot) the levels of the lines."""

PLACE = "v_m"
"""Under this name ``Readings.se`` has the standard error of the place along the traverse, metres."""

FIXED_FIELDS = (
    "grid", "line", "run", "seq", "station", "time_s", "u_m", "v_m", "heading", "kind", "flag", "source", "row",
)  # fmt: skip


def flag_bit(word: str) -> int:
    """Return the bit that stands for a flag word in ``Readings.flag``."""
    return 1 << FLAGS.index(word)


def kind_code(word: str) -> int:
    """Return the number that stands for a kind of recording in ``Readings.kind``."""
    return KINDS.index(word)


def flag_words(bits: np.ndarray) -> np.ndarray:
    """Return an object array of flag texts (words joined by ``;``, empty = in use) for an array of bits."""
    values, inverse = np.unique(bits, return_inverse=True)
    texts = [";".join(w for i, w in enumerate(FLAGS) if int(v) >> i & 1) for v in values]
    return np.array(texts, dtype=object)[inverse.reshape(np.shape(bits))]


def flag_bits(words: Sequence[str]) -> np.ndarray:
    """Return the (n,) uint16 bits of flag texts; raise EngineError on a word that is not in ``FLAGS``."""
    texts = np.array([w or "" for w in words], dtype=str)
    values, inverse = np.unique(texts, return_inverse=True)
    bits = np.zeros(len(values), dtype=np.uint16)
    for i, text in enumerate(values):
        for word in filter(None, text.split(";")):
            if word not in FLAGS:
                raise EngineError(f"Invalid flag: {word!r} was given. It must be one of: {', '.join(FLAGS)}.")
            bits[i] |= flag_bit(word)
    return bits[inverse.reshape(len(texts))]


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
        Recorded line number, recording of it (from 1), place in the recording (from 0), 1-based row in the file.
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
        Place in ``KINDS``.
    flag : (n,) uint16
        Bits of ``FLAGS``; 0 = in use.
    channels, raw, se : dict of (n,) float64
        Values by channel; as logged (from the first correction on); standard error of the corrected value, and under
        ``PLACE`` that of ``v_m`` (from alignment on; NaN where it is not known).
    extras : dict of (n,) float64
        What else the log told of each reading (``mark``, ``temperature``, ``easting``, ...).
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
    def build(cls, line, channels: Mapping[str, np.ndarray], *, grids=("",), sources=("",), **columns) -> Readings:
        """Build a table from what is known; missing columns take their neutral value.

        Parameters
        ----------
        line : (n,) int
        channels : mapping of (n,) float
        grids, sources : sequence of str
        **columns
            Any other attribute of the class.
        """
        n = len(line)
        neutral = {
            "grid": np.zeros(n, np.int32), "source": np.zeros(n, np.int32), "run": np.ones(n, np.int32),
            "row": np.arange(1, n + 1, dtype=np.int32), "heading": np.zeros(n, np.int8),
            "kind": np.zeros(n, np.int8), "flag": np.zeros(n, np.uint16), "seq": None,
        }  # fmt: skip
        types = {"line": np.int32, **{k: v.dtype for k, v in neutral.items() if v is not None}, "seq": np.int32}
        columns["line"] = line
        for name in ("station", "time_s", "u_m", "v_m", "x", "y"):
            neutral[name] = np.full(n, np.nan)
        whole = {k: columns.pop(k, v) for k, v in neutral.items()}
        whole["line"] = columns.pop("line")
        for name, values in whole.items():
            if values is not None:
                whole[name] = np.asarray(values, dtype=types.get(name, np.float64))
        if whole["seq"] is None:
            whole["seq"] = _count_within(whole["grid"], whole["line"], whole["run"])
        values = {k: np.asarray(v, dtype=np.float64) for k, v in channels.items()}
        return cls(grids=tuple(grids), sources=tuple(sources), channels=values, **whole, **columns)

    def stacked(self, channels: Sequence[str]) -> np.ndarray:
        """Return the (C, n) values of some channels."""
        return np.reshape([self.channels[c] for c in channels], (len(channels), len(self)))

    def replace(self, **columns) -> Readings:
        """Return a table in which the given attributes are exchanged."""
        return replace(self, **columns)

    @property
    def in_use(self) -> np.ndarray:
        """(n,) bool: readings without any flag."""
        return self.flag == 0

    def with_flag(self, word: str, where: np.ndarray) -> Readings:
        """Return the table with a flag added to the readings chosen by a (n,) bool or by indices."""
        bits = self.flag.copy()
        bits[where] |= np.uint16(flag_bit(word))
        return replace(self, flag=bits)

    def has_flag(self, word: str) -> np.ndarray:
        """Return (n,) bool: readings that carry the flag."""
        return (self.flag & flag_bit(word)) != 0

    def flag_counts(self) -> dict[str, int]:
        """Return how many readings carry each flag, and how many are ``in use``; zeros left out."""
        counts = {word: int(np.count_nonzero(self.has_flag(word))) for word in FLAGS}
        counts["in use"] = int(np.count_nonzero(self.in_use))
        return {word: n for word, n in counts.items() if n}

    def with_channel(self, channel: str, values: np.ndarray, se: np.ndarray | None = None) -> Readings:
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
        if _ascending(*keys, self.seq):
            new[1:] = ~_same_as_before(*keys)
            return np.arange(len(self)), np.cumsum(new) - 1
        order = np.lexsort((self.seq, *keys[::-1]))
        new[1:] = ~_same_as_before(*(key[order] for key in keys))
        earliest = np.minimum.reduceat(order, np.flatnonzero(new))
        number = np.argsort(np.argsort(earliest))[np.cumsum(new) - 1]
        by_number = np.argsort(number, kind="stable")
        return order[by_number], number[by_number]

    def runs(self) -> list[Run]:
        """Return the recordings in the order in which they first appear, readings in ``seq`` order."""
        if not len(self):
            return []
        order, number = self.in_runs()
        parts = np.split(order, np.flatnonzero(np.diff(number)) + 1)
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
        cls, columns: Mapping[str, np.ndarray], channels: Sequence[str], x=None, y=None, units=None
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
        """
        missing = [name for name in ("line", *channels) if name not in columns]
        if missing:
            raise EngineError(
                f"The layer has no field {', '.join(missing)}. It must be a readings layer as 'Read traverse log' "
                "or 'Place readings on the ground' writes it."
            )
        given = {k: columns[k] for k in FIXED_FIELDS if k in columns and k != "line"}
        for name, plural in (("grid", "grids"), ("source", "sources")):
            texts = np.array(["" if t is None else str(t) for t in given.get(name, [""] * len(columns["line"]))])
            names, first, inverse = np.unique(texts, return_index=True, return_inverse=True)
            rank = np.argsort(np.argsort(first))
            given[name] = rank[inverse.reshape(-1)].astype(np.int32)
            given[plural] = tuple(str(t) for t in names[np.argsort(first)])
        if "kind" in given:
            given["kind"] = _kind_codes(given["kind"])
        if "flag" in given:
            given["flag"] = flag_bits(given["flag"])
        if x is not None and y is not None:
            given.update(x=x, y=y)
        raw = {c: np.asarray(columns[f"{c}_raw"], float) for c in channels if f"{c}_raw" in columns}
        errors = {f"{name}_se": name for name in (PLACE, *channels)}
        se = {errors[name]: np.asarray(columns[name], float) for name in columns if name in errors}
        values = {c: columns[c] for c in channels}
        return cls.build(columns["line"], values, raw=raw, se=se, units=dict(units or {}), **given)


def concatenate(tables: Sequence[Readings]) -> Readings:
    """Join tables end to end; a channel that a table lacks is NaN there."""
    if not tables:
        raise EngineError("There are no readings to join. Give at least one log or layer with readings.")
    joined = {}
    for plural, single in (("grids", "grid"), ("sources", "source")):
        names = list(dict.fromkeys(name for t in tables for name in getattr(t, plural)))
        codes = [np.array([names.index(n) for n in getattr(t, plural)], np.int32)[getattr(t, single)] for t in tables]
        joined[plural], joined[single] = tuple(names), np.concatenate(codes)
    for item in fields(Readings):
        if item.name in joined:
            continue
        parts = [getattr(t, item.name) for t in tables]
        if isinstance(parts[0], np.ndarray):
            joined[item.name] = np.concatenate(parts)
        elif item.name == "units":
            joined["units"] = {k: v for t in reversed(tables) for k, v in t.units.items()}
        else:
            names = list(dict.fromkeys(k for p in parts for k in p))
            blank = [np.full(len(t), np.nan) for t in tables]
            joined[item.name] = {
                k: np.concatenate([_column(t, item.name, k, b) for t, b in zip(tables, blank)]) for k in names
            }
    return Readings(**joined)


def _kind_codes(words: Sequence[str]) -> np.ndarray:
    texts, inverse = np.unique(np.array([w or KINDS[0] for w in words], dtype=str), return_inverse=True)
    unknown = [text for text in texts if text not in KINDS]
    if unknown:
        raise EngineError(f"Invalid kind: {str(unknown[0])!r} was given. It must be one of: {', '.join(KINDS)}.")
    return np.array([KINDS.index(text) for text in texts], np.int8)[inverse.reshape(len(words))]


def _column(table: Readings, group: str, name: str, blank: np.ndarray) -> np.ndarray:
    # A table that was not corrected yet has its values as logged in the channel itself.
    if group == "raw" and name not in table.raw:
        return table.channels.get(name, blank)
    return getattr(table, group).get(name, blank)


def _same_as_before(*keys: np.ndarray) -> np.ndarray:
    """Return (n - 1,) whether rows, from the second one on, have the keys of the one before."""
    same = keys[0][1:] == keys[0][:-1]
    for key in keys[1:]:
        same &= key[1:] == key[:-1]
    return same


def _ascending(*keys: np.ndarray) -> bool:
    """Return whether rows are sorted by the keys, the first one first."""
    falls = [key[1:] < key[:-1] for key in keys]
    return not any(np.any(fall & _same_as_before(*keys[:i]) if i else fall) for i, fall in enumerate(falls))


def _count_within(*keys: np.ndarray) -> np.ndarray:
    n = len(keys[0])
    order = np.lexsort((np.arange(n), *keys[::-1]))
    change = np.ones(n, bool)
    for key in keys:
        sorted_key = key[order]
        change[1:] &= sorted_key[1:] == sorted_key[:-1]
    new = ~change
    new[:1] = True
    start = np.maximum.accumulate(np.where(new, np.arange(n), 0))
    seq = np.empty(n, np.int32)
    seq[order] = np.arange(n) - start
    return seq


Key = tuple[str, int, int]
"""Grid, line and recording."""
