"""What interpolating a channel did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Mapping

from ..core import Record


@dataclass(frozen=True)
class MapRecord(Record):
    """What ``interpolate_readings`` did for one channel.

    Attributes
    ----------
    figures : mapping
        Numbers by their names, which differ from method to method.
    left_out : tuple of str
        A sentence a grid that could not be interpolated.
    channel : str
    """

    step: ClassVar[str] = "interpolatereadings"
    title: ClassVar[str] = "Interpolated to rasters"
    figures: Mapping[str, object]
    left_out: tuple[str, ...]
    channel: str

    def warnings(self, units: Mapping[str, str]) -> list[str]:
        """Return which grids could not be interpolated."""
        return list(self.left_out)
