"""What balancing traverses did."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import ClassVar, Mapping, Optional

from ..core import Finding, Record, counted, with_unit
from ..jumps import Jump


@dataclass(frozen=True)
class BalanceFigures:
    """Figures of one channel, in its unit; those of several grids are means weighted by their lines.

    Attributes
    ----------
    direction_offset, direction_error : float or None
        Lines walked out minus lines walked back, and its standard error; 0 = not proven, None = not looked for.
    offset_sd : float or None
        Standard deviation of the offsets of lines.
    prior_sd, ground_step : float or None
        Prior standard deviations of line offsets and of steps of the ground between neighbouring lines.
    drift_sd : float or None
        Standard deviation of the drift.
    ties, crossings, base_readings : int
        Tie lines, their crossings with survey lines, and sets of base readings that were used.
    se, se_without_ties : float or None
        Median standard error of a line's level, and what it were without tie lines and base readings.
    """

    direction_offset: Optional[float]
    direction_error: Optional[float]
    offset_sd: Optional[float]
    prior_sd: Optional[float]
    ground_step: Optional[float]
    drift_sd: Optional[float]
    ties: int
    crossings: int
    base_readings: int
    se: Optional[float]
    se_without_ties: Optional[float]


@dataclass(frozen=True)
class LineOffset:
    """What was subtracted from one line in one channel.

    Attributes
    ----------
    grid : str
    line, run : int
    channel : str
    heading : int
        1 out, -1 back.
    offset, standard_error : float
        Mean that was subtracted.
    drift : float
        The part of it that changes with time.
    based_on : str
    """

    grid: str
    line: int
    run: int
    channel: str
    heading: int
    offset: float
    standard_error: float
    drift: float
    based_on: str


@dataclass(frozen=True)
class BalanceRecord(Record):
    """What ``balance_traverses`` did; ``figures`` by channel, ``table`` has a row a line and channel.

    ``jumps`` are those of the level in time, proven or not.
    """

    step: ClassVar[str] = "balancetraverses"
    title: ClassVar[str] = "Traverses balanced"
    figures: Mapping[str, BalanceFigures]
    table: tuple[LineOffset, ...]
    jumps: tuple[Jump, ...] = ()

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return what was found of each channel, and how well the levels of its lines are known."""
        found = []
        for channel, figures in self.figures.items():
            unit = units.get(channel, "")
            said = [_offsets(figures, unit), _sources(figures, unit), *self._levels(channel, unit)]
            said += [jump.sentence(unit) for jump in self.jumps if jump.channel == channel and not jump.left]
            found += [f"{channel}: {sentence}" for sentence in said if sentence]
        return found

    def warnings(self, units: Mapping[str, str]) -> list[str]:
        """Return the jumps that may be edges of the ground."""
        left = [jump for jump in self.jumps if jump.left]
        return [f"{jump.channel}: {jump.sentence(units.get(jump.channel, ''))}" for jump in left]

    def findings(self, units: Mapping[str, str]) -> list[Finding]:
        """Return a finding for each jump."""
        return [jump.finding(units.get(jump.channel, "")) for jump in self.jumps]

    def _levels(self, channel: str, unit: str) -> list[str]:
        """Return how well the levels are known; lines without a value of the channel have nothing to be off by."""
        rows = [row for row in self.table if row.channel == channel and row.standard_error > 0]
        tied = [row.standard_error for row in rows if "tie" in row.based_on]
        others = [row.standard_error for row in rows if "tie" not in row.based_on]
        if tied:
            more = f"; on the others to {with_unit(median(others), unit)}" if others else ""
            return [
                f"on the {len(tied)} lines that tie lines cross, the level is known to {with_unit(median(tied), unit)} "
                f"(median standard error){more}."
            ]
        if any("neighbours" in row.based_on for row in rows):
            return [
                f"no tie line crosses the lines; their level is known to {with_unit(median(others), unit)} (median "
                "standard error). Three tie lines across a grid make that several times better."
            ]
        return []


def _offsets(figures: BalanceFigures, unit: str) -> str:
    """Return the offset between the directions and the scatter of the lines in a sentence."""
    found, error, parts = figures.direction_offset, figures.direction_error or 0.0, []
    if found:
        parts.append(f"lines walked out read {found:.3g} ± {with_unit(error, unit)} more than lines walked back")
    elif found is not None:
        parts.append("no difference between the walking directions is proven")
    if figures.offset_sd is not None:
        parts.append(f"offsets of the lines scatter by {with_unit(figures.offset_sd, unit)} (standard deviation)")
    return f"{', '.join(parts) or 'nothing to balance'}."


def _sources(figures: BalanceFigures, unit: str) -> str:
    """Return the drift, and what tie lines and base readings brought, in a sentence; empty without either."""
    parts = [f"drift is about {with_unit(figures.drift_sd, unit)}"] if figures.drift_sd else []
    used = (
        [f"{counted(figures.ties, 'tie line')} with {counted(figures.crossings, 'crossing')}"] if figures.ties else []
    )
    used += [f"{counted(figures.base_readings, 'set')} of base readings"] if figures.base_readings else []
    if used and figures.se is not None and figures.se_without_ties is not None:
        parts.append(
            f"{' and '.join(used)} bring the standard error of a line from {figures.se_without_ties:.2g} to "
            f"{with_unit(figures.se, unit)}"
        )
    return f"{', '.join(parts)}." if parts else ""
