"""The lag of the instrument over all grids of a survey: from opposite neighbours, or else from tie lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Callable, Optional, Sequence

import numpy as np

from ..core import GridStore, Lines, Platform, check_in_grid, lines_of
from . import correlation
from .correlation import Correlation, correlate, opposite
from .lag import LagEstimate, estimate_of, estimate_of_ties, shows
from .lag_of_ties import likelihoods_of
from .pace import Clock, by_line
from .record import GIVEN, NEIGHBOURS, TIES, UNKNOWN_LAG, AlignedGrid


@dataclass(frozen=True)
class FoundLag:
    """The lag of a survey.

    Attributes
    ----------
    estimate : LagEstimate
    based_on : str
        ``GIVEN``, ``NEIGHBOURS``, ``TIES``, or empty where nothing shows it.
    shows : bool
        Whether neighbours show anything, so that lines may be moved on their own.
    table : list of AlignedGrid
        A row a grid before it is moved.
    """

    estimate: LagEstimate
    based_on: str
    shows: bool
    table: list[AlignedGrid]


def lag_of(
    grids: GridStore,
    clock: Clock,
    channels: Sequence[str],
    given: Optional[float],
    platform: Platform,
    report: Callable[[float], None],
) -> FoundLag:
    """Return the lag of all grids; ``report`` is called with the fraction done of this half of the work."""
    table: list[AlignedGrid] = []
    neighbours: list[Correlation] = []
    alike: list[Correlation] = []
    ties: list[np.ndarray] = []
    for i, (name, part) in enumerate(grids.items()):
        check_in_grid(name, part)
        lines = lines_of(part)
        pairs = opposite(lines)
        if given is None:
            ratio = clock.ratios(part)
            of_lines = by_line(ratio, lines)
            neighbours += correlate(part, lines, channels, of_lines, pairs)
            if not len(pairs):
                alike += correlate(part, lines, channels, of_lines, lines.pairs)
            if not neighbours:
                ties += likelihoods_of(part, lines, channels, ratio, of_lines, platform)
        table.append(AlignedGrid(name, len(pairs), 0.0, 0, 0, "" if len(pairs) else _lone(lines)))
        report((i + 1) / len(grids.names))
    if given is not None:
        return FoundLag(LagEstimate(given, remark="The shift was given.", known=True), GIVEN, True, table)
    return _chosen(neighbours, alike, ties, channels, table)


def _chosen(
    neighbours: list[Correlation],
    alike: list[Correlation],
    ties: list[np.ndarray],
    channels: Sequence[str],
    table: list[AlignedGrid],
) -> FoundLag:
    """Return the lag by opposite neighbours where there are any, else by ties."""
    count = len(channels)
    fits = correlation.by_channel(neighbours, count)
    by_neighbours = estimate_of(fits, channels, correlation.pooled, "Opposite neighbours")
    if neighbours:
        return FoundLag(by_neighbours, NEIGHBOURS if by_neighbours.known else "", by_neighbours.known, table)
    moving = shows(correlation.pooled(correlation.by_channel(alike, count)))
    by_ties = estimate_of_ties([ties[i::count] for i in range(count)], channels)
    # Where neighbours have nothing in common, neither has what ties read: a shift would be that of the noise.
    if by_ties is not None and moving:
        return FoundLag(by_ties, TIES, moving, table)
    unknown = replace(by_neighbours, remark=UNKNOWN_LAG) if alike else by_neighbours
    return FoundLag(unknown, "", moving, table)


def _lone(lines: Lines) -> str:
    if len(set(lines.heading)) > 1:
        return "No line has a neighbour walked in the opposite direction."
    return "All lines were walked in the same direction: nothing to align."
