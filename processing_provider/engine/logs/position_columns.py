"""How columns of longitudes and latitudes are written: the notation, and the half of the globe by their letters."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Sequence

import numpy as np

from .column_roles import FIRST_VALUES, Role
from .fields import SIGNS, degrees_of

LIMITS = {"latitude": 90.0, "longitude": 180.0}
"""Derived: no latitude is farther from the equator, no longitude farther from Greenwich, degrees."""
LETTERS = {"latitude": "NS", "longitude": "EW"}
PADDED = {"latitude": re.compile(r"[+-]?\d{4}\.\d+"), "longitude": re.compile(r"[+-]?0\d{3,4}\.\d+")}
"""Degrees with minutes as one number are written with leading zeros (NMEA 0183: ddmm.mm and dddmm.mm, from memory)."""


def settle_positions(columns: Sequence[Sequence[str]], roles: Sequence[Role]) -> list[Role]:
    """Return the roles of columns, with the notation of longitudes and latitudes and their half of the globe."""
    settled = list(roles)
    minutes = _have_minutes(columns, roles)
    for i, role in enumerate(roles):
        if role.role not in LIMITS:
            continue
        values = _numbers(columns[i])
        known = np.abs(values[np.isfinite(values)])
        if not len(known) or (np.any(known > LIMITS[role.role]) and not minutes):
            settled[i] = Role("", "", "because its values are no degrees")
            continue
        sign = _half(columns, roles, i, LETTERS[role.role])
        if sign == 0:
            settled[i] = Role("", "", "because it lies on both sides of zero, which a column of letters says")
            continue
        settled[i] = replace(role, factor=sign, form="ddmm" if minutes else "")
    return settled


def _numbers(texts: Sequence[str]) -> np.ndarray:
    found = [degrees_of(text) for text in texts[:FIRST_VALUES]]
    return np.array([np.nan if value is None else value for value in found])


def _have_minutes(columns: Sequence[Sequence[str]], roles: Sequence[Role]) -> bool:
    """Return whether positions are degrees with minutes as one number: too large for degrees, or with leading zeros."""
    evidence = False
    for texts, role in zip(columns, roles):
        if role.role in LIMITS:
            values = np.abs(_numbers(texts))
            known = values[np.isfinite(values)]
            if not len(known) or np.any(known % 100 >= 60) or np.any(known / 100 > LIMITS[role.role]):
                return False
            padded = all(PADDED[role.role].match(text) for text in texts[:FIRST_VALUES] if text)
            evidence |= bool(np.any(known > LIMITS[role.role])) or padded
    return evidence


def _half(columns: Sequence[Sequence[str]], roles: Sequence[Role], at: int, letters: str) -> float:
    """Return 1 or -1 by the letters in a column next to that of a position, 0 where they differ, 1 without any."""
    for k in (at + 1, at - 1):
        if 0 <= k < len(columns) and roles[k].role not in LIMITS:
            known = {text.upper() for text in columns[k] if text}
            if known and known <= set(letters):
                return SIGNS[known.pop()] if len(known) == 1 else 0.0
    return 1.0
