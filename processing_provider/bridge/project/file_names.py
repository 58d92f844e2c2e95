"""File names made from the names that people give to grids, channels and logs."""

from __future__ import annotations

import re
import unicodedata
from typing import Mapping, TypeVar

Key = TypeVar("Key", bound="str | tuple[str, ...]")

MOST_BYTES = 100
"""Of a file name in UTF-8. Derived: file systems allow 255, and programs put their own endings behind it."""
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f\ud800-\udfff]')
"""Source: Microsoft, Naming Files, Paths, and Namespaces (from memory); ``/`` and NUL: POSIX.1-2017, 3.170. Half
surrogates have no form in UTF-8."""
RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3])\s*(\.|$)", re.IGNORECASE)
"""Names of devices, whatever follows a point. Source: as above."""


def file_stems(names: Mapping[Key, str], ending: str) -> dict[Key, str]:
    """Return a file name for each name, different from the others in any folder, whatever the order.

    Parameters
    ----------
    names : mapping of str
        Names by what they are of. A name that is harmless and not another's keeps its letters.
    ending : str
        What follows the name, such as ``.tif``; not in the result.

    Returns
    -------
    dict of str
        Without separators, leading points, names of devices; unlike each other also where capitals do not count and
        letters with accents are taken apart; with the ending at most ``MOST_BYTES`` long.
    """
    most = MOST_BYTES - len(ending.encode())
    wanted = {key: _harmless(name, most) for key, name in names.items()}
    stems: dict[Key, str] = {}
    taken: set[str] = set()
    in_order = sorted(names, key=lambda key: (names[key], key))
    for key in in_order:
        if wanted[key] == names[key] and _folded(wanted[key]) not in taken:
            stems[key] = wanted[key]
            taken.add(_folded(wanted[key]))
    for key in in_order:
        stem, number = wanted[key], 1
        while key not in stems:
            if _folded(stem) not in taken:
                stems[key] = stem
                taken.add(_folded(stem))
            number += 1
            stem = f"{_cut(wanted[key], most - len(str(number)) - 1)}-{number}"
    return {key: stems[key] for key in names}


def _harmless(name: str, most_bytes: int) -> str:
    stem = FORBIDDEN.sub("_", name)
    if stem.startswith("."):
        stem = "_" + stem[1:]
    if not stem or RESERVED.match(stem):
        stem = "_" + stem
    # Windows drops points and blanks at the end of a name.
    return _cut(re.sub(r"[. ]+$", "_", stem), most_bytes)


def _cut(stem: str, most_bytes: int) -> str:
    return stem.encode()[:most_bytes].decode(errors="ignore")


def _folded(stem: str) -> str:
    """Return what two names must not have in common where a file system takes neither capitals nor forms of accents."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", stem).casefold())
