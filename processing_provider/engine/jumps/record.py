"""A jump of the level of the instrument, as records and findings report it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

from ..core import Code, Finding, with_unit


@dataclass(frozen=True)
class Jump:
    """A jump of the level: set to zero anew, a pause, a battery changed.

    Attributes
    ----------
    grid, channel : str
    line, run, seq : int
        The first reading after it.
    time_s : float or None
        Of that reading; None where the log has no times.
    size, standard_error : float
        After it less before it, in the unit of the channel.
    probability : float
        That the instrument jumped, and not the ground.
    taken_off : bool
        Whether it is proven.
    noted : bool
        Whether the notes say so.
    inside : bool
        Whether it is a step inside a line, up to the end of that.
    """

    grid: str
    channel: str
    line: int
    run: int
    seq: int
    time_s: Optional[float]
    size: float
    standard_error: float
    probability: float
    taken_off: bool
    noted: bool = False
    inside: bool = False

    @property
    def when(self) -> str:
        """Line and time of day, in words."""
        where = f"inside line {self.line}" if self.inside else f"before line {self.line}"
        if self.time_s is None:
            return where
        minutes, seconds = divmod(int(self.time_s), 60)
        return f"{where} ({minutes // 60 % 24:02d}:{minutes % 60:02d}:{seconds:02d})"

    @property
    def left(self) -> bool:
        """Whether it may be one, and is neither proven nor ruled out."""
        return not self.taken_off and not self.noted

    def sentence(self, unit: str) -> str:
        """Return what was found and done, without the name of the channel."""
        of = f"{self.size:+.2f} ± {with_unit(self.standard_error, unit)}"
        if self.taken_off:
            said = ", as the notes say" if self.noted else ", up to its end" if self.inside else ""
            return f"the level of grid {self.grid} jumped by {of} {self.when}{said}; that was taken off."
        if self.noted:
            return (
                f"no jump of the level of grid {self.grid} is proven {self.when}, where the notes have a reset "
                f"({of}); nothing was taken off."
            )
        return (
            f"the level of grid {self.grid} may have jumped by {of} {self.when}, or the ground has an edge along the "
            "lines there; it was left, and the standard error is wider."
        )

    def finding(self, unit: str) -> Finding:
        """Return the finding about it; one that is left is about the grid, as no line is recorded wrongly."""
        found = f"{self.channel}: {self.sentence(unit)}"
        if self.left:
            advice = (
                "Ask the books whether the instrument was reset there. If it was, note it as kind reset. A tie line "
                "across the grid would show it."
            )
            return Code.INSTRUMENT_RESET.finding(found, "", advice, grid=self.grid)
        advice = "Look whether the books have a reset or a pause there."
        if self.noted:
            advice = "Look at the map there once more."
        return Code.INSTRUMENT_RESET.finding(
            found, "", advice, severity="note", grid=self.grid, line=self.line, run=self.run, action=""
        )
