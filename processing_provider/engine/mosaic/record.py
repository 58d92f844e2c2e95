"""What balancing grids did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Mapping, Optional

from ..core import Record, counted, with_unit


@dataclass(frozen=True)
class MosaicFigures:
    """Figures of one channel.

    Attributes
    ----------
    seams : int
        Edges that two grids share.
    step_before, step_after : float or None
        Root mean square over the edges of the steps across them; None without edges.
    drift_sd : float or None
        Standard deviation of the drift that is left inside the grids.
    islands : tuple of str
        Grids that touch no other one and stay as they are.
    remark : str
        What the edges cannot determine, in sentences; empty when nothing is open.
    open_steps : tuple of (str, str, float)
        Every two grids that meet and whose step is not known, and its standard error.
    """

    seams: int
    step_before: Optional[float]
    step_after: Optional[float]
    drift_sd: Optional[float]
    islands: tuple[str, ...]
    remark: str
    open_steps: tuple[tuple[str, str, float], ...]


@dataclass(frozen=True)
class GridLevel:
    """What was taken off one grid in one channel, in the channel's unit.

    Attributes
    ----------
    grid, channel : str
    offset, gain : float
        With the median c of the grid and its centre (x0, y0), the balanced value is
        c + (value - c) / gain - offset - slope_x (x - x0) - slope_y (y - y0), less the drift of its line.
    slope_x, slope_y : float
        Per metre.
    drift : float
        Standard deviation of the curve across the survey lines that came off.
    standard_error : float
        Of the offset.
    neighbours : int
        Edges that the grid shares with others.
    based_on : str
    """

    grid: str
    channel: str
    offset: float
    gain: float
    slope_x: float
    slope_y: float
    drift: float
    standard_error: float
    neighbours: int
    based_on: str


@dataclass(frozen=True)
class MosaicRecord(Record):
    """What ``balance_grids`` did; ``figures`` by channel, ``table`` has a row a grid and channel."""

    step: ClassVar[str] = "balancegrids"
    title: ClassVar[str] = "Neighbouring grids balanced"
    figures: Mapping[str, MosaicFigures]
    table: tuple[GridLevel, ...]

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return how the steps across shared edges changed, and what base readings brought."""
        found = []
        for channel, figures in self.figures.items():
            if figures.step_before is None or figures.step_after is None:
                found.append(f"{channel}: no two grids meet, so nothing was changed.")
            else:
                found.append(
                    f"{channel}: the steps along {counted(figures.seams, 'shared edge')} fell from "
                    f"{figures.step_before:.2g} to {with_unit(figures.step_after, units.get(channel, ''))} (root mean "
                    "square)."
                )
            based = sum(row.channel == channel and "base readings" in row.based_on for row in self.table)
            if based:
                found.append(f"{channel}: base readings on one spot also determine the levels of {based} grids.")
        return found

    def warnings(self, units: Mapping[str, str]) -> list[str]:
        """Return what the edges cannot determine, and what to walk where a step stays open."""
        found = []
        for channel, figures in self.figures.items():
            found += [f"{channel}: {figures.remark}"] if figures.remark else []
            if figures.open_steps:
                pairs = "; ".join(f"{one} and {other}" for one, other, _ in figures.open_steps)
                worst = with_unit(max(error for *_, error in figures.open_steps), units.get(channel, ""))
                found.append(
                    f"{channel}: walk one tie line across the edge of grids {pairs}. Steps there are known to {worst} "
                    "at worst (standard error), as what runs along an edge looks like a step."
                )
        return found
