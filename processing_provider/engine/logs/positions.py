"""Longitudes and latitudes as receivers write them: degrees with minutes as one number, letters, signs of degrees."""

from __future__ import annotations

import re
from typing import Optional

import numpy as np

SIGNS = {"N": 1.0, "S": -1.0, "E": 1.0, "W": -1.0}
"""Signs of degrees by the letter of the half of the globe. Common practice, no source."""
DEGREES = re.compile(
    r"([NSEW])?\s*([+-]?\d+(?:\.\d*)?)(?:[°ºd:\s]\s*(?:(\d+(?:\.\d*)?)(?:['′’m:\s]\s*"
    r"(?:(\d+(?:\.\d*)?)\s*(?:[\"″”s]|'')?)?)?)?)?\s*([NSEW])?",
    re.IGNORECASE,
)


def degrees_of(text: str) -> Optional[float]:
    r"""Return a position as a number, negative in the south and west; None when it is none.

    Examples
    --------
    >>> [round(degrees_of(t), 6) for t in ('48°06\'36.0"N', "W 11 30.0", "4806.6N", "-48.11")]
    [48.11, -11.5, 4806.6, -48.11]
    """
    match = DEGREES.fullmatch(text.strip())
    if match is None or (match[1] and match[5]):
        return None
    degrees, minutes, seconds = (float(match[k] or 0) for k in (2, 3, 4))
    if minutes >= 60 or seconds >= 60:
        return None
    letter = (match[1] or match[5] or "N").upper()
    sign = SIGNS[letter] * (-1.0 if match[2].startswith("-") else 1.0)
    return sign * (abs(degrees) + minutes / 60 + seconds / 3600)


def without_minutes(values: np.ndarray) -> np.ndarray:
    """Return (n,) degrees of positions with degrees and minutes as one number.

    Examples
    --------
    >>> without_minutes(np.array([4806.6, -1130.0])).round(6).tolist()
    [48.11, -11.5]
    """
    size = np.abs(values)
    degrees = np.floor(size / 100)
    return np.sign(values) * (degrees + (size - 100 * degrees) / 60)
