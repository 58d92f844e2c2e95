"""What aligning opposing traverses did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Mapping, Optional

from ..core import INSTRUMENT, Record, counted

GIVEN, NEIGHBOURS, TIES = "given", "opposite neighbours", "tie lines"
"""What a lag is based on, as records say it."""
UNKNOWN_LAG = (
    "Walk a tie line across each grid, or some lines back: no line has a neighbour walked the other way, so that the "
    f"lag of the instrument is unknown, and positions along the lines are uncertain by {INSTRUMENT.lag_m:.2f} m."
)


@dataclass(frozen=True)
class AlignFigures:
    """Figures of the whole survey.

    Attributes
    ----------
    shift_m : float
        Shift in walking direction that was applied, at the median speed.
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
    lag_s, lag_error_s : float or None
        Lag that was applied, positive when values were written late, and its standard error in seconds; None where the
        log has no times.
    lag_readings : float or None
        The lag as a number of readings where the log has no times.
    based_on : str
        What shows the lag: ``given``, ``opposite neighbours``, ``tie lines``; empty where it is unknown.
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
    lag_s: Optional[float] = None
    lag_error_s: Optional[float] = None
    lag_readings: Optional[float] = None
    based_on: str = ""


@dataclass(frozen=True)
class AlignedGrid:
    """The shift of one grid, at its own median speed; attributes as in ``AlignFigures``."""

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
class AlignedChannel:
    """The lag of one channel, of a survey whose channels differ.

    Attributes
    ----------
    channel : str
    shift_m, shift_error_m : float
        As in ``AlignFigures``.
    lag_s : float or None
    own : bool
        Whether it differs from the lag that the readings moved by; then the values moved along the lines besides.
    lost : int
        Readings in use at the ends of lines that have no value of this channel any more.
    """

    channel: str
    shift_m: float
    shift_error_m: Optional[float]
    lag_s: Optional[float]
    own: bool
    lost: int


@dataclass(frozen=True)
class AlignRecord(Record):
    """What ``align_opposing`` did; ``table`` has a row a grid, ``lines`` a row a line.

    ``channels`` has a row a channel where their lags differ.
    """

    step: ClassVar[str] = "alignopposing"
    title: ClassVar[str] = "Opposing traverses aligned"
    figures: AlignFigures
    table: tuple[AlignedGrid, ...]
    lines: tuple[AlignedLine, ...]
    channels: tuple[AlignedChannel, ...] = ()

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return the shift that was applied, and how well positions along the lines are known."""
        figures = self.figures
        found = [f"Shift applied: {figures.shift_m:.3f} m{self._lag()}. {figures.remark}".rstrip()]
        for row in self.channels:
            if row.own:
                lost = f"; {counted(row.lost, 'reading')} at the ends of lines lost their value" if row.lost else ""
                found.append(f"{row.channel} has a lag of its own: its values were moved by {row.shift_m:.3f} m{lost}.")
        if figures.position_error_m is not None:
            found.append(
                f"{figures.lines_moved} of {len(self.lines)} lines were also moved on their own to fit their "
                f"neighbours; a reading's position along its line is now known to {figures.position_error_m:.2f} m "
                "(standard error)."
            )
        return found

    def warnings(self, units: Mapping[str, str]) -> list[str]:
        """Return that the lag is unknown, and what to walk, where lines lead one way."""
        return [UNKNOWN_LAG] if self.figures.remark == UNKNOWN_LAG else []

    def _lag(self) -> str:
        """Return the lag as a time, or in readings, and what shows it, in brackets; empty where none was applied."""
        figures = self.figures
        if not figures.shift_m:
            return ""
        shown = ", from tie lines" if figures.based_on == TIES else ""
        if figures.lag_s is not None:
            return f" (a lag of {figures.lag_s:.2f} s{shown})"
        return "" if figures.lag_readings is None else f" (a lag of {figures.lag_readings:.1f} readings{shown})"
