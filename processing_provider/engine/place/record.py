"""What placing the readings of a grid did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Mapping, Optional

from ..core import Key, Record, Reset, with_unit


@dataclass(frozen=True)
class PlacedLine:
    """One recording of a line as it was placed.

    Attributes
    ----------
    grid : str
    line, run : int
    kind : str
        What it was taken for, one of ``KINDS``.
    heading : int
        1 out, -1 back.
    readings, in_use : int
        How many readings it has, and how many of them count.
    position_m : float or None
        u of a line, v of a tie line; None where it has no place.
    """

    grid: str
    line: int
    run: int
    kind: str
    heading: int
    readings: int
    in_use: int
    position_m: Optional[float]

    @property
    def key(self) -> Key:
        """(grid, line, run)."""
        return self.grid, self.line, self.run


@dataclass(frozen=True)
class FullScale:
    """Readings of one grid that stand at an end of the scale of a channel.

    Attributes
    ----------
    grid, channel : str
    end : str
        ``highest`` or ``lowest``.
    value : float
        At that end, in the unit of the channel.
    readings, of : int
        How many stand there, of how many that have a value.
    error : float
        Standard error of what the ground exceeds them by.
    """

    grid: str
    channel: str
    end: str
    value: float
    readings: int
    of: int
    error: float


@dataclass(frozen=True)
class PlaceRecord(Record):
    """What ``place_readings`` did.

    ``figures`` counts readings by flag, ``table`` has a row a recording, ``resets`` where the notes say that the
    instrument was set to zero anew or changed, ``full_scale`` a row a channel whose scale ended.
    """

    step: ClassVar[str] = "placereadings"
    title: ClassVar[str] = "Readings placed on the ground"
    figures: Mapping[str, int]
    table: tuple[PlacedLine, ...]
    resets: tuple[Reset, ...] = ()
    full_scale: tuple[FullScale, ...] = ()

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return how many readings carry each flag, how many are in use, and where the instrument was reset."""
        counts = [f"{count} readings {word}" for word, count in self.figures.items()]
        where = ", ".join(reset.where for reset in self.resets)
        resets = [f"Noted as reset (set to zero anew or changed): {where}"] if where else []
        full_scale = [
            f"{one.channel}: {one.readings} of {one.of} readings stand at the end of the scale, "
            f"{with_unit(one.value, units.get(one.channel, ''), 6)}"
            for one in self.full_scale
        ]
        return [*counts, *resets, *full_scale]
