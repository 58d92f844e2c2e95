"""Times and dates as loggers write them, turned into seconds since midnight and day numbers."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Optional

import numpy as np

DAY_S = 86400.0
"""Seconds of a day. Source: International System of Units, table of non-SI units accepted for use with it (from
memory)."""
UNIT_S = {"min": 60.0, "h": 3600.0, "day": DAY_S, "0.1 s": 0.1, "0.01 s": 0.01, "us": 1e-6, "ns": 1e-9}
"""Seconds of a unit. Source: as ``DAY_S``."""
JULIAN_DAYS = 2e6
"""Days counted from noon, as astronomers do, are larger. Derived: 2,440,587.5 is the beginning of 1970, and days
counted from other years are fewer."""
FIRST_YEAR = 1970
"""Dates of four digits for the year are later (common practice, no source): no logger is older."""
DATE_FORMATS = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y",
    "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%b-%Y", "%d %b %Y", "%d%m%y", "%y%m%d", "%d%m%Y", "%m%d%Y", "%Y-%j", "%Y%j",
    "%j",
)  # fmt: skip
ZONE = re.compile(r":\d{2}(?:[.,]\d*)? ?(?:(Z)|([+-])(\d{2}):?(\d{2})?)$")
ALIKE = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{0,9}))?)?$")
DATE_TIME = re.compile(r"^(\d\S*?(?: [A-Za-z]{3} \d{4})?)[T ]+(\d{1,2}:\d{2}.*)$")


def parse_times(
    texts: np.ndarray, form: str, date_form: str = "", zone: float = np.nan
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times from texts.

    Parameters
    ----------
    texts : (n,) str
        Empty = unknown.
    form : str
        ``HH:MM:SS`` (seconds, fractions and AM/PM may be there or not), ``MM:SS``, ``date-time`` or a ``strptime``
        format.
    date_form : str
        How the date of a ``date-time`` is written; see ``parse_dates``.
    zone : float
        Offset from universal time, seconds, that the clock has at the beginning of the log; where it is set to another
        one later, the times go on in the first. NaN = the texts say no offset.

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
    if form in ("HH:MM:SS", "MM:SS"):
        seconds, bad = clock_seconds(texts) if form == "HH:MM:SS" else _minutes_and_seconds(strip_texts(texts))
        return seconds, np.full(len(texts), np.nan), bad
    if form != "date-time":
        return _by_strptime(texts, form)
    dates, clocks = split_date_time(texts)
    seconds, _ = clock_seconds(clocks)
    days, _ = parse_dates(dates, date_form)
    if np.isfinite(zone):
        zones = zone_seconds(texts)
        seconds = seconds - np.where(np.isnan(zones), 0.0, zones - zone)
    unknown = np.isnan(seconds) | np.isnan(days)
    return seconds, days, unknown & (strip_texts(texts) != "")


def number_seconds(values: np.ndarray, form: str) -> np.ndarray:
    """Return (n,) seconds from numbers in one of ``NUMBER_FORMATS``; NaN where the clock has no such time."""
    if form == "s":
        return values
    if form == "ms":
        return values / 1000
    if form == "day":
        values = values + np.where(values > JULIAN_DAYS, 0.5, 0.0)
    if form in UNIT_S:
        return values * UNIT_S[form]
    if form == "HHMM":
        values = values * 100
    hours, within = np.divmod(values, 10000)
    minutes, seconds = np.divmod(within, 100)
    return np.where((minutes < 60) & (seconds < 61), hours * 3600 + minutes * 60 + seconds, np.nan)


def _minutes_and_seconds(texts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (seconds, which are bad) of texts such as ``05:10.2``; minutes may go on over 59."""
    minutes, _, seconds = np.char.partition(texts, ":").T
    count = np.array([int(text) if text.isdigit() else 0 for text in minutes.tolist()], float)
    within, bad = clock_seconds(np.where(texts == "", "", np.char.add("0:00:", seconds)))
    bad |= (texts != "") & ~np.char.isdigit(minutes)
    return np.where(bad, np.nan, 60 * count + within), bad


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
    # Rows with gaps keep the decimal comma of their log, others have a point by now.
    codes = np.where(codes == ord(","), ord("."), codes)
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


def zone_seconds(texts: np.ndarray) -> np.ndarray:
    """Return (n,) offsets of clocks from universal time in seconds; NaN where a text has none.

    Examples
    --------
    >>> zone_seconds(np.array(["2024-05-03T09:30:00+01:00", "2024-05-03T09:30:00Z", "2024-05-03T09:30:00"])).tolist()
    [3600.0, 0.0, nan]
    """

    def zone(text: str) -> float:
        match = ZONE.search(text)
        if match is None:
            return np.nan
        size = 0.0 if match[1] else int(match[3]) * 3600.0 + int(match[4] or 0) * 60.0
        return -size if match[2] == "-" else size

    return np.array([zone(text.strip()) for text in texts.tolist()], dtype=float)


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
        moment = datetime.strptime(text, form)
    except ValueError:
        return np.nan
    return float(moment.toordinal()) if "%Y" not in form or moment.year >= FIRST_YEAR else np.nan


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


def over_full_hours(seconds: np.ndarray) -> np.ndarray:
    """Return (n,) seconds of a clock without hours as seconds that grow over its full hours; NaN stays."""
    known = np.isfinite(seconds)
    grown = seconds.copy()
    if np.any(known):
        falls = np.diff(seconds[known]) < -1800
        grown[known] += 3600 * np.concatenate([[0], np.cumsum(falls)])
    return grown


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
