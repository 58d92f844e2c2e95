"""Values that an instrument cannot have measured: marks of over-range, and what no ground gives."""

from __future__ import annotations

import re

import numpy as np

OVERRANGE_WORDS = re.compile(
    r"^([<>]\s*([+-]?\d+([.,]\d*)?|max(imum)?|min(imum)?|range|limit)|\*{2,}|[+-]?(o[/.]?[lr]\.?|ovr|over|overload"
    r"|overflow|over[ _-]?range|out[ _-]of[ _-]range|sat(urated)?|ovld?|ovf|clip(ped)?|inf(inity)?|hi(gh)?|lo(w)?"
    r"|(ü|ue)berlauf|(ü|ue)bersteuert|hors (gamme|plage)|satur[ée]e?|d[ée]passement|saturado|fuera de rango"
    r"|fuori (scala|campo)))[.!]?$",
    re.IGNORECASE,
)
OVERRANGE, UNREADABLE = np.inf, -np.inf
"""Stand in a column of a channel, until it is settled, where a word says over-range, and where no number was found."""
REPEATED = 3
"""A value is a mark when it comes at least so often and stands apart (common practice, no source): once or twice the
same reading comes over metal."""
SEPARATION = 3.0
"""It stands apart when it is farther from all others than so many times the spread of nine in ten of them (common
practice, no source)."""
LEAST_VALUES = 5
"""Other values that are needed to say so. Derived: of fewer, the 5th and 95th percentile are single values."""
FULL_REGISTER = "9{3,}|-?3276[78]"
"""A whole number that is all nines, or an end of a register of 16 bits. Derived: 2^15 - 1 and -2^15; a display shows
nines."""
REGISTER_SEPARATION = 2.0
"""A full register (999, 9999, 32767) is a mark when it is so many times any other value (common practice, no
source)."""
LARGEST_MS_M = 1e5
"""No ground conducts better, mS/m. Derived: sea water has 5,000 and saturated brine 25,000 mS/m, metal a million times
more; the unit of a channel in other units is not known well enough to say so."""


def settle_overrange(values: np.ndarray, unit: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the values of a channel with NaN where there is none, and (n,) bool: over-range, and unreadable.

    Parameters
    ----------
    values : (n,) float
        ``OVERRANGE`` and ``UNREADABLE`` where a text said so.
    unit : str
        Of the channel.
    """
    over, unreadable = np.isposinf(values), np.isneginf(values)
    known = np.where(np.isfinite(values), values, np.nan)
    for _ in range(2):
        mark = _mark(known[np.isfinite(known)])
        over |= known == mark
        known = np.where(over, np.nan, known)
    if unit.lower() == "ms/m":
        over |= np.abs(known) > LARGEST_MS_M
    return np.where(over, np.nan, known), over, unreadable


def settle_together(
    settled: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]],
) -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Return what ``settle_overrange`` gave each channel, with marks that only another channel shows to be some.

    Where one channel is beyond the range, a value of another that stands in all of these rows and in no other is its
    mark, though it may lie among its values: zeros in both, as when the connection was lost.
    """
    together = dict(settled)
    for field, (values, over, bad) in settled.items():
        for other, (_, theirs, _) in settled.items():
            found = values[theirs]
            if other == field or len(found) < REPEATED or not np.all(found == found[0]):
                continue
            if np.count_nonzero(values == found[0]) == len(found):
                together[field] = (np.where(theirs, np.nan, values), over | theirs, bad)
    return together


def _mark(values: np.ndarray) -> float:
    """Return the lowest or highest of some values when it is a mark and no value, else NaN."""
    if not len(values):
        return np.nan
    for mark in (float(values.max()), float(values.min())):
        others = values[values != mark]
        enough = len(others) >= REPEATED
        if _fills_register(mark) and enough and abs(mark) > REGISTER_SEPARATION * np.max(np.abs(others)):
            return mark
        if len(values) <= LEAST_VALUES or len(values) - len(others) < REPEATED and not _looks_like_mark(mark):
            continue
        if len(np.unique(others)) < LEAST_VALUES:
            continue
        low, high = np.percentile(others, (5, 95))
        if np.min(np.abs(others - mark)) > SEPARATION * (high - low):
            return mark
    return np.nan


def _fills_register(value: float) -> bool:
    """Return whether a whole number is all nines, or the end of a register of 16 bits."""
    return bool(re.fullmatch(FULL_REGISTER, f"{value:.15g}"))


def _looks_like_mark(value: float) -> bool:
    """Return whether a number consists of nines or is a power of ten that only a full register gives."""
    digits = f"{abs(value):.6f}".rstrip("0").rstrip(".").replace(".", "")
    return abs(value) >= 1e30 or (len(digits) >= 3 and set(digits) == {"9"})
