"""Logs as text: opened read-only, refused in a sentence when they are no text, handed out in blocks of rows."""

from __future__ import annotations

import codecs
import io
import re
from pathlib import Path
from typing import Iterator

from ..core import EngineError

BLOCK_BYTES = 1_000_000
"""Text that is read at once. Derived: some 25,000 rows of 40 characters, so that the work by block outweighs that of
starting one, and few enough that a log read in the background keeps a window waiting for hundredths of a second."""
HEAD_BYTES = 300_000
"""Text from which encoding and layout are found. Derived: some 7,000 rows of 40 characters, which hold several lines of
a log, so that columns which only change from line to line are seen to change."""
LONGEST_ROW, KEPT_CHARACTERS = 20_000, 200
"""Characters of a row, and how many stay of a longer one, so that it cannot be read and is reported. Derived: 500
values, ``MOST_COLUMNS`` of the plan, of 40 characters."""
ZEROS_UTF16 = 0.4
"""Every second byte is zero in so large a fraction of a text in UTF-16 without its mark. Derived: numbers and Latin
letters have a zero each, half of all bytes; the rest is room for words in other letters."""
DASHES = {**dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2212\ufe63\uff0d"), "-"), 0xFEFF: ""}
"""Dashes and signs of minus that typesetting knows; a byte order mark within a log, where two were joined, is none.
Source: The Unicode Standard, charts of general punctuation and mathematical operators (from memory)."""
DOCUMENTS = ((b"%PDF", "a document for printing"), (b"%!PS", "a document for printing"), (b"{\\rtf", "a document"))
"""First bytes of files that are text and no log, and what they are (common practice, no source)."""
REMARK = re.compile(r"^([\s\d+.\"-].*\d)\s+(?:#|//)\s+[^\W\d].*")
"""A remark behind the values of a row."""
CHECKSUM = re.compile(r"^(\s*\$.*)\*[0-9A-Fa-f]{2}(?=\s*$)")
"""A sentence with a checksum at its end (NMEA 0183: ``$...*hh``, from memory)."""
MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def read_head(path: Path) -> bytes:
    """Return the first bytes of a log.

    Raises
    ------
    EngineError
        When there is no such file, it cannot be opened, or it is empty.
    """
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except FileNotFoundError:
        raise EngineError(f"The log {path.name} was not found in {path.parent}. Check the path.") from None
    except OSError as error:
        raise EngineError(
            f"The log {path.name} cannot be opened: {error.strerror}. Check that it is a file and may be read."
        ) from None
    if len(head) == HEAD_BYTES and b"\n" not in head and b"\r" not in head:
        raise EngineError(
            f"The first row of {path.name} does not end within {HEAD_BYTES:,} characters: this is no log of "
            "rows. Export the readings from the logger as text and read that."
        )
    if not head.strip():
        raise EngineError(f"The log {path.name} is empty. Download it from the logger again.")
    return head


def sniff_encoding(head: bytes) -> str:
    """Return the encoding that the first bytes of a text show: by its byte order mark, else as far as they fit.

    Examples
    --------
    >>> [sniff_encoding("cond in °C, 5 ‰".encode(name)) for name in ("utf-8", "utf-16-le", "cp1252")]
    ['utf-8', 'utf-16-le', 'cp1252']
    """
    for mark, encoding in MARKS:
        if head.startswith(mark):
            return encoding
    for odd, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
        zeros = head[odd::2].count(0)
        if zeros > ZEROS_UTF16 * (len(head) // 2) and head[1 - odd :: 2].count(0) < zeros / 10:
            return encoding
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        # Windows has letters where Latin-1 has only control characters.
        return "cp1252" if any(0x80 <= code < 0xA0 for code in head) and _fits(head, "cp1252") else "latin-1"
    return "utf-8"


def _fits(head: bytes, encoding: str) -> bool:
    try:
        head.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


def check_text(head: bytes, encoding: str, name: str) -> None:
    """Raise EngineError when the first bytes are those of a binary file; runs of zero bytes are those of lost power."""
    if codecs.lookup(encoding).name.startswith(("utf-16", "utf-32")):
        return
    for start, what in DOCUMENTS:
        if head.startswith(start):
            raise EngineError(
                f"{name} is {what} and no log. Export the readings from the logger as text and read that."
            )
    text = re.sub(rb"\0{4,}", b"", head)
    control = len(text) - len(text.translate(None, bytes((*range(9), *range(14, 26), *range(28, 32)))))
    if control > len(text) / 100 or not text.strip():
        raise EngineError(
            f"The log {name} is a binary file, not text. Export the readings from the logger as text and read that."
        )


def text_encoding(head: bytes, encoding: str) -> str:
    """Return the encoding to read with: a byte order mark in the file is never taken for text.

    Instead of UTF-8 and Latin-1, which are the default and stand for any plain text, what the bytes show is taken.
    """
    found = sniff_encoding(head)
    if found == "cp1252" and codecs.lookup(encoding).name not in ("utf-8", "iso8859-1"):
        return encoding
    return found if found not in ("utf-8", "latin-1") else encoding


def clean_rows(rows: list[str]) -> list[str]:
    """Return rows with the minus of typesetting written as that of numbers, and rows that are too long cut.

    Zero bytes before a row are taken away; elsewhere in it they stay as a sign that no value has. So are a remark
    behind the values of a row, and the checksum of a sentence.
    """
    text = "".join(rows)
    if not text.isascii():
        rows = [row if row.isascii() else row.translate(DASHES) for row in rows]
    if "*" in text and "$" in text:
        rows = [CHECKSUM.sub(r"\1", row) for row in rows]
    if " # " in text or " // " in text:
        rows = [REMARK.sub(r"\1", row) for row in rows]
    if "\0" in text or "\x1a" in text:
        rows = [_without_zeros(row) for row in rows]
    if max(map(len, rows), default=0) > LONGEST_ROW:
        rows = [row if len(row) <= LONGEST_ROW else row[:KEPT_CHARACTERS] + "...\n" for row in rows]
    return rows


def _without_zeros(row: str) -> str:
    if "\0" not in row and "\x1a" not in row:
        return row
    text = row.rstrip("\r\n")
    cleaned = re.sub("[\0\x1a]+", "\ufffd", text.lstrip("\0").rstrip("\x1a"))
    return cleaned + row[len(text) :] or "\n"


def read_blocks(path: Path, encoding: str) -> Iterator[tuple[list[str], float]]:
    """Yield (rows with their line ends, fraction of the file done) until the end of a log.

    Raises
    ------
    EngineError
        As ``read_head``; for a binary file, and for bytes that the encoding does not have.
    """
    head = read_head(path)
    encoding = text_encoding(head, encoding)
    check_text(head, encoding, path.name)
    size = path.stat().st_size
    try:
        with path.open("rb") as raw, io.TextIOWrapper(raw, encoding=encoding) as file:
            while True:
                rows = file.readlines(BLOCK_BYTES)
                if not rows:
                    return
                yield clean_rows(rows), min(raw.tell() / size, 1.0)
    except UnicodeError as error:
        raise EngineError(
            f"The log {path.name} cannot be read as {encoding}: {error}. "
            "Set the encoding of the layout to the one that the logger writes, such as latin-1 or utf-16."
        ) from None
