"""Which log the layout is of that is looked at."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Optional


@dataclass(frozen=True)
class LayoutOf:
    """Whose layout is looked at.

    Attributes
    ----------
    log : Path
    layout : Path or None
        What to begin with; found out from the log when None.
    keep_as : Path or None
        The file that is proposed to keep it; beside the log when None.
    questions : tuple of str
        What looks misread of the log as it was read with it.
    """

    log: Path
    layout: Optional[Path] = None
    keep_as: Optional[Path] = None
    questions: tuple[str, ...] = ()
