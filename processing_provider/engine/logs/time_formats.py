"""How times are written: the words of a layout for it, and what the first rows of a log show."""

from __future__ import annotations

import re

import numpy as np

from ..core import EngineError
from .timestamps import DAY_S

LEAST_STEP_MS = 20
"""Whole numbers that grow by at least this from reading to reading are milliseconds. Derived: as milliseconds they are
50 readings a second or fewer, as seconds a reading every 20 s, which nobody walks with."""
LEAST_MINUTES = 3
"""Minutes that clocks without signs must show (common practice, no source): seconds that happen to look like a clock
do not do so for long."""
NUMBER_FORMATS = ("s", "ms", "day", "HHMMSS", "min", "h", "us", "ns", "0.1 s", "0.01 s", "HHMM")
TEXT_FORMATS = ("HH:MM:SS", "MM:SS", "date-time")
SYNONYMS = {
    **dict.fromkeys(("second", "seconds", "sec", "secs"), "s"),
    **dict.fromkeys(("millisecond", "milliseconds", "msec", "millis"), "ms"),
    **dict.fromkeys(("microsecond", "microseconds", "µs", "usec", "micros"), "us"),
    **dict.fromkeys(("nanosecond", "nanoseconds", "nsec", "nanos"), "ns"),
    **dict.fromkeys(("tenths", "ds", "1/10 s"), "0.1 s"),
    **dict.fromkeys(("hundredths", "cs", "1/100 s"), "0.01 s"),
    **dict.fromkeys(("minute", "minutes", "mins"), "min"),
    **dict.fromkeys(("hour", "hours", "hr", "hrs"), "h"),
    **dict.fromkeys(("days", "d", "day fraction", "fraction of a day"), "day"),
    **dict.fromkeys(("clock", "h:mm:ss", "hh:mm", "hh:mm:ss", "hh:mm:ss.s", "hh:mm:ss.sss"), "HH:MM:SS"),
    **dict.fromkeys(("m:ss", "mm:ss", "mm:ss.s"), "MM:SS"),
    **dict.fromkeys(("datetime", "date time", "date_time", "timestamp", "iso", "iso8601", "iso 8601"), "date-time"),
    "hhmmss": "HHMMSS",
    "hhmm": "HHMM",
}
"""Other words for the formats of times, in small letters."""
LARGEST_DAY_STEP = 0.005
"""Numbers that grow by less from reading to reading are no seconds, and days if they are below 1 or as large as day
numbers of today. Derived: 0.005 days are seven minutes, and in seconds 200 readings a second, which no log of a walk
has."""
STEP_LIMITS = ((1.1e-5, "day"), (4.3e-4, "h"), (np.inf, "min"))
"""Median step of other such numbers below which they are days, hours or minutes. Derived: between five readings a
second in each unit (0.2 s are 2.3e-6 days, 5.6e-5 h and 3.3e-3 min), the geometric mean."""
NAMED_TIMES = (
    ("us", re.compile(r"(?i)(^|[^a-z/])([uµμ]s|[uµμ]sec|micros(econds)?)\W*$")),
    ("ns", re.compile(r"(?i)(^|[^a-z/])(ns|nsec|nanos(econds)?)\W*$")),
    ("0.1 s", re.compile(r"(?i)(^|\W)((0[.,]1|1/10) ?s(ec)?|ds|tenths?( of seconds?)?)\W*$")),
    ("0.01 s", re.compile(r"(?i)(^|\W)((0[.,]01|1/100) ?s(ec)?|cs|hundredths?( of seconds?)?)\W*$")),
    ("ms", re.compile(r"(?i)(^|[^a-z/])(ms|msec|millis|milliseconds)\W*$")),
    ("HHMMSS", re.compile(r"(?i)hh_?mm_?ss")),
    ("HHMM", re.compile(r"(?i)(^|[\W_])hh_?mm\W*$")),
    ("min", re.compile(r"(?i)(^|[\W_])(min|mins|minutes|minuten)\W*$")),
    ("h", re.compile(r"(?i)(^|[\W_])(h|hrs?|hours?|std|stunden)\W*$")),
    ("day", re.compile(r"(?i)(^|[\W_])(d|days?|tage|doy|jday)\W*$")),
)
"""Formats of times that are numbers, by the end of a header's name."""
DAY = r"(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])"
COLON_CLOCK = re.compile(r"^([01]?\d|2[0-3]):[0-5]\d:[0-5]\d:\d{3}$")
OTHER_CLOCKS = (
    (COLON_CLOCK, "%H:%M:%S:%f"),
    *(
        (re.compile(rf"^{date}{part}([01]\d|2[0-3])[0-5]\d[0-5]\d{fraction}$"), f"{form}{part}%H%M%S{f}")
        for date, form in ((rf"(?:19|20)\d\d{DAY}", "%Y%m%d"), (rf"\d\d{DAY}", "%y%m%d"))
        for part in ("", "T")
        for fraction, f in (("", ""), (r"\.\d{1,6}", ".%f"), ("Z", "Z"), (r"\.\d{1,6}Z", ".%fZ"))
    ),
    *(
        (re.compile(rf"^([01]?\d|2[0-3]){a}[0-5]\d{b}[0-5]\d{fraction}{c}$"), f"%H{x}%M{y}%S{f}{z}")
        for a, b, c, x, y, z in (
            (r"\.", r"\.", "", ".", ".", ""),
            ("-", "-", "", "-", "-", ""),
            *(("h", "m", end, "h", "m", end) for end in ("", "s")),
        )
        for fraction, f in (("", ""), (r"[.,]\d{1,6}", ".%f"))
    ),
)
"""Clocks without colons, also behind a date, or with one before the milliseconds, and their formats of ``strptime``."""
STAMP = re.compile(rf"^(?:19|20)\d\d{DAY}T([01]\d|2[0-3])[0-5]\d[0-5]\d(\.\d{{1,6}})?Z?$")
"""Date and clock without signs, with a T between them."""
DAY_NUMBERS = (20000.0, 80000.0)
"""Derived: counted from 1900, as spreadsheets do, they are the days from 1954 to 2119."""
CLOCK = re.compile(r"^\d{1,2}:\d{2}(:\d{2}([.,]\d*)?)?\s*([ap]\.?m\.?)?$", re.IGNORECASE)
MINUTES = re.compile(r"^\d{1,2}:[0-5]\d[.,]\d+$")
CLOCK_FORMAT = re.compile(r"(?:(%[dmyYj]\S*)[T ])?%[HI]:%M(:%S([.,]%f)?)?( ?%p)?Z?")


def check_time_format(text: str, what: str = "a time") -> str:
    """Return the format of a time if it is empty, a word of this module or a format of ``strptime``."""
    text = SYNONYMS.get(text.strip().lower(), text)
    if text and text not in (*NUMBER_FORMATS, *TEXT_FORMATS) and "%" not in text:
        raise EngineError(
            f"Invalid format of {what}: {text!r} was given. It must be one of: "
            f"{', '.join((*NUMBER_FORMATS, *TEXT_FORMATS))} (or seconds, milliseconds, minutes, hours, days, clock, "
            "datetime), "
            "or a format with % signs such as %H:%M:%S."
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
    reading are milliseconds (by 1,000 times as much microseconds, and again nanoseconds); all others are seconds.

    Examples
    --------
    >>> guess_time_format(["09:30:00", "09:30:01"]), guess_time_format(["2024-05-03T09:30:00"])
    ('HH:MM:SS', 'date-time')
    >>> guess_time_format(["093059", "093100"]), guess_time_format(["1000", "1125"]), guess_time_format(["0.5", "1.5"])
    ('HHMMSS', 'ms', 's')
    """
    texts = [t.strip() for t in texts]
    form = next((form for clock, form in OTHER_CLOCKS if texts and all(map(clock.match, texts))), "")
    if form:
        return form
    colon = next((t for t in texts if ":" in t), None)
    if colon is not None:
        if all(MINUTES.match(t) for t in texts if t):
            return "MM:SS"
        return "HH:MM:SS" if CLOCK.match(colon) else "date-time"
    numbers = [t.replace(",", ".") for t in texts if re.fullmatch(r"\d+([.,]\d*)?", t)]
    values = np.array(numbers, dtype=float)
    if _reads_as_hhmmss(numbers, values):
        return "HHMMSS"
    steps = np.diff(values)
    steps = steps[steps > 0]
    if len(steps) and np.median(steps) < LARGEST_DAY_STEP:
        step = float(np.median(steps))
        return "day" if _are_days(values) else next(form for limit, form in STEP_LIMITS if step < limit)
    if not len(steps) or not np.all(values == np.floor(values)):
        return "s"
    step = float(np.median(steps))
    return next(
        (form for form, per_ms in (("ns", 1e6), ("us", 1e3), ("ms", 1.0)) if step >= LEAST_STEP_MS * per_ms), "s"
    )


def named_time_format(name: str, texts: list[str]) -> str:
    """Return how times are written: numbers by the end of their name, all others by the texts."""
    found = guess_time_format(texts)
    numbers = found in NUMBER_FORMATS
    return next((form for form, ending in NAMED_TIMES if numbers and ending.search(name)), found)


def _are_days(values: np.ndarray) -> bool:
    return bool(values.max() < 1 or (values.min() >= DAY_NUMBERS[0] and values.max() < DAY_NUMBERS[1]))


def _reads_as_hhmmss(texts: list[str], values: np.ndarray) -> bool:
    whole = np.floor(values)
    if not len(values) or np.any(whole % 100 >= 60) or np.any(whole // 100 % 100 >= 60) or whole.max() >= 240000:
        return False
    padded = all(len(t.split(".")[0]) == 6 for t in texts)
    # No day has as many seconds as 86,400, and seconds that run on fill the places of minutes.
    beyond = whole.min() >= DAY_S and len(np.unique(whole // 100)) >= LEAST_MINUTES
    return padded or beyond or (whole.min() >= 10000 and len(np.unique(whole)) > 60)
