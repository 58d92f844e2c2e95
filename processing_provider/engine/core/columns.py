"""Columns of the table of readings: their names and types, flags, and kinds of recordings."""

from __future__ import annotations

from typing import Mapping, Sequence

import numpy as np

from .errors import EngineError

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
