"""The one exception the engine raises on purpose, and the one that ends a cancelled run."""


class EngineError(ValueError):
    """Something the person can mend. The message is a whole sentence: what was found, where, and what to do."""


class Cancelled(Exception):
    """The person asked to stop. Raised by the ``progress`` callback, never by the engine itself."""
