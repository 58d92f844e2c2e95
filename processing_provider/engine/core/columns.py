"""Columns of the table of readings: their names and types, flags, and kinds of recordings."""

from __future__ import annotations

import re
from typing import Iterable, Mapping, Sequence

import numpy as np

from .errors import EngineError
from .findings import Code, Finding

FLAGS = ("overrun", "dummy", "void", "redone", "obstacle", "outlier", "missing", "unplaced", "overrange")
"""Words a reading out of use may carry, in the order of their bits in ``Readings.flag``."""

KINDS = ("survey", "tie", "base")
"""What a recording is for: the map, or (a line across the others, readings at one spot) the levels of the lines."""

PLACE = "v_m"
"""Under this name ``Readings.se`` has the standard error of the position along the traverse, metres."""

FIXED_FIELDS = (
    "grid", "line", "run", "seq", "station", "time_s", "u_m", "v_m", "heading", "kind", "flag", "source", "row",
)  # fmt: skip


COLUMN_TYPES: Mapping[str, type] = {
    **dict.fromkeys(("grid", "source", "run", "row"), np.int32),
    **dict.fromkeys(("station", "time_s", "u_m", "v_m", "x", "y"), np.float64),
    **dict.fromkeys(("heading", "kind"), np.int8),
    "flag": np.uint16,
}
"""Columns with a neutral value: nothing known (NaN), 1 for ``run``, the row's number for ``row``, 0 for the others."""


OF_FILES = ("fid", "geom")
"""Fields that a GeoPackage has of its own."""
MAP_ENDINGS = ("", "_raw", "_se")
"""Of the maps of a channel: its values, those as logged, and their standard errors."""
FULL_SCALE = "_full_se"
"""Of the field that a channel has besides where readings stand at an end of its scale: by how much the ground may
exceed them (standard error), blank for all others."""
FIELD_ENDINGS = (*MAP_ENDINGS, FULL_SCALE)
"""Of the fields of a channel."""
NOT_IN_TEXT = re.compile(r"[\x00-\x1f\x7f\ud800-\udfff]")
"""Control characters, and half surrogates, which have no form in UTF-8."""


def channel_names(names: Iterable[str], others: Iterable[str] = ()) -> dict[str, str]:
    """Return the name of each channel under which its fields can stand beside those of the others.

    Parameters
    ----------
    names : iterable of str
        Channels, each once.
    others : iterable of str
        Fields that are taken besides those that readings always have.

    Returns
    -------
    dict of str
        A name whose fields are its own keeps its letters; others get a number. Capitals do not count, as in the fields
        of a GeoPackage (SQLite, Database File Format and SQL syntax: identifiers). The order does not matter.
    """
    in_order = sorted(dict.fromkeys(names), key=lambda name: (len(name), name))
    taken = {name.casefold() for name in (*FIXED_FIELDS, *OF_FILES, *others)}
    chosen: dict[str, str] = {}
    for name in in_order:
        if not NOT_IN_TEXT.search(name) and not taken & _fields_of(name):
            chosen[name] = name
            taken |= _fields_of(name)
    for name in in_order:
        number = 1
        while name not in chosen:
            number += 1
            candidate = f"{NOT_IN_TEXT.sub('_', name)}_{number}"
            if not taken & _fields_of(candidate):
                chosen[name] = candidate
                taken |= _fields_of(candidate)
    return chosen


def _fields_of(channel: str) -> set[str]:
    return {(channel + ending).casefold() for ending in FIELD_ENDINGS}


def full_scale_names(names: Mapping[str, str]) -> dict[str, str]:
    """Return the new names of the fields of readings at full scale, by their names now, from those of channels."""
    return {old + FULL_SCALE: new + FULL_SCALE for old, new in names.items()}


def channels_renamed(names: Mapping[str, str], grid: str = "") -> list[Finding]:
    """Return a finding about each channel that does not keep its name (``channel_names``)."""
    return [
        Code.CHANNEL_RENAMED.finding(
            f"Channel {name} is called {other} in the results, as its fields would be those of another channel or of "
            "every table of readings.", name, "Choose another name for it in the layout if you like.", grid=grid,
        )
        for name, other in names.items()
        if name != other
    ]  # fmt: skip


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


def kind_codes(words: Sequence[str]) -> np.ndarray:
    """Return the (n,) int8 numbers of kinds of recording; raise EngineError on a word that is not in ``KINDS``."""
    texts, inverse = np.unique(np.array([w or KINDS[0] for w in words], dtype=str), return_inverse=True)
    unknown = [text for text in texts if text not in KINDS]
    if unknown:
        raise EngineError(f"Invalid kind: {str(unknown[0])!r} was given. It must be one of: {', '.join(KINDS)}.")
    return np.array([KINDS.index(text) for text in texts], np.int8)[inverse.reshape(len(words))]
