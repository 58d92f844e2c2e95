"""The scheme of a grid: what the setting-out and the logger's settings say before anybody walks."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Optional

import numpy as np
from numpy.typing import ArrayLike

from .checks import LIMITS, MOST_LINES, MOST_READINGS, check_choice, check_finite, check_limits, check_positive
from .errors import EngineError

PATTERNS = ("alternate", "one-way")
HEADINGS = {"out": 1, "back": -1}
"""Words for the walking direction (away from the baseline, back to it), and the numbers of ``Readings.heading``.
Derived: a sign, so that a position is the start edge plus the heading times a distance walked."""
ROUNDING = 1e-9
"""Added before a number of lines or readings is rounded down. Derived: far above the relative rounding of a quotient of
decimal metres (2e-16 times a few thousand lines), far below any distance that a tape shows."""
PACES = ("rate", "ends", "marks")


@dataclass(frozen=True)
class Scheme:
    """Size of a grid and how it is walked and counted.

    Attributes
    ----------
    grid : str
        Name of the grid.
    length_m, width_m : float
        Along the traverses (v) and along the baseline (u).
    spacing_m : float
        Between traverses.
    readings_per_m : float
    first_offset_m : float or None
        u of the first line; None = half the spacing.
    first_line, line_step : int
        Recorded number of the first line, and by how much the number grows from one line to the next.
    first_station : float
        Station of the first reading inside the start edge.
    pattern : str
        ``alternate`` or ``one-way``.
    first_heading : str
        ``out`` = away from the baseline, or ``back``.
    sensor_ahead_m, sensor_right_m : float
        Where the middle of the coils is, seen from the person in walking direction.
    pace : str
        ``rate`` (evenly by readings per metre), ``ends`` (stretched between noted ends), ``marks`` (between fiducials).
    """

    length_m: float
    width_m: float
    spacing_m: float
    readings_per_m: float
    grid: str = ""
    first_offset_m: Optional[float] = None
    first_line: int = 1
    line_step: int = 1
    first_station: float = 1.0
    pattern: str = "alternate"
    first_heading: str = "out"
    sensor_ahead_m: float = 0.0
    sensor_right_m: float = 0.0
    pace: str = "rate"

    def __post_init__(self) -> None:
        where = f" of grid {self.grid}" if self.grid else ""
        for name in ("length_m", "width_m", "spacing_m", "readings_per_m"):
            check_positive(name + where, getattr(self, name))
        for name in ("first_station", "sensor_ahead_m", "sensor_right_m"):
            check_finite(name + where, getattr(self, name))
        offset = self.spacing_m / 2 if self.first_offset_m is None else self.first_offset_m
        object.__setattr__(self, "first_offset_m", check_finite("first_offset_m" + where, offset))
        check_choice("pattern" + where, self.pattern, PATTERNS)
        check_choice("first_heading" + where, self.first_heading, tuple(HEADINGS))
        check_choice("pace" + where, self.pace, PACES)
        if self.line_step == 0:
            raise EngineError(f"Invalid line_step{where}: 0 was given. It must be a whole number other than zero.")
        for column in fields(self):
            if column.name in LIMITS:
                check_limits(column.name, getattr(self, column.name), where.strip() or "of the grid")
        self._check_counts(where)

    def _check_counts(self, where: str) -> None:
        """Refuse a grid without a line or a reading, and more of them than a grid has."""
        for count, most, what, by in (
            (self.line_count, MOST_LINES, "lines", "width_m and spacing_m"),
            (self.readings_per_line, MOST_READINGS, "readings a line", "length_m and readings_per_m"),
        ):
            if count < 1:
                raise EngineError(f"Invalid {by}{where}: they leave no room for {what}. Check first_offset_m as well.")
            if count > most:
                raise EngineError(f"Invalid {by}{where}: they make {count:,} {what}. At most {most:,} can be.")

    @property
    def interval_m(self) -> float:
        """Distance between readings in metres."""
        return 1.0 / self.readings_per_m

    @property
    def offset_m(self) -> float:
        """Position u of the first line in metres."""
        return self.spacing_m / 2 if self.first_offset_m is None else self.first_offset_m

    @property
    def line_count(self) -> int:
        """How many traverses the scheme has between the first offset and the width."""
        return int(np.floor((self.width_m - self.offset_m) / self.spacing_m + ROUNDING)) + 1

    @property
    def lines(self) -> np.ndarray:
        """Recorded numbers of the traverses, (line_count,) int."""
        return self.first_line + self.line_step * np.arange(self.line_count)

    @property
    def readings_per_line(self) -> int:
        """Readings between the two edges, as the rate gives it."""
        return round(self.length_m * self.readings_per_m)

    def order(self, line: ArrayLike) -> np.ndarray:
        """Return the 0-based index of recorded line numbers in the scheme (a fraction for numbers between)."""
        return (np.asarray(line, float) - self.first_line) / self.line_step

    def has_line(self, line: int) -> bool:
        """Return whether a recorded line number is one of the scheme's traverses."""
        index = (line - self.first_line) / self.line_step
        return index == int(index) and 0 <= index < self.line_count

    def position_m(self, line: ArrayLike) -> np.ndarray:
        """Return u in metres of recorded line numbers."""
        return self.offset_m + self.order(line) * self.spacing_m

    def heading(self, line: ArrayLike) -> np.ndarray:
        """Return 1 (out) or -1 (back) as the pattern gives it for recorded line numbers."""
        first = HEADINGS[self.first_heading]
        if isinstance(line, int):
            # One line at a time is asked for most.
            turned = self.pattern == "alternate" and round(float(self.order(line))) % 2 == 1
            return np.array(-first if turned else first, np.int8)
        odd = np.mod(np.round(self.order(line)), 2) == 1
        return np.where(odd & (self.pattern == "alternate"), -first, first).astype(np.int8)

    def distance_m(self, station: ArrayLike) -> np.ndarray:
        """Return v in metres of the middle of a station's interval: (s - first_station + 1/2) / readings_per_m."""
        return (np.asarray(station, float) - self.first_station + 0.5) * self.interval_m

    def edge_stations(self, heading: int, length_m: Optional[float] = None) -> tuple[float, float]:
        """Return the stations of the first and last reading inside the edges for a heading (1 or -1).

        ``length_m`` is the distance between the edges; None = the traverses' length.
        """
        readings = self.readings_per_line if length_m is None else round(length_m * self.readings_per_m)
        ends = self.first_station, self.first_station + readings - 1
        return ends if heading >= 0 else ends[::-1]
