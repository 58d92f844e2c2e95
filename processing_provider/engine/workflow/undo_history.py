"""Undo and redo: every state of the changes by hand, with the words for what led to it."""

from __future__ import annotations

from typing import Optional

from ..core import Edits


class History:
    """States of the edits one after the other, and which of them counts."""

    def __init__(self, first: Edits) -> None:
        self._states: list[tuple[str, Edits]] = [("", first)]
        self._now = 0

    @property
    def edits(self) -> Edits:
        """The edits that count."""
        return self._states[self._now][1]

    @property
    def undo_text(self) -> Optional[str]:
        """What undoing takes back; None when there is nothing."""
        return self._states[self._now][0] if self._now else None

    @property
    def redo_text(self) -> Optional[str]:
        """What redoing does again; None when there is nothing."""
        return self._states[self._now + 1][0] if self._now + 1 < len(self._states) else None

    def push(self, text: str, edits: Edits) -> None:
        """Add a state; what was undone before it is forgotten."""
        self._states[self._now + 1 :] = [(text, edits)]
        self._now += 1

    def undo(self) -> None:
        """Go one state back; nothing happens at the first."""
        self._now = max(self._now - 1, 0)

    def redo(self) -> None:
        """Go one state on; nothing happens at the last."""
        self._now = min(self._now + 1, len(self._states) - 1)
