"""What the columns of a log hold: by their names where they have any, else by how their values behave."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from .fields import is_number
from .number_courses import (
    LEAST_GROWTH,
    SAME_RANGE,
    STEADY,
    changes_seldom,
    counts_again,
    counts_along,
    counts_on,
    grows_again,
    never_falls,
    only_grows,
    runs_along,
    steps_between,
    turn_together,
)
from .plan import LONGEST_TEXT
from .recordings import EVEN
from .time_formats import CLOCK, COLON_CLOCK, STAMP, guess_time_format
from .timestamps import DATE_TIME, guess_date_format, parse_dates

ROLE_WORDS = {
    "line": "line lineno linenumber linenr line_id traverse trav transect profile linie zeile profil ligne linea línea "
    "perfil lijn linje linia rivi sor ln lin fila spur bahn track trace lane trasse messlinie messspur vonal reihe",
    "run": "run pass recording lauf wiederholung",
    "station": "station stn sta stat stationno reading_no point pointno punkt estacion estación stazione estação "
    "statie stanowisko meßpunkt messpunkt meetpunt mp pkt punto ponto bod piste pos position distance dist distanz "
    "distancia distância distanza entfernung abstand chainage metre meter metres meters wheel odometer odo encoder",
    "date": "date datum fecha data dato day tag jour utc_date date_utc gps_date doy jday julian julian_day day_of_year",
    "time": "time zeit uhrzeit heure temps hora ora tijd tid czas godzina aika datetime timestamp date_time time_s "
    "time_ms utc clock hhmmss utc_time time_utc gps_time local_time elapsed elapsed_time sec secs second seconds sek "
    "sekunden ms msec millis milliseconds elapsed_ms elapsed_s us usec micros microseconds hhmm sod seconds_of_day "
    "second_of_day stamp time_stamp",
    "mark": "mark marker marke fid fiducial flag event marca repere repère marque mk mrk marks button",
    "grid": "grid raster gitter grille maille quadrat square malla griglia cuadricula rutnat",
    "temperature": "temperature temp temperatur température temperatura t_c tc degc",
    "easting": "easting east e x x_m rechtswert ostwert est este utm_e utme xcoord x_coord",
    "northing": "northing north n y y_m hochwert nordwert nord norte utm_n utmn ycoord y_coord",
    "longitude": "longitude long lon lng länge laenge longitud longitudine",
    "latitude": "latitude lat breite latitud latitudine",
}
CHANNEL_WORDS = {
    "": "ch chan channel kanal canal canale voie",
    "mS/m": "cond conductivity kond leitwert conductividade condutividade conduttivita conduttività geleidbaarheid "
    "przewodność ledningsevne konduktivitet eca ec ecapp conductivité conductivite conductividad conducibilita "
    "leitfähigkeit leitfaehigkeit lf sigma hcp vcp hcp_cond vcp_cond",
    "ppt": "inphase in_phase inph ip inphase_ppt hcp_inphase vcp_inphase susc quad quadrature qp q",
}
IGNORED_WORDS = (
    "seq no nr id record rec index count counter comment remark note elevation height alt altitude quality hdop "
    "battery batt bat volt volts voltage status sats satellites checksum crc chk gain serial serialno serial_no sn "
    "device instrument operator pitch roll yaw tilt azimuth dir direction heading bearing richtung speed course fix "
    "pdop vdop gdop tdop nsat nsats num_sats sat svs cnt elev geoid age year jahr month monat coil_height akku "
    "batterie batterij batteria"
)
UNITS = re.compile(r"[(\[{<]\s*([^)\]}>]+?)\s*[)\]}>]|(?:^|[_ ])(ms_?/?_?m|ppt|ppm)$", re.IGNORECASE)
OTHER_UNITS = (
    "v", "mv", "ma", "a", "%", "°", "deg", "hpa", "mbar", "°c", "c", "k", "nt", "db", "rpm", "km/h", "m/s", "m/s2",
    "m/s²", "deg/s", "°/s", "rad", "rad/s", "g", "kn", "lux", "w", "mah", "ah", "kpa", "pa", "bar", "ut", "µt", "gauss",
)  # fmt: skip
"""Units of what a logger writes beside the readings."""
LENGTHS = ("m", "cm", "mm", "km", "ft")
"""Units of lengths, which no channel has."""
UNIT_NAMES = {"‰": "ppt", "ppt": "ppt", "ppm": "ppm", "ms/m": "mS/m", "ms_m": "mS/m", "msm": "mS/m", "ms m": "mS/m"}
MOSTLY = 0.9
"""A column is of times or dates when more than this fraction of its first values is (common practice, no source)."""
SELDOM = 0.3
"""Marks stand beside fewer than this fraction of the readings (common practice, no source): they are metres apart."""
HEXADECIMAL = re.compile(r"[0-9A-F]{2,8}")
OTHER_NUMBERS = "as other numbers"
"""Why a column is a channel that is nothing else."""
FIRST_VALUES = 50
"""Values that are looked at for times and dates. Derived: a fraction of 50 values is known to 0.04 where it is 0.9."""


LAST_CLOCK = 240000
"""Derived: a clock as one number (HHMMSS) stays below it."""


@dataclass(frozen=True)
class Role:
    """What a column was taken for: role (empty = not used), unit, why in words, factor and format as in a layout."""

    role: str
    unit: str = ""
    why: str = ""
    factor: float = 1.0
    form: str = ""


def role_by_name(name: str) -> Optional[Role]:
    """Return the role that a column's name gives, or None.

    Examples
    --------
    >>> role_by_name("Stn").role, role_by_name("ECa [mS/m]").unit, role_by_name("wind")
    ('station', 'mS/m', None)
    """
    found = UNITS.search(name)
    unit = (found[1] or found[2]) if found else ""
    unit = UNIT_NAMES.get(unit.lower(), unit)
    bare = re.sub(r"\W+", "_", UNITS.sub("", name).strip().lower()).strip("_")
    whole = bare.replace("_", "")
    stem = re.sub(r"_(nr|no|num|number|nummer|id|n)$", "", bare)
    for role, words in ROLE_WORDS.items():
        if {bare, whole, stem} & set(words.split()):
            return Role(role, unit if role == "temperature" else "", "by its name")
    for default, words in CHANNEL_WORDS.items():
        stem = re.sub(r"_?\d+(_?m|_?hz|_?khz)?$", "", bare)
        if {bare, whole, stem} & set(words.split()) or (default and set(bare.split("_")) & set(words.split())):
            return Role("channel", unit or default, "by its name")
    if unit.lower() in ("ms/m", "ppt", "ppm"):
        return Role("channel", unit, "by its unit")
    if bare in IGNORED_WORDS.split():
        return Role("", "", "by its name")
    return Role("", unit, "by its unit") if unit.lower() in OTHER_UNITS else None


def without_lengths(names: Sequence[str], roles: Sequence[Role]) -> list[Role]:
    """Return the roles without channels whose only mark is a unit of length, where others have names of channels."""
    if not any(role.role == "channel" and role.why != OTHER_NUMBERS for role in roles):
        return list(roles)
    units = [found and (found[1] or "").lower() for found in map(UNITS.search, names)]
    lengths = [role.why == OTHER_NUMBERS and unit in LENGTHS for role, unit in zip(roles, units)]
    return [Role("", "", "by its unit") if length else role for role, length in zip(roles, lengths)]


def is_time(text: str) -> bool:
    """Return whether a text is a clock time or a date with a clock time."""
    return bool(CLOCK.match(text) or DATE_TIME.match(text) or COLON_CLOCK.match(text) or STAMP.match(text))


def is_date(text: str) -> bool:
    """Return whether a text is a date written with dots, dashes or slashes."""
    return bool(re.search(r"\d[./-]\w{1,3}[./-]\d", text)) and fits_date(text)


def fits_date(text: str) -> bool:
    """Return whether a text is a date in any notation, also without signs between its parts."""
    if not 0 < len(text) <= LONGEST_TEXT:
        return False
    return not parse_dates(np.array([text]), guess_date_format([text]))[1][0]


def roles_by_behaviour(
    columns: Sequence[Sequence[str]], taken: Sequence[Optional[Role]], known: Sequence[str] = (), beside: bool = False
) -> list[Role]:
    """Return the role of each column, by its values where its name does not give it.

    Parameters
    ----------
    columns : sequence of columns of texts
        Decimal points; empty = missing.
    taken : sequence of Role or None
        What is known already, by column.
    known : sequence of str
        Roles that no column need have.
    beside : bool
        Whether lines and stations are only looked for beside each other: a line that changes where the stations turn or
        start again, as where the header names one of the two.

    Notes
    -----
    A column that counts by one, up or down, is the station; one that keeps its whole number over many rows and then
    steps is the line; one that only ever grows is the time. Any other column of numbers is a channel.
    """
    roles = _by_texts(columns, taken)
    numbers = [None if role else as_numbers(column) for role, column in zip(roles, columns)]
    if beside:
        _look_beside(columns, roles, numbers)
        known = [*known, "line", "station"]
    for role, why, fits in (
        ("station", "because it counts by one", counts_along),
        ("line", "because it steps from one run to the next", steps_between),
        ("time", "because it only ever grows", only_grows),
    ):
        if role in known or any(r is not None and r.role == role for r in roles):
            continue
        scores = [0.0 if values is None else fits(values) for values in numbers]
        if role == "line" and sum(score > 0 for score in scores) > 1:
            scores = _that_turn(scores, numbers, columns, roles)
        best = int(np.argmax(scores)) if scores else 0
        if scores and scores[best] > 0:
            roles[best], numbers[best] = Role(role, "", why), None
    if "station" not in known and not any(r is not None and r.role == "station" for r in roles):
        _look_for_steps(columns, roles, numbers)
    if not any(r is not None and r.role == "time" for r in roles) and "time" not in known:
        slow = [
            i
            for i, values in enumerate(numbers)
            if values is not None and not counts_on(values) and never_falls(values)
        ]
        for i in slow[:1]:
            roles[i], numbers[i] = Role("time", "", "because it never falls"), None
        named = beside and not slow
        again = [i for i, values in enumerate(numbers) if named and values is not None and grows_again(values)]
        for i in again[:1]:
            roles[i], numbers[i] = Role("time", "", "because it grows, and starts again"), None
    for i, values in enumerate(numbers):
        if values is not None:
            roles[i] = _of_numbers(values, [r.role for r in roles if r is not None])
    return _without_constants(columns, [role for role in roles if role is not None])


def _without_constants(columns: Sequence[Sequence[str]], roles: list[Role]) -> list[Role]:
    """Return the roles without channels that only their numbers made some and that seldom change, beside others."""
    still = [role.why == OTHER_NUMBERS and changes_seldom(as_numbers(c)) for c, role in zip(columns, roles)]
    if not any(role.role == "channel" and not s for role, s in zip(roles, still)):
        return roles
    return [Role("", "", "because it hardly ever changes") if s else role for role, s in zip(roles, still)]


def _by_texts(columns: Sequence[Sequence[str]], taken: Sequence[Optional[Role]]) -> list[Optional[Role]]:
    """Return the roles that are known already, with those that texts show; a second time or date is of no use."""
    roles = list(taken)
    for i, column in enumerate(columns):
        if roles[i] is None:
            found = _by_text(column)
            first = next((k for k, role in enumerate(roles, 1) if found and role and role.role == found.role), 0)
            if found is not None and found.role in ("time", "date") and first:
                found = Role("", "", f"because column {first} is the {found.role}")
            roles[i] = found
    return roles


def _that_turn(
    scores: list[float],
    numbers: Sequence[Optional[np.ndarray]],
    columns: Sequence[Sequence[str]],
    roles: Sequence[Optional[Role]],
) -> list[float]:
    """Return the scores of lines without those of columns that step where no station turns, if any does there."""
    at = next((i for i, role in enumerate(roles) if role is not None and role.role == "station"), None)
    if at is None:
        return scores
    station = as_numbers(columns[at])
    fit = [
        score > 0 and values is not None and turn_together(values, station) for score, values in zip(scores, numbers)
    ]
    return [score * good for score, good in zip(scores, fit)] if any(fit) else scores


def _of_numbers(values: np.ndarray, others: Sequence[str]) -> Role:
    """Return the role of a column of numbers that is neither line nor station nor time."""
    if counts_on(values) or counts_again(values):
        return Role("", "", "because it only counts the rows")
    if "time" in others and (only_grows(values) or only_grows(-values) or grows_again(values)):
        return Role("", "", "because it only grows, as another clock")
    known = values[np.isfinite(values)]
    if "mark" not in others and len(known) and np.all((known == 0) | (known == 1)) and 0 < known.mean() < SELDOM:
        return Role("mark", "", "because it is 0, and now and then 1")
    return Role("channel", "", OTHER_NUMBERS)


def _look_beside(
    columns: Sequence[Sequence[str]], roles: list[Optional[Role]], numbers: list[Optional[np.ndarray]]
) -> None:
    """Give the role of the line beside a column of stations, or of the station beside a column of lines."""
    at = {role.role: i for i, role in enumerate(roles) if role is not None}
    if ("station" in at) == ("line" in at):
        return
    wanted, other, fits = ("line", "station", steps_between) if "station" in at else ("station", "line", counts_along)
    named = as_numbers([re.sub(r"^[^\W\d]+", "", text) for text in columns[at[other]]])
    for i, values in enumerate(numbers):
        if values is not None and wanted == "station" and runs_along(named, values, "time" in at):
            roles[i], numbers[i] = Role(wanted, "", "because it runs along each line"), None
            return
        if values is not None and fits(values):
            line, station = (values, named) if wanted == "line" else (named, values)
            if turn_together(line, station):
                roles[i], numbers[i] = Role(wanted, "", "because stations turn or start again where lines change"), None
                return


def _look_for_steps(
    columns: Sequence[Sequence[str]], roles: list[Optional[Role]], numbers: list[Optional[np.ndarray]]
) -> None:
    """Give the role of the station to a column that counts by any even step over the same range in each line."""
    at = next((i for i, role in enumerate(roles) if role is not None and role.role == "line"), None)
    line = None if at is None else as_numbers([re.sub(r"^[^\W\d]+", "", text) for text in columns[at]])
    for i, values in enumerate(numbers):
        if line is None or values is None or not np.all(np.isfinite(values)) or len(values) < 3:
            continue
        steps = np.abs(np.diff(values))
        bounds = [0, *(np.flatnonzero(np.diff(line) != 0) + 1), len(line)]
        ranges = [float(np.ptp(values[a:b])) for a, b in zip(bounds, bounds[1:])]
        even = np.mean(np.abs(steps - np.median(steps)) < EVEN * np.median(steps)) >= STEADY
        if even and np.ptp(values) <= SAME_RANGE * np.median(ranges) and turn_together(line, values):
            roles[i], numbers[i] = Role("station", "", "because it counts evenly within lines"), None
            return


def _by_text(texts: Sequence[str]) -> Optional[Role]:
    known = [text for text in texts if text]
    if not known:
        return Role("", "", "because it is empty")
    first = known[:FIRST_VALUES]
    for role, test in (("time", is_time), ("date", is_date)):
        if sum(map(test, first)) > MOSTLY * len(first):
            if role == "date" and len(set(first)) > SELDOM * len(first) and guess_time_format(first).startswith("%"):
                role = "time"
            return Role(role, "", "because of how it is written")
    if len(set(map(len, known))) == 1 and all(map(HEXADECIMAL.fullmatch, known)) and set("ABCDF") & set("".join(known)):
        return Role("", "", "because it holds digits of sixteen, as a checksum does")
    if sum(is_number(text) for text in known) > len(known) / 2:
        counts = len(known) < SELDOM * len(texts) and all(re.fullmatch(r"\d{1,4}", text) for text in known)
        return Role("mark", "", "because it is mostly empty") if counts else None
    if len(set(known)) == 1 and len(known) < len(texts) / 2:
        return Role("mark", "", "because it is mostly empty")
    return Role("", "", "because it holds words")


def holds_one_word(texts: Sequence[str]) -> bool:
    """Return whether a column says the same in all rows, in words: its coil pair is not connected."""
    return len(texts) > LEAST_GROWTH and len(set(texts)) == 1 and bool(re.fullmatch(r"[^\d*-]+", texts[0]))


def stands_still(texts: Sequence[str]) -> bool:
    """Return whether times are one number throughout that is no clock, as a spreadsheet rounds them."""
    number = len(texts) > LEAST_GROWTH and len(set(texts)) == 1 and is_number(texts[0])
    return number and float(texts[0]) > LAST_CLOCK


def as_numbers(texts: Sequence[str]) -> np.ndarray:
    """Return (n,) numbers, NaN where a text is none."""
    return np.array([float(text) if is_number(text) else np.nan for text in texts])
