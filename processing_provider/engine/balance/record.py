"""What balancing traverses did."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import ClassVar, Mapping, Optional

import numpy as np

from ..core import Finding, Lines, Readings, Record, counted, with_unit
from ..jumps import Jump
from .line_spectrum import Ridges


@dataclass(frozen=True)
class RidgesFound:
    """Ridges along the lines of one grid: their distance, the direction of lines clockwise from the y axis, ties."""

    grid: str
    period_m: float
    direction_deg: Optional[float]
    ties: int

    @classmethod
    def of(cls, part: Readings, lines: Lines, ridges: Ridges, ties: int) -> RidgesFound:
        """Return what the record says of the ridges of one grid with some tie lines."""
        mine = lines.owner >= 0
        along, x, y = (of[mine] - of[mine].mean() for of in (part.v_m, part.x, part.y))
        direction = float(np.degrees(np.arctan2(along @ x, along @ y)))
        known = float(round(direction) % 180) if np.isfinite(direction) else None
        return cls(part.grids[part.grid[0]], round(ridges.period_m, 2), known, ties)

    @property
    def direction(self) -> str:
        """Direction in words; empty where the grid has no corners."""
        return "" if self.direction_deg is None else f", at {self.direction_deg:.0f} degrees"


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
    alone : tuple of str
        Grids whose lines have no proven offsets and no proven drift: nothing was taken off.
    ridges : tuple of RidgesFound
        Ridges along the lines, which were kept.
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
    alone: tuple[str, ...] = ()
    ridges: tuple[RidgesFound, ...] = ()


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
            said += [_left_alone(figures), *_kept_ridges(figures)]
            said += [jump.sentence(unit) for jump in self.jumps if jump.channel == channel and not jump.left]
            found += [f"{channel}: {sentence}" for sentence in said if sentence]
        return found

    def warnings(self, units: Mapping[str, str]) -> list[str]:
        """Return the jumps that may be edges of the ground, and the ridges that no tie line confirms."""
        left = [jump for jump in self.jumps if jump.left]
        unsure = [f"{jump.channel}: {jump.sentence(units.get(jump.channel, ''))}" for jump in left]
        return unsure + [
            f"{channel}: walk three tie lines across grid {one.grid}. Its lines rise and fall regularly, every "
            f"{one.period_m:.1f} m across them. That was taken for ridges that run along the "
            f"lines{one.direction}, and kept; only tie lines can prove it."
            for channel, figures in self.figures.items()
            for one in figures.ridges
            if not one.ties
        ]

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


def _left_alone(figures: BalanceFigures) -> str:
    """Return which grids were left as they are in a sentence; empty of none."""
    if not figures.alone:
        return ""
    several = len(figures.alone) > 1
    return (
        f"no line of grid{'s' * several} {', '.join(figures.alone)} has a proven offset and no drift is proven, so "
        "nothing was taken off there."
    )


def _kept_ridges(figures: BalanceFigures) -> list[str]:
    """Return which ridges tie lines confirm, in sentences."""
    return [
        f"grid {one.grid} has ridges along its lines, {one.period_m:.1f} m from each other, which were kept; "
        f"{counted(one.ties, 'tie line')} determined the levels."
        for one in figures.ridges
        if one.ties
    ]


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
