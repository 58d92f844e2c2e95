"""Small text files that a person gives: layouts and recipes."""

from __future__ import annotations

from pathlib import Path

from .errors import EngineError


def read_text(path: Path, what: str) -> str:
    """Return the text of a UTF-8 file.

    Raises
    ------
    EngineError
        When it cannot be read or is no text.
    """
    try:
        return path.read_text("utf-8-sig")
    except OSError as error:
        raise EngineError(f"The {what} {path} cannot be read: {error.strerror}. Check its name and place.") from error
    except UnicodeDecodeError as error:
        raise EngineError(
            f"The {what} {path} is no UTF-8 text. Choose the JSON file that was written for it."
        ) from error
