"""Alignment: the lag of the instrument by walking direction, and the along-line position errors of each line."""

from __future__ import annotations

from dataclasses import replace
from typing import Mapping, Optional, Sequence

import numpy as np

from ..core import (
    CARRIED,
    PLACE,
    GridStore,
    Lines,
    Platform,
    Progress,
    Readings,
    check_channels,
    check_finite,
    check_limits,
    flag_bit,
    for_tables,
    lines_of,
    median,
    part_of,
    platform_named,
)
from .channel_lags import moved_values
from .lag import LagEstimate
from .pace import Clock, by_line, clock_of
from .record import AlignedChannel, AlignedGrid, AlignedLine, AlignFigures, AlignRecord
from .search import FoundLag, lag_of
from .tie_evidence import evidence_of_ties
from .walk import PositionErrors, position_errors

LEAST_LINES, LEAST_LENGTH_M = 3, 4.0
"""Fewer or shorter lines show nothing of their position errors. Derived: a line needs one on either side, and four
metres hold the coarse Gaussian of the band-pass on both sides of their middle."""


@for_tables
def align_opposing(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    shift_m: Optional[float] = None,
    per_traverse: bool = True,
    platform: str = CARRIED.name,
    progress: Progress = None,
) -> AlignRecord:
    """Move every reading along its traverse by the lag of the instrument, and each line by its own position errors.

    A reading moves by ``heading * shift_m`` along the traverse: v' = v + heading * shift_m. A logger that writes a
    value 0.25 s late at 1 m/s needs ``shift_m`` = -0.25; opposite lines then move by 0.50 m to each other. The lag is a
    time: a line that was walked faster than the median moves by more. After that each line gets its own small shift,
    stretch and wander in between.

    Parameters
    ----------
    readings : Readings
        Placed readings of one or several grids walked with the same instrument.
    channels : sequence of str, optional
        Channels that the estimate rests on; all when not given. All channels move with the readings; the values of one
        whose lag differs from that of the clearest channel by three standard errors move along the lines besides.
    shift_m : float, optional
        Shift in metres at the median speed; estimated when not given.
    per_traverse : bool
        Whether lines get a correction of their own.
    platform : str
        How the instrument was moved (``PLATFORMS``): what is expected of a line's own errors.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    Readings, AlignRecord
        Moved readings (``v_m`` and, where there is a map position, ``x`` and ``y``; with ``per_traverse`` the standard
        error of the position in ``se``) and the record.

    Raises
    ------
    EngineError
        When the shift is no number, a channel or the platform is not there, or readings lie in no grid.

    Notes
    -----
    The lag is the peak of the normalised cross-correlation of band-passed neighbours walked in opposite directions, its
    standard error a jackknife. What is not proven (smaller than two standard errors, no significant correlation, or a
    peak at the end of the search range of 1 m) is reported and not applied; where neighbours show nothing at all, no
    line is moved on its own either. Grids walked one way move by the lag of the others; where all are, the lag comes
    from tie lines, and without them it is unknown, which the standard errors of the positions hold. Tie lines show the
    position errors of the lines that they cross. See ``docs/methods/align.md``.

    References
    ----------
    Efron, B., Stein, C., 1981. The jackknife estimate of variance. Annals of Statistics 9(3), 586-596.
    """
    chosen, moved_by = check_channels(channels, grids.channels), platform_named(platform)
    given = None if shift_m is None else check_limits("shift_m", check_finite("shift_m", shift_m), "of the alignment")
    report = progress or (lambda fraction: None)
    clock = clock_of(grids)
    lag = lag_of(grids, clock, chosen, given, moved_by, part_of(report, 0.0, 0.5))
    walks = _Positions(chosen if per_traverse and lag.shows else (), moved_by)
    table, lost = lag.table, dict.fromkeys(lag.estimate.own, 0)
    for i, (name, part) in enumerate(grids.items()):
        moved, shift = _aligned(name, part, clock, lag.estimate, walks, per_traverse)
        came_in, went_out = _edge_changes(part, moved)
        table[i] = replace(table[i], shift_m=shift, came_in=came_in, went_out=went_out)
        for channel in lost:
            lost[channel] += _lost(part, moved, channel)
        grids.put(name, moved)
        report((len(grids.names) + i + 1) / (2 * len(grids.names)))
    figures = walks.added(_figures(lag, clock, table))
    options = {"channels": list(chosen), "shift_m": given, "per_traverse": bool(per_traverse), "platform": platform}
    return AlignRecord(
        options, figures, tuple(table), tuple(walks.rows), _by_channel(lag.estimate, clock, chosen, lost)
    )


def _figures(lag: FoundLag, clock: Clock, table: Sequence[AlignedGrid]) -> AlignFigures:
    """Return figures with the lag and what became of the grids."""
    one = lag.estimate
    error_s = clock.seconds_of(one.shift_error_m)
    return AlignFigures(
        shift_m=one.shift_m,
        estimate_m=one.estimate_m,
        shift_error_m=one.shift_error_m,
        pairs=sum(row.pairs for row in table),
        correlation_before=one.correlation_before,
        correlation_after=one.correlation_after,
        came_in=sum(row.came_in for row in table),
        went_out=sum(row.went_out for row in table),
        remark=one.remark,
        lag_s=clock.seconds_of(one.shift_m),
        lag_error_s=None if error_s is None else abs(error_s),
        lag_readings=clock.readings_of(one.shift_m),
        based_on=lag.based_on,
    )


def _by_channel(
    one: LagEstimate, clock: Clock, channels: Sequence[str], lost: Mapping[str, int]
) -> tuple[AlignedChannel, ...]:
    """Return a row a channel where their lags differ."""
    rows = []
    for name in channels if one.own else ():
        shift, error = one.own.get(name, (one.shift_m, one.shift_error_m))
        rows.append(AlignedChannel(name, shift, error, clock.seconds_of(shift), name in one.own, lost.get(name, 0)))
    return tuple(rows)


def _lost(part: Readings, moved: Readings, channel: str) -> int:
    """Return how many readings in use have no value of the channel any more."""
    before, after = np.isfinite(part.channels[channel]), np.isfinite(moved.channels[channel])
    return int(np.count_nonzero(moved.in_use & before & ~after))


def _aligned(
    name: str, part: Readings, clock: Clock, lag: LagEstimate, walks: _Positions, per_traverse: bool
) -> tuple[Readings, float]:
    """Return the readings of a grid moved by the lag and the position errors of their lines, and the shift.

    The shift is that at the median speed of the grid; the readings are those that came where nothing changes.
    """
    lines, ratio = lines_of(part), clock.ratios(part)
    of_lines = by_line(ratio, lines)
    one = part
    for channel, (shift, _) in lag.own.items():
        one = one.with_channel(channel, moved_values(one, channel, (shift - lag.shift_m) * ratio))
    move = np.where(lines.owner >= 0, part.heading * lag.shift_m * ratio, 0.0)
    left = np.where(lines.owner >= 0, lag.open_m * ratio, np.nan)
    own, error = walks.moves(name, one, lines, move, left)
    move += own
    if not lag.known:
        error = np.where(np.isnan(error), np.hypot(left, walks.platform.along_m), error)
    moved = _moved(one, lines, move) if move.any() else one
    if per_traverse or not lag.known:
        moved = moved.replace(se={**moved.se, PLACE: error})
    return moved, lag.shift_m * median(of_lines) if move.any() else 0.0


class _Positions:
    """Position errors of the lines of one grid after the other, by some channels; none without channels."""

    def __init__(self, channels: Sequence[str], platform: Platform) -> None:
        self._channels, self.platform = channels, platform
        self.rows: list[AlignedLine] = []
        self._squares: list[float] = []
        self._weights: list[int] = []
        self._sds: list[float] = []

    def moves(
        self, name: str, part: Readings, lines: Lines, move: np.ndarray, left: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return what readings (n,) of a grid move by after ``move``, and the standard errors of their positions then.

        Both in metres; errors are NaN where nothing is known. ``left`` (n,) is the standard error of the lag.
        """
        unknown = np.zeros(len(part)), np.full(len(part), np.nan)
        if not self._channels:
            return unknown
        moved = _crossed(part.replace(v_m=part.v_m + move) if move.any() else part, part, lines)
        # The common axis starts where the moved readings do.
        fresh = lines_of(moved)
        if len(fresh) < LEAST_LINES or np.ptp(fresh.v) < LEAST_LENGTH_M:
            return unknown
        matrices = list(fresh.resample(moved, moved.stacked(self._channels)))
        found = position_errors(matrices, fresh, platform=self.platform)
        placed = _crossed(moved.replace(v_m=moved.v_m + found.moves(fresh.owner, moved.v_m)), moved, fresh)
        evidence = evidence_of_ties(placed, fresh, found, self._channels, self.platform)
        if evidence is not None:
            found = position_errors(matrices, fresh, evidence, self.platform)
        found = replace(found, standard_error_m=np.hypot(found.standard_error_m, by_line(left, fresh)[:, None]))
        self.rows += _line_rows(name, fresh, found)
        self._squares.append(float(np.sum(found.standard_error_m**2)))
        self._weights.append(found.standard_error_m.size)
        self._sds.append(found.sd_m)
        return found.moves(fresh.owner, moved.v_m), found.errors(fresh.owner, moved.v_m)

    def added(self, figures: AlignFigures) -> AlignFigures:
        """Return the figures with those of the lines of all grids."""
        if not self.rows:
            return figures
        return replace(
            figures,
            per_traverse_sd_m=float(np.sqrt(np.average(np.square(self._sds), weights=self._weights))),
            position_error_m=float(np.sqrt(np.sum(self._squares) / np.sum(self._weights))),
            lines_moved=sum(row.moved for row in self.rows),
        )


def _line_rows(grid: str, lines: Lines, found: PositionErrors) -> list[AlignedLine]:
    from_middle = found.v - found.v.mean()
    stretch = found.ahead_m @ from_middle / (from_middle @ from_middle) * np.ptp(found.v)
    columns = (lines.line, lines.run, found.ahead_m.mean(axis=1), stretch, np.abs(found.ahead_m).max(axis=1),
               np.sqrt(np.mean(found.standard_error_m**2, axis=1)), found.moved)  # fmt: skip
    return [AlignedLine(grid, *row) for row in zip(*(c.tolist() for c in columns))]


def _moved(part: Readings, lines: Lines, move: np.ndarray) -> Readings:
    """Return the readings of a grid moved along their lines, (n,) metres."""
    moved = _crossed(part.replace(v_m=part.v_m + move), part, lines)
    dx, dy = _along(part, move)
    return moved.replace(x=part.x + dx, y=part.y + dy)


def _edge_changes(part: Readings, moved: Readings) -> tuple[int, int]:
    """Return how many readings lost the flag ``overrun``, and how many took it."""
    before, after = part.has_flag("overrun"), moved.has_flag("overrun")
    return int(np.count_nonzero(before & ~after)), int(np.count_nonzero(after & ~before))


def _crossed(moved: Readings, part: Readings, lines: Lines) -> Readings:
    """Return moved readings of a grid with the flag ``overrun`` set anew where they crossed its edges."""
    if not len(lines):
        return moved
    came_in, went_out = _at_edges(part, lines, moved.v_m)
    if not (came_in.any() or went_out.any()):
        return moved
    flag = moved.flag.copy()
    flag[came_in] &= ~np.uint16(flag_bit("overrun"))
    flag[went_out] |= np.uint16(flag_bit("overrun"))
    return moved.replace(flag=flag)


def _at_edges(part: Readings, lines: Lines, moved: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which readings come into the grid and which leave it; its edges are half a step beyond its readings."""
    mine = lines.owner >= 0
    inside = part.v_m[mine & part.in_use]
    low, high = inside.min() - lines.step_m / 2, inside.max() + lines.step_m / 2
    beyond = 1e-6 * lines.step_m
    now_in = mine & (moved > low - beyond) & (moved < high + beyond)
    came_in = now_in & (part.flag == flag_bit("overrun"))
    return came_in, mine & ~now_in & part.in_use


def _along(part: Readings, move: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the steps on the map, from the frame (u, v) -> (x, y) that the grid's own readings show (bilinear)."""
    known = np.isfinite(part.x) & np.isfinite(part.y) & np.isfinite(part.u_m) & np.isfinite(part.v_m)
    if np.count_nonzero(known) < 2:
        return np.zeros(len(part)), np.zeros(len(part))
    u, v = part.u_m - part.u_m[known].mean(), part.v_m - part.v_m[known].mean()
    design = np.stack([np.ones(known.sum()), u[known], v[known], u[known] * v[known]])
    where = np.stack([part.x[known] - part.x[known].mean(), part.y[known] - part.y[known].mean()])
    # Columns of one size, so that what cannot be seen (a lone line has no extent across) is left out.
    size = np.maximum(np.sqrt(np.mean(design**2, axis=1)), 1e-9)[:, None]
    design = design / size
    frame = (
        np.linalg.lstsq(np.einsum("in,jn->ij", design, design), np.einsum("in,jn->ij", design, where), rcond=1e-12)[0]
        / size
    )
    step = np.where(known[:, None], (frame[2] + u[:, None] * frame[3]) * move[:, None], 0.0)
    return step[:, 0], step[:, 1]
