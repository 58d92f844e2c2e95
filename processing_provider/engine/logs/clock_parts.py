"""Clocks over several columns: hour, minute and second apart, or milliseconds beside a clock of whole seconds."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Optional, Sequence

import numpy as np

from .column_roles import Role, as_numbers
from .plan import LONGEST_TEXT
from .time_formats import NUMBER_FORMATS, guess_time_format, named_time_format
from .timestamps import number_seconds, parse_times

PARTS = (
    (3600.0, "hour hours hh hr hrs h std stunde stunden heure heures ora ore hora horas uur godz"),
    (60.0, "minute minutes min mins mm mn minuten minuti minutos"),
    (1.0, "second seconds sec secs ss s sek sekunde sekunden seconde secondes secondi segundos"),
)
"""Seconds of the parts of a clock, and their names. Source: as ``DAY_S`` of ``timestamps``."""
FRACTION_DIGITS = (1, 2, 3, 6, 9)
"""Digits of tenths, hundredths, milliseconds, microseconds and nanoseconds. Source: as ``DAY_S`` of ``timestamps``."""
FULL = 60.0
"""Minutes and seconds of a clock stay below it; hours below 24 do so too. Source: as ``DAY_S`` of ``timestamps``."""


def join_clock(columns: Sequence[Sequence[str]], names: Sequence[str], roles: Sequence[Role]) -> list[Role]:
    """Return the roles of columns, with those that are parts of one clock found.

    The finest of hour, minute and second is the time, the others are added to it (``time_part``), and so are the
    milliseconds that stand beside a clock of whole seconds.
    """
    joined = _beside_minutes(columns, names, _by_names(columns, names, list(roles)))
    return _beside_whole_seconds(columns, joined)


def _by_names(columns: Sequence[Sequence[str]], names: Sequence[str], roles: list[Role]) -> list[Role]:
    words = [re.sub(r"\W|_", "", re.sub(r"[(\[].*?[)\]]", "", name)).lower() for name in names]
    found: dict[float, int] = {}
    for unit, known in PARTS:
        at = [i for i, word in enumerate(words) if word in known.split() and _is_part(columns[i], unit)]
        if at:
            found[unit] = at[0]
    if 3600.0 in found and 1.0 in found and found[1.0] - found[3600.0] == 2 and _is_part(columns[found[1.0] - 1], 60.0):
        found.setdefault(60.0, found[1.0] - 1)
    if 3600.0 not in found or 60.0 not in found or any(_is_clock(columns[i]) for i in range(len(columns))):
        return roles
    finest = min(found)
    roles = [replace(role, role="", why="because hours, minutes are columns") if role.role == "time" else role
             for role in roles]  # fmt: skip
    for unit, i in found.items():
        part = Role("time_part", "", "because the clock stands in several columns", unit)
        if unit == finest:
            part = replace(part, role="time", factor=1.0, form={60.0: "min", 1.0: "s"}.get(unit, ""))
        roles[i] = part
    return roles


def _beside_minutes(columns: Sequence[Sequence[str]], names: Sequence[str], roles: list[Role]) -> list[Role]:
    """Give the role of a part of the time to a column of seconds beside hours and minutes as one number (HHMM)."""
    at = next((i for i, role in enumerate(roles) if role.role == "time"), None)
    if at is None or named_time_format(names[at], [text for text in columns[at] if text]) != "HHMM":
        return roles
    words = PARTS[-1][1].split()
    for i, name in enumerate(names):
        if i != at and re.sub(r"[(\[].*?[)\]]", "", name).strip().lower() in words and _is_part(columns[i], 1.0):
            roles[i] = Role("time_part", "", "because the clock stands in several columns", 1.0)
            break
    return roles


def _is_part(texts: Sequence[str], unit: float) -> bool:
    values = as_numbers(texts)
    known = values[np.isfinite(values)]
    return len(known) > 0 and bool(np.all((known >= 0) & (known < FULL)) and (unit == 1 or np.all(known % 1 == 0)))


def _is_clock(texts: Sequence[str]) -> bool:
    return ":" in next((text for text in texts if text), "")


def _beside_whole_seconds(columns: Sequence[Sequence[str]], roles: list[Role]) -> list[Role]:
    """Give the role of a part of the time to a column of milliseconds beside a clock without a fraction."""
    times = [i for i, role in enumerate(roles) if role.role == "time"]
    clocks = [i for i, role in enumerate(roles) if role.role in ("time", "") and _is_clock(columns[i])]
    at = (clocks or times)[:1]
    seconds = _whole_seconds(columns[at[0]]) if at else None
    if seconds is None:
        return roles
    for i, role in enumerate(roles):
        if i == at[0] or role.role not in ("channel", "time", "") or not 0 < abs(i - at[0]) <= 2:
            continue
        factor = _fraction_of(columns[i], seconds)
        if factor:
            roles[i] = Role("time_part", "", "because it counts on within each second of the clock", factor)
            roles[at[0]] = replace(roles[at[0]], role="time")
            break
    return roles


def _whole_seconds(texts: Sequence[str]) -> Optional[np.ndarray]:
    """Return (n,) seconds of a clock that shows no fraction and stays over several readings; None for any other."""
    known = [text for text in texts if text]
    if not known or any("." in text or "," in text for text in known):
        return None
    form = guess_time_format(known)
    if form in NUMBER_FORMATS:
        seconds = number_seconds(as_numbers(texts), form)
    else:
        seconds = parse_times(np.array([text[:LONGEST_TEXT] for text in texts], dtype=str), form)[0]
    return seconds if np.any(np.diff(seconds) == 0) else None


def _fraction_of(texts: Sequence[str], seconds: np.ndarray) -> float:
    """Return by how much numbers count within the seconds of a clock, such as 0.001; 0 when they do not."""
    pointed = all(re.fullmatch(r"0?\.\d+", text) for text in texts)
    if not pointed and not all(re.fullmatch(r"\d{1,9}", text) for text in texts):
        return 0.0
    values = np.array(texts, dtype=float)
    same, steps = np.diff(seconds) == 0, np.diff(values)
    later = np.diff(seconds) == 1
    if not np.any(same) or not np.all(steps[same] > 0) or (np.any(later) and np.mean(steps[later] < 0) < 0.5):
        return 0.0
    digits = max(map(len, texts))
    return 1.0 if pointed else float(10.0 ** -next(size for size in FRACTION_DIGITS if digits <= size))
