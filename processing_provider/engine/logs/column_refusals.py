"""Columns of a log that cannot be known, or that mix what does not belong together: refused with row and remedy."""

from __future__ import annotations

import re
from collections import Counter
from typing import Sequence

import numpy as np

from ..core import EngineError
from .column_roles import Role, as_numbers, role_by_name
from .dialect import LINE_WORDS, MISSING_WORDS, Shape
from .fields import is_number, shorten
from .recordings import EVEN

JOINED = re.compile(r"[^\W\d]*\d+\s*[/:|_-]\s*[+-]?\d+|[^\W\d]+\d+\s*[^\W\d]+\s*[+-]?\d+")
"""Line and station in one text, such as ``3/17`` or ``L03P017``."""
APOSTROPHE = re.compile(r"[+-]?\d{1,3}['\u2019]\d{3}")
LABEL = re.compile(r"([^\W\d]*)[\s_.-]*(\d{1,9})")
"""The number of a line, perhaps with letters before it."""
EVERY = 0.9
"""A log is in long form when so large a fraction of its places has as many rows (common practice, no source): a row may
be damaged."""
CLOCK_AMONG = re.compile(r"[\d\s.,;/+-]*\d[\s.,;/+-]+\d{1,2}:\d{2}:\d{2}[\d\s.,:;/+-]*")
"""A clock with other numbers before it, in one text."""
VARIED = 0.5
"""Labels of places differ in at least this fraction of the rows (common practice, no source)."""
MANY = 0.1
"""Lines without a whole number are no slips when more than this fraction of the rows has one (common practice, no
source)."""
TAILED = re.compile(r"[+-]?\d+[.,]\d+\s*[^\d\s.,:/-]\S*")
"""A decimal number with letters or signs behind it."""
THOUSANDS = re.compile(r"-?[1-9]\d{0,2}(,\d{3})+")
SUFFIXED = re.compile(r"[^\W\d]*[\s_.-]*\d+[\s_.-]*(?![NSEWnsew]$)([^\W\d]{1,3}|[*'+]+)")
"""A line with something behind its number that is no direction, such as ``3A``."""
FEWEST_LABELLED = 3
"""Readings of a line with such a label that are no slip (common practice, no source)."""
SETTING_WORDS = (
    {"ms/m", "s/m", "ds/m", "us/cm", "µs/cm", "μs/cm", "ms/cm", "mmho/m", "ppt", "ppm", "ohm m", "ohmm", "ωm", "ohm.m"},
    {"q", "p", "i", "ip", "quad", "quadrature", "inphase", "in-phase", "cond", "conductivity", "ec", "eca", "susc"},
    {"hcp", "vcp", "prp", "hmd", "vmd", "hdm", "vdm", "hd", "vd", "hcp-vcp", "h", "v", "horizontal", "vertical"},
)
"""Units, parts of the response and orientations of coils, in small letters: no channel has two."""
SETTING_NAMES = re.compile(
    r"(?i)^(coil|range|gain|spacing|separation|sep|freq|frequency|frequenz|spulen?abstand)s?\b(?![\s_]*h)"
)
"""Beginnings of the names of columns with the distance of the coils, the frequency or the range."""
HEIGHT_NAMES = re.compile(r"(?i)^(coil[ _])?(height|höhe|hoehe|hauteur|altezza|altura|hgt)\b")
LARGEST_HEIGHT_M = 3.0
"""Nobody carries coils higher (common practice, no source): other heights are those of the ground."""
MOST_CHANGES = 0.1
"""Settings change at fewer than this fraction of the readings (common practice, no source): by hand, between lines."""
FEW = 4
"""Settings of a logger that a log may have (common practice, no source): more are values."""
NUMBERED = re.compile(rf"(?:{LINE_WORDS})[\s_.-]*(\d{{1,9}})", re.IGNORECASE)
"""Name of a column for one line, such as ``L3``."""


def check_columns(
    columns: Sequence[Sequence[str]],
    names: Sequence[str],
    roles: Sequence[Role],
    rows: Sequence[str],
    shape: Shape,
    name: str,
) -> None:
    """Raise EngineError when what the columns hold cannot be known, or cannot be read."""
    _check_names_above(columns, names, shape, name)
    _check_lines_beside(names, roles, shape, name)
    _check_joined(columns, roles, shape, name)
    _check_long_form(columns, roles, shape, name)
    _check_values(columns, roles, shape, rows, name)
    _check_labels(columns, roles, shape, name)
    _check_whole_lines(columns, roles, shape, name)
    _check_tails(columns, roles, shape, rows, name)
    _check_apostrophes(roles, shape, rows, name)
    _check_settings(columns, names, roles, shape, name)
    _check_sums(columns, roles, shape, name)


def _check_joined(columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, name: str) -> None:
    """Raise EngineError when a column that is of no use holds line and station in one text, such as ``3/17``."""
    for texts, role in zip(columns, roles):
        if role.role or len(set(texts)) < VARIED * len(texts):
            continue
        if sum(bool(CLOCK_AMONG.fullmatch(text)) for text in texts) > EVERY * len(texts):
            raise EngineError(
                f"In {name}, row {shape.data[0] + 1} holds a clock among other numbers in one value "
                f"({shorten(texts[0])}). Export the log with another delimiter, such as ';', or give its layout."
            )
        if sum(bool(JOINED.fullmatch(text)) for text in texts) > EVERY * len(texts):
            raise EngineError(
                f"In {name}, row {shape.data[0] + 1} holds two numbers in one value ({shorten(texts[0])}), probably "
                "line and station. Export them in two columns, or replace the sign between them by the delimiter."
            )


def _check_long_form(columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, name: str) -> None:
    """Raise EngineError when each place has a row for every coil pair, which a column names."""
    places = [texts for texts, role in zip(columns, roles) if role.role in ("line", "station", "time")]
    fixed = [role.role for role in roles if role.role in ("station", "time")]
    if not fixed:
        return
    keys = list(zip(*places))
    new = [0, *(i for i in range(1, len(keys)) if keys[i] != keys[i - 1])]
    sizes = np.diff([*new, len(keys)])
    size = int(np.median(sizes))
    whole = [start for start, count in zip(new, sizes) if count == size]
    if size < 2 or len(whole) < EVERY * len(new) or len(new) < 3:
        return
    for k, (texts, role) in enumerate(zip(columns, roles), 1):
        groups = {tuple(sorted(texts[start : start + size])) for start in whole}
        if role.role in ("channel", "") and len(groups) == 1 and len(set(groups.pop())) == size:
            first = shape.data[0]
            raise EngineError(
                f"In {name}, rows {first + 1} to {first + size} belong to one place and differ by column {k} "
                f"({', '.join(map(shorten, texts[:size]))}): a row for each coil pair. Export the log with a row for "
                "each reading and the coil pairs in columns beside each other."
            )


def _check_labels(columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, name: str) -> None:
    """Raise EngineError when lines have labels that differ in their letters only, such as ``L1`` and ``T1``."""
    for k, (texts, role) in enumerate(zip(columns, roles), 1):
        if role.role != "line":
            continue
        _check_suffixes(texts, shape, k, name)
        labels: dict[int, tuple[str, str]] = {}
        counts = Counter(texts)
        some = any(text.isdigit() for text in counts)
        for text, count in counts.items():
            match = LABEL.fullmatch(text)
            # Among numbers, a letter before one or two is damage.
            if match is None or (some and count < FEWEST_LABELLED):
                continue
            letters, other = labels.setdefault(int(match[2]), (match[1], text))
            if letters.lower() != match[1].lower():
                first, second = (shape.data[texts.index(one)] + 1 for one in (other, text))
                raise EngineError(
                    f"In {name}, column {k} has two lines of number {int(match[2])}: {other} in row {first} "
                    f"and {shorten(text)} in row {second}. Give each line a number of its own, such as 101."
                )


def _check_suffixes(texts: Sequence[str], shape: Shape, number: int, name: str) -> None:
    """Raise EngineError when lines have something behind their number that is no direction (``3A``), or no number."""
    counts = Counter(texts)
    words = [text for text in counts if text and not re.search(r"\d", text) and not MISSING_WORDS.match(text)]
    odd = [*filter(SUFFIXED.fullmatch, counts), *words]
    first = next((text for text in odd if counts[text] >= FEWEST_LABELLED), "")
    if first:
        row = shape.data[texts.index(first)] + 1
        raise EngineError(
            f"In {name}, column {number} has a line {shorten(first)} in row {row}, which is no number. "
            "Give each line a number of its own, such as 103, in a copy of the log."
        )


def _check_whole_lines(columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, name: str) -> None:
    """Raise EngineError when lines have numbers such as 1.5, which are no whole ones."""
    for k, (texts, role) in enumerate(zip(columns, roles), 1):
        if role.role != "line":
            continue
        broken = [(i, text) for i, text in zip(shape.data, texts) if is_number(text) and float(text) % 1]
        if len(broken) > MANY * len(texts):
            raise EngineError(
                f"In {name}, column {k} numbers lines with fractions: {broken[0][1]} in row {broken[0][0] + 1}. Give "
                "each line a whole number, and say in the register or the notes where it lies."
            )


def _check_tails(
    columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, rows: Sequence[str], name: str
) -> None:
    """Raise EngineError when a column that is left out holds decimal numbers with something behind each."""
    for k, (texts, role) in enumerate(zip(columns, roles), 1):
        tailed = sum(bool(TAILED.fullmatch(text)) for text in texts)
        if role.role == "" and role.why.endswith("words") and tailed > EVERY * len(texts) and len(set(texts)) > 2:
            row = shape.data[0]
            raise EngineError(
                f"In {name}, the values in column {k} have something behind their number: {shorten(texts[0])} in row "
                f"{row + 1} ({shorten(rows[row])}). Export the log with the numbers alone."
            )


def _check_apostrophes(roles: Sequence[Role], shape: Shape, rows: Sequence[str], name: str) -> None:
    """Raise EngineError when an apostrophe before three digits in all values may part thousands or decimals."""
    if not any("'" in rows[i] or "\u2019" in rows[i] for i in shape.data):
        return
    table = [(i, shape.split(rows[i])) for i in shape.data]
    for k, role in enumerate(roles):
        texts = [fields[k] for _, fields in table if len(fields) > k and fields[k]]
        if role.role == "channel" and texts and all(map(APOSTROPHE.fullmatch, texts)):
            raise EngineError(
                f"In {name}, the values in column {k + 1} have an apostrophe before their last three digits "
                f"({shorten(texts[0])} in row {table[0][0] + 1}): thousands or decimals, which cannot be known. Export "
                "the log with a decimal point and without thousands."
            )


def _check_values(
    columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, rows: Sequence[str], name: str
) -> None:
    """Raise EngineError for commas at thousands beside decimal points, and for AM and PM in a column of their own."""
    for k, (texts, role) in enumerate(zip(columns, roles), 1):
        halves = {text.lower().replace(".", "") for text in texts if text}
        if role.role == "" and halves and halves <= {"am", "pm"} and halves != {"am"}:
            raise EngineError(
                f"In {name}, column {k} holds AM and PM apart from the clock (row {shape.data[0] + 1}: "
                f"{shorten(rows[shape.data[0]])}). Export the log with the clock in one column, or with 24 hours."
            )
        if role.role != "channel" or shape.decimal != ",":
            continue
        written = [shape.split(rows[i])[k - 1] for i in shape.data if len(shape.split(rows[i])) >= k]
        marked = [text for text in written if "," in text]
        if marked and len(marked) < len(written) and all(THOUSANDS.fullmatch(text) for text in marked):
            small = max((abs(float(text)) for text in written if re.fullmatch(r"-?\d+", text)), default=0.0)
            if small >= 100:
                raise EngineError(
                    f"In {name}, column {k} seems to have commas at thousands ({shorten(marked[0])}), beside numbers "
                    f"without (row {shape.data[0] + 1}: {shorten(rows[shape.data[0]])}). Export the log without them."
                )


def _check_names_above(columns: Sequence[Sequence[str]], names: Sequence[str], shape: Shape, name: str) -> None:
    """Raise EngineError when a name stands above an empty column, beside a column without name that is full."""
    for k, (text, values) in enumerate(zip(names, columns)):
        if not text or any(values):
            continue
        beside = [j for j in (k - 1, k + 1) if 0 <= j < len(columns) and not names[j] and all(columns[j])]
        if beside and (role_by_name(text) or Role("")).role:
            raise EngineError(
                f"In {name}, {shorten(text)} names column {k + 1}, which is empty, and column {beside[0] + 1} has "
                f"values and no name (from row {shape.data[0] + 1} on). Put the names above their columns in a copy of "
                "the log, or give its layout."
            )


def _check_lines_beside(names: Sequence[str], roles: Sequence[Role], shape: Shape, name: str) -> None:
    """Raise EngineError when lines stand beside each other: the same names again, or a column for each line."""
    known = [text.strip().lower() for text in names if text.strip()]
    half = next((n for n in range(2, len(known) // 2 + 1) if known == known[:n] * (len(known) // n)), 0)
    again = half and any(role.role in ("line", "station", "time") for role in map(role_by_name, known[:half]) if role)
    numbers = [match and int(match[1]) for match in map(NUMBERED.fullmatch, known)]
    counted = [number for number in numbers if number is not None]
    wide = len(counted) >= FEWEST_LABELLED and counted == list(range(counted[0], counted[0] + len(counted)))
    # Beside a channel, T1 to T3 are temperatures.
    wide = wide and not any(role.role == "channel" for role in map(role_by_name, known) if role)
    if again or (wide and not any(role.role == "line" for role in roles)):
        raise EngineError(
            f"In {name}, lines stand beside each other in the same rows (from row {shape.data[0] + 1} on; the names "
            f"are {shorten(', '.join(known))}). Put them below each other in a copy, with a column for the line."
        )


def _check_settings(
    columns: Sequence[Sequence[str]], names: Sequence[str], roles: Sequence[Role], shape: Shape, name: str
) -> None:
    """Raise EngineError when a column says that unit, orientation or distance of the coils change within the log."""
    for k, (texts, role) in enumerate(zip(columns, roles)):
        if role.role not in ("", "channel") or not 1 < len(set(texts)) <= 2 * FEW:
            continue
        known = list(dict.fromkeys(text.lower() for text in texts if text))
        if not 1 < len(known) <= FEW:
            continue
        words = any(set(known) <= some for some in SETTING_WORDS)
        if words or _is_setting(names[k], texts, known):
            first, at = (next(i for i, text in enumerate(texts) if text.lower() == one) for one in known[:2])
            raise EngineError(
                f"In {name}, column {k + 1} changes from {shorten(texts[first])} to {shorten(texts[at])} in row "
                f"{shape.data[at] + 1}: readings of different settings would be mixed in one channel. Make a log of "
                "each, or put the channels into columns beside each other."
            )


def _is_setting(title: str, texts: Sequence[str], known: Sequence[str]) -> bool:
    """Return whether a column holds a few numbers that a person sets, as its name says."""
    if not all(map(is_number, known)) or sum(a != b for a, b in zip(texts, texts[1:])) > MOST_CHANGES * len(texts):
        return False
    low = max(map(float, known)) < LARGEST_HEIGHT_M
    return bool(SETTING_NAMES.match(title) or (HEIGHT_NAMES.match(title) and low))


def _check_sums(columns: Sequence[Sequence[str]], roles: Sequence[Role], shape: Shape, name: str) -> None:
    """Raise EngineError when most lines have a row of sums: a last one without time, or a first one out of count."""
    at = {role.role: k for k, role in enumerate(roles)}
    if "line" not in at or "time" not in at:
        return
    lines, times = columns[at["line"]], columns[at["time"]]
    ends = [i for i in range(len(lines)) if i + 1 == len(lines) or lines[i + 1] != lines[i]]
    blank = [i for i, text in enumerate(times) if not text]
    starts = [0, *(end + 1 for end in ends[:-1])]
    if "station" in at and not blank:
        blank = [i for i in _out_of_count(columns[at["station"]], lines, starts) if times[i] == times[i + 1]]
    if len(blank) > 1 and set(blank) <= {*starts, *ends} and 2 * len(blank) > len(ends):
        raise EngineError(
            f"In {name}, row {shape.data[blank[0]] + 1} and {len(blank) - 1} more end or begin a line and are no "
            "readings: probably sums of the lines. Delete these rows in a copy of the log, or put # before each."
        )


def _out_of_count(station: Sequence[str], lines: Sequence[str], starts: Sequence[int]) -> list[int]:
    """Return which first rows of lines are out of their count, where lines are counted evenly and some start far off.

    The metres of a wheel are uneven throughout, and who stands still at the start is not far off.
    """
    steps = np.abs(np.diff(as_numbers(station)))
    within = [i for i in range(len(lines) - 2) if lines[i : i + 3] == [lines[i]] * 3]
    uneven = [i for i in within if abs(steps[i] - steps[i + 1]) > EVEN * steps[i + 1]]
    first = [i for i in uneven if i in set(starts)]
    even = len(uneven) - len(first) < (1 - EVERY) * len(within)
    # Where one reading was lost it is two steps.
    return first if even and any(steps[i] > 2 * steps[i + 1] for i in first) else []
