"""What aligning opposing traverses did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Mapping, Optional

from ..core import Record


@dataclass(frozen=True)
class AlignFigures:
    """Figures of the whole survey.

    Attributes
    ----------
    shift_m : float
        Shift in walking direction that was applied.
    estimate_m, shift_error_m : float or None
        Shift that was estimated, and its standard error.
    pairs : int
        Pairs of neighbours walked in opposite directions.
    correlation_before, correlation_after : float or None
        Of band-passed opposite neighbours, before and after the shift alone.
    came_in, went_out : int
        Readings that crossed the edges of their grid and lost or took the flag ``overrun``.
    remark : str
        Why no shift was applied, or that it was given.
    per_traverse_sd_m : float or None
        Standard deviation of the along-line position errors besides the shift.
    position_error_m : float or None
        Standard error of a reading's position along its line after the correction.
    lines_moved : int
        Lines that were moved on their own.
    """

    shift_m: float
    estimate_m: Optional[float] = None
    shift_error_m: Optional[float] = None
    pairs: int = 0
    correlation_before: Optional[float] = None
    correlation_after: Optional[float] = None
    came_in: int = 0
    went_out: int = 0
    remark: str = ""
    per_traverse_sd_m: Optional[float] = None
    position_error_m: Optional[float] = None
    lines_moved: int = 0


@dataclass(frozen=True)
class AlignedGrid:
    """The shift of one grid; attributes as in ``AlignFigures``."""

    grid: str
    pairs: int
    shift_m: float
    came_in: int
    went_out: int
    remark: str


@dataclass(frozen=True)
class AlignedLine:
    """How one line was moved besides the shift of all lines.

    Attributes
    ----------
    grid : str
    line, run : int
    shift_m, stretch_m, largest_m : float
        Mean of its moves, how much longer it became, and the largest of its moves.
    standard_error_m : float
        Of a reading's position along the line afterwards.
    moved : bool
    """

    grid: str
    line: int
    run: int
    shift_m: float
    stretch_m: float
    largest_m: float
    standard_error_m: float
    moved: bool


@dataclass(frozen=True)
class AlignRecord(Record):
    """What ``align_opposing`` did; ``table`` has a row a grid, ``lines`` a row a line."""

    step: ClassVar[str] = "alignopposing"
    title: ClassVar[str] = "Opposing traverses aligned"
    figures: AlignFigures
    table: tuple[AlignedGrid, ...]
    lines: tuple[AlignedLine, ...]

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return the shift that was applied, and how well positions along the lines are known."""
        figures = self.figures
        found = [f"Shift applied: {figures.shift_m:.3f} m. {figures.remark}".rstrip()]
        if figures.position_error_m is not None:
            found.append(
                f"{figures.lines_moved} of {len(self.lines)} lines were also moved on their own to fit their "
                f"neighbours; a reading's position along its line is now known to {figures.position_error_m:.2f} m "
                "(standard error)."
            )
        return found
