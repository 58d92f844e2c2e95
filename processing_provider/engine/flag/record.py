"""What flagging outliers did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Mapping, Optional

from ..core import Record, counted


@dataclass(frozen=True)
class FlagFigures:
    """Figures of the whole survey.

    Attributes
    ----------
    flagged, readings : int
        How many readings were flagged, of how many that were in use before.
    noise : mapping
        Noise of single readings by channel, median of the grids, in the channel's unit; None = not enough readings.
    """

    flagged: int
    readings: int
    noise: Mapping[str, Optional[float]]


@dataclass(frozen=True)
class FlaggedGrid:
    """Outliers of one grid in one channel, and the noise of its readings."""

    grid: str
    channel: str
    flagged: int
    noise: Optional[float]


@dataclass(frozen=True)
class FlagRecord(Record):
    """What ``flag_outliers`` did; ``table`` has a row a grid and channel."""

    step: ClassVar[str] = "flagoutliers"
    title: ClassVar[str] = "Outlying readings flagged"
    figures: FlagFigures
    table: tuple[FlaggedGrid, ...]

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return how many readings were flagged."""
        return [f"{self.figures.flagged} of {counted(self.figures.readings, 'reading')} in use were flagged."]
