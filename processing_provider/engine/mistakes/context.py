"""What the checks for recording mistakes have in common: the lines of one grid side by side, and evidence."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Optional, Sequence

import numpy as np

from ..align import align_opposing
from ..core import Code, Finding, Lines, Note, Readings, Scheme, lines_of
from ..flag import flag_outliers
from .line_position import Misplacement, misplacements
from .lost_by_clock import Ends, ends_of
from .neighbour_fit import COARSE_M, Fit, NeighbourFit, correlation_as_recorded
from .order import OrderSearch
from .order_likelihood import OrderLikelihood, clearest
from .posterior import later_lines
from .spacing_by_shape import ALIGNED_M, LOGGED_M, ShapeEvidence
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
        Probability of the mistake, from the likelihood gained and prior odds of one line in a hundred.
    note : Note
    """

    grid: str
    line: int
    run: int
    certainty: float
    note: Note


@dataclass(frozen=True)
class PossibleMistake:
    """What the readings contradict, and the notes that would mend it; none where only walking again would.

    ``among`` are the numbers of the lines one of which it is about, ascending, where that is unsure. ``implied``
    are the notes of what the mistake says, also of lines that the field notes speak of, which get no proposal.
    """

    finding: Finding
    proposals: tuple[Proposal, ...] = ()
    among: tuple[int, ...] = ()
    implied: tuple[Note, ...] = ()

    @property
    def certainty(self) -> float:
        """Smallest certainty of the proposals; 0 without any."""
        return min((p.certainty for p in self.proposals), default=0.0)


@dataclass
class GridContext:
    """What the checks of one grid have in common.

    Attributes
    ----------
    readings, aligned : Readings
        As logged, and without outliers and the common lag.
    lines : Lines
    scheme : Scheme
    channels : sequence of str
    clearest : int
        Index of the channel in which neighbouring lines resemble each other most.
    matrices : (C, L, V) float64
        Lines side by side after the common lag, by channel.
    walked : (L, V) float64
        The clearest channel with each line put where it was walked.
    trusted : (L,) bool
        The lines that no check has reported yet.
    position : (L,) float64
        Positions of the lines in spacings.
    doubled : int
        How many lines were found to be walked twice.
    """

    readings: Readings
    aligned: Readings
    lines: Lines
    scheme: Scheme
    channels: Sequence[str]
    clearest: int
    matrices: np.ndarray
    walked: np.ndarray
    trusted: np.ndarray
    position: np.ndarray
    doubled: int = 0
    _likelihoods: dict[tuple[bytes, bytes], OrderLikelihood] = field(default_factory=dict)
    _searches: dict[tuple[bytes, bytes], OrderSearch] = field(default_factory=dict)
    _misplaced: dict[tuple[bytes, bytes], Misplacement] = field(default_factory=dict)
    _shapes: dict[tuple[bytes, bytes], tuple[ShapeEvidence, ShapeEvidence]] = field(default_factory=dict)

    @property
    def matrix(self) -> np.ndarray:
        """(L, V) lines side by side in the clearest channel after the common lag."""
        return self.matrices[self.clearest]

    @cached_property
    def rows(self) -> list[np.ndarray]:
        """The rows of each line in the table of readings, in walking order."""
        mine = np.flatnonzero(self.lines.owner >= 0)
        mine = mine[np.lexsort((self.readings.seq[mine], self.lines.owner[mine]))]
        return np.split(mine, np.cumsum(np.bincount(self.lines.owner[mine], minlength=len(self.lines)))[:-1])

    @cached_property
    def ends(self) -> Ends:
        """By how much each line ends short of the others."""
        return ends_of(self.readings, self.lines)

    @cached_property
    def ties(self) -> list[Tie]:
        """The tie lines."""
        return ties_of(self.aligned, self.lines, self.aligned.channels[self.channels[self.clearest]], self.matrix)

    @cached_property
    def _neighbours(self) -> NeighbourFit:
        return NeighbourFit(self.matrices, self.lines.step_m)

    def fit(self, trusted: Optional[np.ndarray] = None) -> Fit:
        """Return how well every line fits its neighbours, those that are trusted."""
        return self._neighbours.fit(self.trusted if trusted is None else trusted)

    def misplaced(self, trusted: Optional[np.ndarray] = None) -> Misplacement:
        """Return what every line gains when it is turned round or moved, held against those that are trusted."""
        trusted = self.trusted if trusted is None else trusted
        key = trusted.tobytes(), self.position.tobytes()
        if key not in self._misplaced:
            index = np.flatnonzero(trusted)
            self._misplaced[key] = misplacements(self.fit(trusted), self.likelihood(index), index)
        return self._misplaced[key]

    def likelihood(self, index: np.ndarray) -> OrderLikelihood:
        """Return the likelihood of the order of some lines after the common lag."""
        key = index.tobytes(), self.position.tobytes()
        if key not in self._likelihoods:
            size = self.lines.step_m, self.scheme.spacing_m
            self._likelihoods[key] = OrderLikelihood(self.matrix[index], self.position[index], *size, COARSE_M)
        return self._likelihoods[key]

    def shapes(self, index: np.ndarray) -> tuple[ShapeEvidence, ShapeEvidence]:
        """Return the evidence of features about the distances of lines, as logged and as walked."""
        key = index.tobytes(), self.position.tobytes()
        if key not in self._shapes:
            size = self.lines.step_m, self.scheme.spacing_m
            self._shapes[key] = (
                ShapeEvidence(self.matrix[index], self.position[index], *size, LOGGED_M),
                ShapeEvidence(self.walked[index], self.position[index], *size, ALIGNED_M),
            )
        return self._shapes[key]

    def order(self, index: np.ndarray, too_many: bool) -> OrderSearch:
        """Return the search for mistakes in the order of lines; ``too_many`` when the log has more than the grid."""
        key = index.tobytes(), self.position.tobytes()
        if key not in self._searches:
            size = self.lines.step_m, self.scheme.spacing_m
            walked = OrderLikelihood(self.walked[index], self.position[index], *size, COARSE_M)
            self._searches[key] = OrderSearch(
                self.likelihood(index), walked, self.farther(index, -1.0) if too_many else None
            )
        return self._searches[key]

    def farther(self, index: np.ndarray, spacings: float) -> np.ndarray:
        """Return the log likelihood ratio of all lines from each one on lying so much farther."""
        u, by_m = self.position[index] * self.scheme.spacing_m, spacings * self.scheme.spacing_m
        ties = [tie.of_lines(index) for tie in self.ties]
        return later_lines(farther_by_ties(ties, u, self.lines.heading[index], by_m))

    def start_m(self, i: int) -> float:
        """Return v of a line's first reading as placed."""
        return float(self.readings.v_m[self.rows[i][0]])

    def station(self, v: float, heading: int) -> float:
        """Return the whole station at which the sensor lies at v."""
        away = v - heading * self.scheme.sensor_ahead_m
        return float(round(away / self.scheme.interval_m + self.scheme.first_station - 0.5))

    def finding(self, code: Code, i: int, found: str, expected: str, advice: str, *, severity: str = "") -> Finding:
        """Return a finding about the line of index i."""
        advice = f"{advice} Nothing was changed."
        line, run = int(self.lines.line[i]), int(self.lines.run[i])
        return code.finding(found, expected, advice, severity=severity, grid=self.scheme.grid, line=line, run=run)

    def proposal(
        self,
        i: int,
        certainty: float,
        *,
        kind: str = "survey",
        heading: int = 0,
        start_station: Optional[float] = None,
        position_m: Optional[float] = None,
    ) -> Proposal:
        """Return the proposal of a note on the line of index i."""
        line, run = int(self.lines.line[i]), int(self.lines.run[i])
        note = Note(self.scheme.grid, line, run, start_station=start_station, position_m=position_m, heading=heading,
                    kind=kind, where=BY_READINGS)  # fmt: skip
        return Proposal(self.scheme.grid, line, run, certainty, note)


@dataclass(frozen=True)
class AlignedReadings:
    """Readings of one grid in which outliers are flagged, values as logged.

    Attributes
    ----------
    shifted, walked : Readings
        Moved by the lag of the instrument; each line moved by its own position errors as well.
    """

    shifted: Readings
    walked: Readings


def aligned_alone(readings: Readings, channels: Sequence[str]) -> AlignedReadings:
    """Return the placed readings of one grid, flagged and aligned by what they show themselves."""
    # Nobody asks where on the map they lie then, and to move that takes longer than the rest.
    unknown = np.full(len(readings), np.nan)
    unmapped = readings.replace(x=unknown, y=unknown)
    # A spike in two neighbours would pass for a feature that one of them has at the wrong position.
    flagged = flag_outliers(unmapped, channels=channels)[0]
    shifted, record = align_opposing(flagged, channels=channels, per_traverse=False)
    if not record.figures.shift_m and record.figures.estimate_m:
        shifted = _of_most_lines(flagged, shifted, record.figures.estimate_m, channels)
    return AlignedReadings(shifted, align_opposing(shifted, channels=channels, shift_m=0.0)[0])


def _of_most_lines(flagged: Readings, logged: Readings, shift_m: float, channels: Sequence[str]) -> Readings:
    """Return the readings moved by a lag that was not proven where most lines fit their neighbours better then.

    One line turned round in a small grid is enough to make the scatter of the lag too large.
    """
    moved = align_opposing(flagged, channels=channels, shift_m=shift_m, per_traverse=False)[0]
    return max(logged, moved, key=lambda one: _typical_correlation(one, channels))


def _typical_correlation(readings: Readings, channels: Sequence[str]) -> float:
    """Return the median over the lines of one grid of their correlation with their neighbours as they lie."""
    lines = lines_of(readings)
    matrices = lines.resample(readings, readings.stacked(channels))
    return float(np.median(correlation_as_recorded(matrices, lines.step_m)))


def aligned_by_corrections(readings: Readings, corrected: Readings, shift_m: float) -> AlignedReadings:
    """Return the placed readings of one grid, flagged and aligned as the corrections of its survey did.

    Parameters
    ----------
    readings, corrected : Readings
        The same readings in the same order, before and after the corrections.
    shift_m : float
        The shift that alignment applied, in metres. Where it applied none to lines out and back, the lag is looked for
        again, as ``aligned_alone`` does.
    """
    if not shift_m and {-1, 1} <= set(readings.heading[readings.in_use].tolist()):
        return aligned_alone(readings, tuple(c for c, v in readings.channels.items() if np.isfinite(v).any()))
    logged = corrected.replace(channels={**corrected.channels, **corrected.raw})
    flagged = readings.with_flag("outlier", corrected.has_flag("outlier"))
    return AlignedReadings(align_opposing(flagged, shift_m=shift_m, per_traverse=False)[0], logged)


def context_of(readings: Readings, scheme: Scheme, channels: Sequence[str], aligned: AlignedReadings) -> GridContext:
    """Return what the checks have in common for placed readings of one grid."""
    shifted, each = aligned.shifted, aligned.walked
    lines = lines_of(shifted)
    logged = lines.resample(shifted, shifted.stacked(channels))
    best = clearest(lines, logged, COARSE_M)
    # All channels at once: a reading without a value in one of them is left out by itself.
    walked = lines.resample(each, each.stacked(channels))[best]
    trusted, position = np.ones(len(lines), bool), lines.u / scheme.spacing_m
    return GridContext(readings, shifted, lines, scheme, channels, best, logged, walked, trusted, position)
