"""What the checks of doubts share: the lines of one grid side by side, and the evidence about their places."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Optional, Sequence

import numpy as np

from ..align import align_opposing
from ..core import Code, Finding, Lines, Note, Readings, Scheme, lines_of
from ..flag import flag_outliers
from .neighbour_fit import GROUND_M, Fit, fits
from .order_likelihood import clearest
from .posterior import of_later_lines
from .spacing_by_features import farther, tracks_of
from .spacing_by_shape import LOGGED_M, WALKED_M, Gaps
from .spacing_by_ties import Tie, farther_by_ties, ties_of

BY_READINGS = "a proposal from the readings"


@dataclass(frozen=True)
class Proposal:
    """A note that would mend a line.

    Attributes
    ----------
    grid : str
    line, run : int
    certainty : float
        Probability that the fault is there, from the likelihood gained and prior odds of one line in a hundred.
    note : Note
    """

    grid: str
    line: int
    run: int
    certainty: float
    note: Note


@dataclass(frozen=True)
class Doubt:
    """What the readings contradict, and the notes that would mend it; none where only walking again would.

    ``among`` are the numbers of the lines one of which it is about, ascending, where that is unsure.
    """

    finding: Finding
    proposals: tuple[Proposal, ...] = ()
    among: tuple[int, ...] = ()

    @property
    def certainty(self) -> float:
        """Smallest certainty of the proposals; 0 without any."""
        return min((p.certainty for p in self.proposals), default=0.0)


@dataclass
class Work:
    """What the checks share.

    ``trusted`` (L,) are the lines that no check has doubted yet, ``place`` (L,) their places in spacings, ``matrix``
    (L, V) their readings side by side in the clearest channel (by its place among ``channels``) after the common lag,
    ``walked`` with each line put where it was walked; ``doubled`` how many lines were found to be walked twice,
    ``judged`` what was found about each order of lines.
    """

    readings: Readings
    aligned: Readings
    lines: Lines
    scheme: Scheme
    channels: Sequence[str]
    trusted: np.ndarray
    place: np.ndarray
    clearest: int
    matrix: np.ndarray
    walked: np.ndarray
    doubled: int = 0
    judged: dict = field(default_factory=dict)

    def finding(self, code: Code, i: int, found: str, expected: str, advice: str, *, severity: str = "") -> Finding:
        advice = f"{advice} Nothing was changed."
        line, run = int(self.lines.line[i]), int(self.lines.run[i])
        return code.finding(found, expected, advice, severity=severity, grid=self.scheme.grid, line=line, run=run)

    def proposal(self, i: int, certainty: float, **note) -> Proposal:
        line, run = int(self.lines.line[i]), int(self.lines.run[i])
        noted = Note(self.scheme.grid, line, run, where=BY_READINGS, **note)
        return Proposal(self.scheme.grid, line, run, certainty, noted)

    def fit(self, trusted: Optional[np.ndarray] = None) -> Fit:
        """Return how well every line fits its neighbours, those that are trusted."""
        return fits(self.aligned, self.lines, self.channels, self.trusted if trusted is None else trusted)

    def gaps(self, index: np.ndarray) -> tuple[Gaps, Gaps]:
        """Return what features tell of the distances of lines, as logged and as walked."""
        size = self.lines.step_m, self.scheme.spacing_m
        return (
            Gaps(self.matrix[index], self.place[index], *size, LOGGED_M),
            Gaps(self.walked[index], self.place[index], *size, WALKED_M),
        )

    def farther(self, index: np.ndarray, spacings: float) -> np.ndarray:
        """Return the log likelihood ratio of all lines from each one on lying so much farther."""
        u, step, by_m = self.place[index] * self.scheme.spacing_m, self.lines.step_m, spacings * self.scheme.spacing_m
        tracks = tracks_of(self.matrix[index], u, step)
        ties = [tie.of_lines(index) for tie in self.ties]
        return of_later_lines(
            farther(tracks, u, self.matrix.shape[1] * step, by_m),
            farther_by_ties(ties, u, self.lines.heading[index], by_m),
        )

    @cached_property
    def ties(self) -> list[Tie]:
        return ties_of(self.aligned, self.lines, self.aligned.channels[self.channels[self.clearest]], self.matrix)

    def start_m(self, i: int) -> float:
        """Return v of a line's first reading as placed."""
        mine = np.flatnonzero(self.lines.owner == i)
        return float(self.readings.v_m[mine[np.argmin(self.readings.seq[mine])]])

    def station(self, v: float, heading: int) -> float:
        """Return the whole station at which the sensor lies at v."""
        away = v - heading * self.scheme.sensor_ahead_m
        return float(round(away / self.scheme.interval_m + self.scheme.first_station - 0.5))


def work_of(readings: Readings, scheme: Scheme, channels: Sequence[str]) -> Work:
    """Return what the checks share for placed readings of one grid."""
    # A spike in two neighbours would pass for a feature that one of them has at the wrong place.
    flagged = flag_outliers(readings, channels=channels)[0]
    aligned = align_opposing(flagged, channels=channels, per_traverse=False)[0]
    lines = lines_of(aligned)
    walked = align_opposing(aligned, channels=channels, shift_m=0.0)[0]
    logged, walked = (lines.resample(r, r.stacked(channels)) for r in (aligned, walked))
    best = clearest(lines, logged, GROUND_M)
    trusted = np.ones(len(lines), bool)
    return Work(
        readings,
        aligned,
        lines,
        scheme,
        channels,
        trusted,
        lines.u / scheme.spacing_m,
        best,
        logged[best],
        walked[best],
    )
