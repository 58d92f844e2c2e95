"""The one exception the engine raises on purpose, the one that ends a cancelled run, and what people read of others."""

from __future__ import annotations

import logging
from typing import Optional

LOG = logging.getLogger("turnrow")
"""Takes the traceback of a fault; inside QGIS it leads to the message log."""
NO_MEMORY = ("failed to map segment", "Cannot allocate memory")
"""What the loader of libraries and the system say. Source: glibc, dl-load.c and errno ENOMEM (from memory)."""


class EngineError(ValueError):
    """Something the person can mend. The message is a whole sentence: what was found, where, and what to do."""


class WrongSize(EngineError):
    """Corners that contradict the size of a grid in the register.

    Attributes
    ----------
    columns : tuple of str
        Columns of the register that may be wrong.
    larger : bool or None
        Whether the grid is larger than registered; None = not known.
    """

    def __init__(self, sentence: str, columns: tuple[str, ...], larger: Optional[bool]) -> None:
        super().__init__(sentence)
        self.columns, self.larger = columns, larger


class Cancelled(Exception):
    """The person asked to stop. Raised by the ``progress`` callback, never by the engine itself."""


def sentence_of(error: Exception, what: str) -> str:
    """Return a sentence about an exception that ended some work; the traceback of a fault goes into ``LOG``.

    Parameters
    ----------
    error : Exception
        Of an ``EngineError`` it is the message.
    what : str
        What has ended, to begin the sentence with.

    Raises
    ------
    Cancelled
        When the error is one: it ends the whole run.
    """
    if isinstance(error, Cancelled):
        raise error
    if isinstance(error, EngineError):
        return str(error)
    # Libraries that find no memory to be loaded into are no MemoryError.
    if isinstance(error, MemoryError) or any(words in str(error) for words in NO_MEMORY):
        return f"{what} ended because memory ran out. Process fewer grids at a time, or take larger cells."
    LOG.error("%s ended with a fault of the program.", what, exc_info=error)
    return (
        f"{what} ended with a fault of the program ({type(error).__name__}). Report it with the traceback, which "
        "is in the message log of QGIS under Turnrow."
    )
