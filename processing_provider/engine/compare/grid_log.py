"""The log of one grid as the checks see it: its recordings in summary, and where lines are bare."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Callable, Optional, Sequence, Union

import numpy as np

from ..core import UNREADABLE, Code, Finding, Note, Readings, Scheme, notes_for
from ..place import SAME_STATION, note_for_run
from .line_summaries import RunSummary, figures_of, summary_of, with_superseded

Stretch = tuple[float, float]
"""First and last station of a piece of a line."""
MANY = 4
"""So many lines with the same fault have one cause when they are most of the lines; fewer are listed by number.
Derived: see ``MOST``, which is safe from so many lines on."""
MOST = 0.6
"""Fraction of the lines from which on a fault is one of the register or the layout, not of the walk. Derived: where
each line has a fault of its own with a probability of 0.1, at least ``MANY`` lines and more than this fraction of them
have it with a probability of 0.0013 at most (binomial distribution, six lines)."""


def for_most(holds: np.ndarray) -> bool:
    """Return whether something holds for more than ``MOST`` of the lines; ``holds`` is (n,) bool."""
    return bool(np.mean(holds) > MOST)


ROUNDING_M = 1e-9
"""Lengths may be longer than a limit by this much. Derived: sums of intervals are rounded to 1e-13 m at most, and no
interval between readings is as short as a micrometre."""


STEP = "a change of 1"  # of the stations from one reading to the next
SAME_STEP = 1e-6
"""A step of the stations so near to 1 is it. Derived: as ``ROUNDING_M``, for stations of up to nine digits."""


@dataclass(frozen=True)
class GridLog:
    """The log of one grid as the checks see it.

    Attributes
    ----------
    readings : Readings
    scheme : Scheme
    notes : list of Note
    runs : tuple of RunSummary
        In the order of the log.
    common_step : float
        By how much the station changes from one reading to the next; NaN without stations.
    """

    readings: Readings
    scheme: Scheme
    notes: list[Note]
    runs: tuple[RunSummary, ...]
    common_step: float

    @cached_property
    def walked(self) -> list[RunSummary]:
        """Recordings of survey lines, redone ones included."""
        return [r for r in self.runs if r.walked]

    @cached_property
    def other_step(self) -> str:
        """What is found where the stations do not change by 1; empty where they do, and without stations."""
        step = self.common_step
        if not np.isfinite(step) or abs(step - 1) <= SAME_STEP:
            return ""
        return f"The stations change by {step:g} from one reading to the next."

    @cached_property
    def kept(self) -> list[RunSummary]:
        """Recordings that show the ground of a line of the scheme and that no later one replaces."""
        return [r for r in self.walked if r.target is not None and not r.superseded]

    @cached_property
    def common_overrun_m(self) -> tuple[float, float]:
        """Median distance by which recordings run past the edge with the low and with the high stations, in metres."""
        low, high = self.scheme.edge_stations(1)
        over = [(low - r.low, r.high - high) for r in self.kept] or [(0.0, 0.0)]
        below, above = np.nanmedian(over, axis=0) * self.scheme.interval_m
        return float(below), float(above)

    @cached_property
    def missing(self) -> list[int]:
        """Lines of the scheme without a recording, of which not all is noted as obstacle."""
        have = {r.target for r in self.walked}
        return [n for n in self.scheme.lines.tolist() if n not in have and self.bare_stretches(n, [])]

    @cached_property
    def noted_lines(self) -> set[int]:
        """Lines that the notes say were walked."""
        return {n.line for n in self.notes if n.line is not None and n.kind in ("survey", "redo")}

    def finding(
        self,
        code: Code,
        where: Union[RunSummary, int, None],
        found: str,
        expected: str,
        advice: str,
        *,
        severity: str = "",
        action: Optional[str] = None,
        also: Sequence[int] = (),
    ) -> Finding:
        """Return a finding about a recording, a line number or (None) the whole grid."""
        line, run = (where.line, where.run.run) if isinstance(where, RunSummary) else (where, None)
        grid = self.scheme.grid
        return code.finding(
            found, expected, advice, severity=severity, grid=grid, line=line, run=run, action=action, also=also
        )

    def bare_stretches(self, line: Optional[int], runs: Sequence[RunSummary]) -> list[Stretch]:
        """Return the stretches of a line without readings of ``runs`` and without a noted obstacle."""
        first, count = self.scheme.first_station, self.scheme.readings_per_line
        # Most recordings cover their whole line.
        if any(run.low - 1 < first and run.high + 1 > first + count - 1 for run in runs):
            return []
        station = first + np.arange(count)
        bare = np.ones(len(station), bool)
        for run in runs:
            bare &= (station <= run.low - 1) | (station >= run.high + 1)
        for note in self.notes:
            if note.kind == "obstacle" and note.line in (None, line):
                ends = [s for s in (note.start_station, note.stop_station) if s is not None]
                bare &= (station < min(ends, default=-np.inf) - SAME_STATION) | (
                    station > max(ends, default=np.inf) + SAME_STATION
                )
        return [(float(station[a]), float(station[b - 1])) for a, b in blocks(bare)]

    def bare_beside(self, run: RunSummary) -> list[Stretch]:
        """Return the stretches of a recording's line for which no other recording than this one has readings."""
        return self.bare_stretches(run.target, [r for r in self.kept if r.target == run.target and r is not run])

    def misplaced_obstacle(self, line: Optional[int], stretch: Stretch) -> str:
        """Return what to do where a bare stretch of a line may be an obstacle noted at other stations; mostly empty."""
        for note in self.notes:
            ends = [s for s in (note.start_station, note.stop_station) if s is not None]
            if note.kind == "obstacle" and note.line == line and len(ends) == 2:
                if min(ends) > stretch[1] or max(ends) < stretch[0]:
                    where = f"{note.where or 'the notes'}, stations {min(ends):g} to {max(ends):g}"
                    return f" If it is the obstacle of {where}, correct that row."
        return ""

    def length_m(self, stretch: Stretch) -> float:
        """Return the length of a stretch in metres, half an interval on either side of its readings included."""
        return (stretch[1] - stretch[0] + 1) * self.scheme.interval_m

    def overlap_m(self, a: RunSummary, b: RunSummary) -> float:
        """Return the distance in metres that two recordings have in common; zero or less when they have none."""
        return self.length_m((max(a.low, b.low), min(a.high, b.high)))


@dataclass(frozen=True)
class Cause:
    """A finding, and the codes of those that it makes needless: on its own lines (None: on all lines), and on any."""

    finding: Finding
    codes: tuple[Code, ...]
    everywhere: tuple[Code, ...] = ()

    def explains(self, other: Finding) -> bool:
        """Whether the other finding has this cause."""
        if other.code in [code.word for code in self.everywhere]:
            return True
        if other.code not in [code.word for code in self.codes]:
            return False
        lines = {self.finding.line, *self.finding.also}
        return lines == {None} or (bool(other.also) and set(other.also) <= lines) or other.line in lines - {None}


def summarise(readings: Readings, scheme: Scheme, notes: Sequence[Note]) -> GridLog:
    """Return the recordings of one grid's log in summary; ``readings`` must not be empty."""
    own = [note for note in notes_for(notes, scheme.grid) if note.kind != UNREADABLE]
    figures, common = figures_of(readings, readings.runs())
    recordings: dict[int, int] = {}
    for item in figures:
        recordings[item.line] = max(item.run.run, recordings.get(item.line, 0))
    summaries = [
        summary_of(item, scheme, note_for_run(own, item.line, item.run.run, recordings[item.line])) for item in figures
    ]
    return GridLog(readings, scheme, own, tuple(with_superseded(summaries, scheme)), common)


def blocks(mask: np.ndarray) -> list[tuple[int, int]]:
    """Return (begin, end) of each unbroken piece of a (n,) bool, end not included."""
    cuts = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return list(zip(cuts[::2].tolist(), cuts[1::2].tolist()))


def grouped(runs: Sequence[RunSummary], key: Callable[[RunSummary], Optional[int]]) -> dict[int, list[RunSummary]]:
    """Return the recordings by a number, those without one left out."""
    groups: dict[int, list[RunSummary]] = {}
    for run in runs:
        number = key(run)
        if number is not None:
            groups.setdefault(number, []).append(run)
    return groups


def listed(numbers: Sequence[int], *, counted: bool = True) -> str:
    """Return line numbers for a sentence: all of a few, else the first and last, and how many where ``counted``."""
    if len(numbers) > MANY:
        return f"{numbers[0]} to {numbers[-1]}" + f" ({len(numbers)} lines)" * counted
    return ", ".join(str(n) for n in numbers)


def way(heading: int) -> str:
    """Return the word for a walking direction, 1 or -1."""
    return "out" if heading > 0 else "back"
