"""Times and dates as loggers write them, turned into seconds since midnight and day numbers."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Optional

import numpy as np

from ..core import EngineError

DAY_S = 86400.0
"""Seconds of a day. Source: International System of Units, table of non-SI units accepted for use with it (from
memory)."""
LEAST_STEP_MS = 20
"""Whole numbers that grow by at least this from reading to reading are milliseconds. Derived: as milliseconds they are
50 readings a second or fewer, as seconds a reading every 20 s, which nobody walks with."""
NUMBER_FORMATS = ("s", "ms", "HHMMSS")
TEXT_FORMATS = ("HH:MM:SS", "date-time")
DATE_FORMATS = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y",
    "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%b-%Y", "%d %b %Y",
)  # fmt: skip
CLOCK = re.compile(r"^\d{1,2}:\d{2}(:\d{2}([.,]\d*)?)?\s*([ap]\.?m\.?)?$", re.IGNORECASE)
ALIKE = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{0,9}))?)?$")
CLOCK_FORMAT = re.compile(r"(?:(%[dmyYj]\S*)[T ])?%[HI]:%M(:%S([.,]%f)?)?( ?%p)?Z?")
DATE_TIME = re.compile(r"^(\d\S*?(?: [A-Za-z]{3} \d{4})?)[T ]+(\d{1,2}:\d{2}.*)$")


def check_time_format(text: str) -> str:
    """Return the format of a time if it is empty, a word of this module or a format of ``strptime``."""
    if text and text not in (*NUMBER_FORMATS, *TEXT_FORMATS) and "%" not in text:
        raise EngineError(
            f"Invalid format of a time: {text!r} was given. It must be one of: "
            f"{', '.join((*NUMBER_FORMATS, *TEXT_FORMATS))}, or a format with % signs such as %H:%M:%S."
        )
    return text


def quick_notation(form: str) -> tuple[str, str]:
    """Return the notation of this module that covers a ``strptime`` format, and how its date is written.

    Examples
    --------
    >>> quick_notation("%H:%M:%S,%f"), quick_notation("%d.%m.%YT%H:%M"), quick_notation("%Hh%M")
    (('HH:MM:SS', ''), ('date-time', '%d.%m.%Y'), ('%Hh%M', ''))
    """
    match = CLOCK_FORMAT.fullmatch(form)
    if match is None:
        return form, ""
    return ("date-time", match[1]) if match[1] else ("HH:MM:SS", "")


def guess_time_format(texts: list[str]) -> str:
    """Return how times are written, by the first rows of a log.

    Notes
    -----
    Texts with a colon speak for themselves. Of plain numbers, those that never show 60 or more in the minutes or
    seconds place, over more than a minute, are ``HHMMSS``; whole numbers that grow by 20 or more from reading to
    reading are milliseconds; all others are seconds.

    Examples
    --------
    >>> guess_time_format(["09:30:00", "09:30:01"]), guess_time_format(["2024-05-03T09:30:00"])
    ('HH:MM:SS', 'date-time')
    >>> guess_time_format(["093059", "093100"]), guess_time_format(["1000", "1125"]), guess_time_format(["0.5", "1.5"])
    ('HHMMSS', 'ms', 's')
    """
    texts = [t.strip() for t in texts]
    colon = next((t for t in texts if ":" in t), None)
    if colon is not None:
        return "HH:MM:SS" if CLOCK.match(colon) else "date-time"
    numbers = [t.replace(",", ".") for t in texts if re.fullmatch(r"\d+([.,]\d*)?", t)]
    values = np.array(numbers, dtype=float)
    if _reads_as_hhmmss(numbers, values):
        return "HHMMSS"
    steps = np.diff(values)
    steps = steps[steps > 0]
    whole = bool(np.all(values == np.floor(values)))
    return "ms" if len(steps) and whole and np.median(steps) >= LEAST_STEP_MS else "s"


def _reads_as_hhmmss(texts: list[str], values: np.ndarray) -> bool:
    whole = np.floor(values)
    if not len(values) or np.any(whole % 100 >= 60) or np.any(whole // 100 % 100 >= 60) or whole.max() >= 240000:
        return False
    padded = all(len(t.split(".")[0]) == 6 for t in texts)
    return padded or (whole.min() >= 10000 and len(np.unique(whole)) > 60)


def parse_times(texts: np.ndarray, form: str, date_form: str = "") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times from texts.

    Parameters
    ----------
    texts : (n,) str
        Empty = unknown.
    form : str
        ``HH:MM:SS`` (seconds, fractions and AM/PM may be there or not), ``date-time`` or a ``strptime`` format.
    date_form : str
        How the date of a ``date-time`` is written; see ``parse_dates``.

    Returns
    -------
    seconds : (n,) float
        Since midnight; NaN where unknown or unreadable.
    days : (n,) float
        Proleptic Gregorian day number of the date; NaN where the text has none.
    bad : (n,) bool
        Texts that are neither empty nor a time.
    """
    texts = np.asarray(texts, dtype=str)
    if form == "HH:MM:SS":
        seconds, bad = clock_seconds(texts)
        return seconds, np.full(len(texts), np.nan), bad
    if form != "date-time":
        return _by_strptime(texts, form)
    dates, clocks = split_date_time(texts)
    seconds, _ = clock_seconds(clocks)
    days, _ = parse_dates(dates, date_form)
    unknown = np.isnan(seconds) | np.isnan(days)
    return seconds, days, unknown & (strip_texts(texts) != "")


def number_seconds(values: np.ndarray, form: str) -> np.ndarray:
    """Return (n,) seconds from numbers written as ``s``, ``ms`` or ``HHMMSS``; NaN where the clock has no such time."""
    if form == "s":
        return values
    if form == "ms":
        return values / 1000
    hours, within = np.divmod(values, 10000)
    minutes, seconds = np.divmod(within, 100)
    return np.where((minutes < 60) & (seconds < 61), hours * 3600 + minutes * 60 + seconds, np.nan)


def clock_seconds(texts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return seconds since midnight of clock times such as ``9:05``, ``09:05:01,25`` or ``9:05 PM``.

    Parameters
    ----------
    texts : (n,) str

    Returns
    -------
    seconds : (n,) float
        NaN where empty or bad.
    bad : (n,) bool
    """
    alike = _alike_seconds(texts)
    if alike is not None:
        return alike, np.zeros(len(texts), bool)
    texts, half = _cut_half_day(strip_texts(texts))
    parts, colons, bad = _clock_parts(character_codes(texts))
    seconds = np.where(colons == 1, parts * 60, parts)
    seconds, late = _apply_half_day(seconds, half)
    empty = np.char.str_len(texts) == 0
    bad = (bad | late | (seconds > DAY_S + 1)) & ~empty
    return np.where(bad | empty, np.nan, seconds), bad


def _alike_seconds(texts: np.ndarray) -> Optional[np.ndarray]:
    """Return (n,) seconds of clock times that are all written to the same pattern; None when they are not."""
    match = ALIKE.match(str(texts[0])) if len(texts) else None
    codes = character_codes(texts)
    if match is None or codes.shape[1] != match.end():
        return None
    signs = [k for k, character in enumerate(match[0]) if not character.isdigit()]
    digits = np.delete(codes, signs, axis=1).astype(np.int64) - 48
    tens = [match.start(group) for group in (2, 3) if match[group]]
    if np.any(codes[:, signs] != codes[0, signs]) or np.any((digits < 0) | (digits > 9)) or np.any(codes[:, tens] > 53):
        return None
    fraction = len(match[4] or "")
    places = [10 ** (fraction - 1 - k) for k in range(fraction)]
    for group, unit in ((3, 1), (2, 60), (1, 3600)):
        size = len(match[group] or "")
        places = [unit * 10 ** (fraction + size - 1 - k) for k in range(size)] + places
    seconds = digits @ np.array(places, np.int64) / 10**fraction
    return seconds if seconds.max() <= DAY_S else None


def _clock_parts(codes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (parts between colons to the base of 60, colons, which are bad), going through all texts side by side."""
    n = len(codes)
    total, part, scale = np.zeros(n), np.zeros(n), np.ones(n)
    colons, digits, bad = np.zeros(n, np.int8), np.zeros(n, np.int8), np.zeros(n, bool)
    for code in codes.T:
        digit, colon, point = (code >= 48) & (code <= 57), code == 58, (code == 46) | (code == 44)
        fraction = scale < 1
        value = np.where(digit, code, 48) - 48.0
        part = np.where(digit, np.where(fraction, part + value * scale, part * 10 + value), part)
        scale = np.where(digit & fraction, scale / 10, scale)
        digits += digit & ~fraction
        bad |= ((colon | point) & ((digits == 0) | fraction)) | ~(digit | colon | point | (code == 0))
        bad |= (digits > 2) | (colon & (part > 59) & (colons > 0))
        total = np.where(colon, (total + part) * 60, total)
        part, digits = np.where(colon, 0.0, part), np.where(colon, 0, digits).astype(np.int8)
        colons += colon
        scale = np.where(point, 0.1, scale)
    bad |= (part >= 61) | (digits == 0) | (colons < 1) | (colons > 2)
    return total + part, colons, bad


def character_codes(texts: np.ndarray) -> np.ndarray:
    """Return the characters of (n,) texts as (n, longest) code points; 0 past the end."""
    texts = np.ascontiguousarray(texts)
    width = texts.dtype.itemsize // 4
    codes = texts.view(np.uint32).reshape(len(texts), width) if width else np.zeros((len(texts), 0), np.uint32)
    return codes[:, : int(np.count_nonzero(codes.any(axis=0)))]


def strip_texts(texts: np.ndarray) -> np.ndarray:
    """Return (n,) texts without blanks around them; most columns have none, which is quickly seen."""
    codes = character_codes(texts)
    lead = next((k for k in range(codes.shape[1]) if np.any(codes[:, k] != ord(" "))), codes.shape[1])
    if lead == codes.shape[1]:
        return np.full(len(texts), "")
    if lead:
        codes = np.ascontiguousarray(codes[:, lead:])
        texts = codes.view(f"U{codes.shape[1]}").reshape(-1)
    last = codes[np.arange(len(codes)), np.maximum(np.count_nonzero(codes, axis=1) - 1, 0)]
    around = np.concatenate([codes[:, 0], last])
    return np.char.strip(texts) if np.any((around > 0) & (around <= 32)) else texts


def _cut_half_day(texts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return texts without AM/PM, and per text -1 (no such word), 0 (AM) or 1 (PM)."""
    half = np.full(len(texts), -1, np.int8)
    if not np.any((character_codes(texts) | 32) == ord("m")):
        return texts, half
    lower = np.char.replace(np.char.lower(texts), ".m.", "m")
    for value, word in enumerate(("am", "pm")):
        half[np.char.endswith(lower, word)] = value
    return np.where(half >= 0, np.char.strip(np.char.rstrip(lower, "apm")), texts), half


def _apply_half_day(seconds: np.ndarray, half: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    hour = np.floor(seconds / 3600)
    bad = (half >= 0) & ((hour < 1) | (hour > 12))
    shift = np.where(half == 1, 12, 0) - np.where((half >= 0) & (hour == 12), 12, 0)
    return seconds + 3600 * shift, bad


def split_date_time(texts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the dates and the clock times of (n,) texts; the offset from universal time is cut off."""
    codes = character_codes(texts)
    if codes.shape[1] >= 16 and np.all((codes[:, 10] == ord("T")) | (codes[:, 10] == ord(" "))):
        clocks = np.ascontiguousarray(codes[:, 11:])
        if not np.any((clocks > ord(":")) | (clocks == ord("+")) | (clocks == ord("-")) | (clocks == ord(" "))):
            dates = np.ascontiguousarray(codes[:, :10])
            return dates.view("U10").reshape(-1), clocks.view(f"U{clocks.shape[1]}").reshape(-1)
    matches = [DATE_TIME.match(text.strip()) for text in texts.tolist()]
    without_zone = [re.sub(r"(Z|[+-]\d{2}:?(\d{2})?)$", "", m[2].strip()) if m else "" for m in matches]
    return np.array([m[1] if m else "" for m in matches], dtype=str), np.array(without_zone, dtype=str)


def parse_dates(texts: np.ndarray, form: str = "") -> tuple[np.ndarray, np.ndarray]:
    """Return (day numbers, which are bad) of (n,) texts; NaN where empty or bad.

    Without ``form`` the notation is the one that ``guess_date_format`` gives.
    """
    texts = strip_texts(np.asarray(texts, dtype=str))
    starts, run = runs_of_equals(texts)
    distinct = [str(text) for text in texts[starts]]
    form = form or guess_date_format([text for text in distinct if text])
    days = np.array([_day(text, form) for text in distinct], dtype=float)[run]
    return days, np.isnan(days) & (texts != "")


def guess_date_format(texts: list[str]) -> str:
    """Return the ``strptime`` format that fits most of the texts; of several, the one that spans the fewest days.

    Examples
    --------
    >>> guess_date_format(["03/05/2024", "03/06/2024"]), guess_date_format(["03/05/2024", "04/05/2024"])
    ('%m/%d/%Y', '%d/%m/%Y')
    """
    texts = list(dict.fromkeys(texts))

    def misfit(form: str) -> tuple[int, float]:
        days = [day for day in (_day(text, form) for text in texts) if day == day]
        return len(texts) - len(days), max(days) - min(days) if days else 0.0

    return min(DATE_FORMATS, key=misfit)


def _day(text: str, form: str) -> float:
    try:
        return float(datetime.strptime(text, form).toordinal())
    except ValueError:
        return np.nan


def _by_strptime(texts: np.ndarray, form: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    dated = any(f"%{letter}" in form for letter in "djxc")

    def parse(text: str) -> tuple[float, float]:
        try:
            moment = datetime.strptime(text.strip().replace(",", "."), form.replace(",", "."))
        except ValueError:
            return np.nan, np.nan
        clock = moment.hour * 3600 + moment.minute * 60 + moment.second + moment.microsecond / 1e6
        return clock, float(moment.toordinal()) if dated else np.nan

    starts, run = runs_of_equals(texts)
    both = np.array([parse(str(text)) for text in texts[starts]]).reshape(-1, 2)[run]
    return both[:, 0], both[:, 1], np.isnan(both[:, 0]) & (strip_texts(texts) != "")


def runs_of_equals(texts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where runs of equal neighbours start, and for each text the number of its run."""
    new = np.ones(len(texts), bool)
    new[1:] = texts[1:] != texts[:-1]
    return np.flatnonzero(new), np.cumsum(new) - 1


def since_first_midnight(seconds: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Return (n,) seconds since midnight of the first day, growing over midnight.

    Parameters
    ----------
    seconds : (n,) float
        Since midnight of each day; NaN where unknown.
    days : (n,) float
        Day numbers; all NaN = no dates, then a fall by more than half a day is taken as midnight.
    """
    known = np.isfinite(seconds)
    dated = known & np.isfinite(days)
    if np.any(dated):
        return seconds + (days - days[dated][0]) * DAY_S
    values = seconds[known]
    grown = seconds.copy()
    if len(values):
        nights = np.concatenate([[0], np.cumsum(np.diff(values) < -DAY_S / 2)])
        grown[known] = values + (nights - np.floor(values[0] / DAY_S)) * DAY_S
    return grown
