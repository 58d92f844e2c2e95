"""Balancing: the level of each traverse, told by its neighbours, tie lines and base readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Optional, Sequence

import numpy as np

from ..core import (
    CARRIED,
    GridStore,
    Lines,
    Platform,
    Progress,
    Readings,
    check_channels,
    check_choice,
    for_tables,
    kind_code,
    lines_of,
    platform_named,
)
from .direction_offset import above_smooth_level, direction_offset
from .drift import drift_at
from .line_levels import Levels, fit_levels
from .record import BalanceFigures, BalanceRecord, LineOffset
from .tie_crossings import Marks, marks_of

METHODS = ("neighbours and ties", "neighbours", "median", "direction only")
PROOF = 2.0
"""The offset between the directions is taken off from this many standard errors on."""


@dataclass(frozen=True)
class _Grid:
    """A grid: its readings and lines; channels and times on the common axis.

    ``matrix`` is (L, V) by channel, ``when`` too (None: no drift).
    """

    name: str
    part: Readings
    lines: Lines
    matrix: dict
    when: Optional[np.ndarray]


@dataclass(frozen=True)
class _Correction:
    """What is taken off a grid: by reading (n,), and by line (L,) the mean with its standard error.

    ``drift`` (L,) is the part of it that changes with time.
    """

    taken: np.ndarray
    offset: np.ndarray
    error: np.ndarray
    drift: np.ndarray
    based_on: list
    direction: Optional[tuple] = None
    levels: Optional[Levels] = None
    marks: Optional[Marks] = None


@for_tables
def balance_traverses(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    method: str = "neighbours and ties",
    drift: bool = True,
    platform: str = CARRIED.name,
    progress: Progress = None,
) -> BalanceRecord:
    """Take off what whole traverses are too high or too low, and the drift; the mean of each grid stays.

    Parameters
    ----------
    readings : Readings
        Placed readings of one or several grids. Flagged readings take no part but move along with their line; base
        readings count although they have no place.
    channels : sequence of str, optional
        Channels to balance; all when not given.
    method : str
        ``neighbours and ties``: the offset between the two walking directions, then an offset a line and the drift by
        differences to the neighbouring lines, crossings with tie lines and base readings. ``neighbours``: ties
        and base readings are left out (without any both are the same). ``direction only``: the first part of it (one
        unknown; next to no danger). ``median``: line medians are set to a smooth level. **This deletes features that
        run along the traverses** (ditches, walls, lynchets lie along field boundaries as often as not): only where
        there are none for certain.
    drift : bool
        Whether the two methods with neighbours look for a smooth drift in time. Grids with missing times have none.
    platform : str
        How the instrument was moved (``PLATFORMS``): how well positions of lines and ties are known.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Readings, BalanceRecord
        Balanced readings (``raw`` keeps the values as logged, ``se`` takes up the standard error of the offsets)
        and the record.

    Raises
    ------
    EngineError
        When the method, a channel or the platform is not there.

    Notes
    -----
    A reading of line k at the time t is y = ground + o_k + D(t) + noise. Offsets o are normal, o ~ N(0, s^2); D is a
    Gaussian process with the correlation exp(-(t / 400 s)^2 / 2), plus a warm-up exp(-t / 300 s). Between neighbouring
    lines the ground changes by (smooth ground) + a + b v: a is normal and small, plus the edges of features along the
    traverses, blurred as coils blur them, which lie anywhere or (mostly) nowhere and have any height; b is Cauchy
    distributed. Smooth ground is a Gaussian process and a slope; its width comes from what is seen along the lines.
    Pieces of 1 m vote for their pair's difference; those that are off, and have neighbours that are off, count less
    than with Cauchy errors, so features over part of the length do not count. How many edges there are is found
    too, with an expectation of many. Drift shows in b: neighbours walked opposite ways are read at times farther
    apart at one end than at the other. A tie line holds every line against the same readings, y_k - y_tie = o_k +
    D(t_k) - o_tie - D(t_tie), with t distributed errors (noise, and position at the gradient of the ground). How
    the tie itself was walked is unknown too, a lag, a shift, a stretch and a wander; what it adds is the gradient of
    the ground along the tie times that, linear about the walk that a first solution found. Base readings are D(t)
    and a constant.

    All is solved together by iterated reweighting, the edges by expectation propagation. Where a feature along the
    traverses is narrower than two lines or not above about 3 s, neighbours alone cannot tell it from stripes: walk
    ties. A lag that alignment left is one more unknown, for on bent ground it looks like drift. The standard errors
    are the inverse of the normal matrix, the edges integrated out, with a quarter of the last weights of ties.

    References
    ----------
    Holland, P.W., Welsch, R.E., 1977. Robust regression using iteratively reweighted least-squares. Communications in
    Statistics - Theory and Methods 6(9), 813-827.
    """
    check_choice("method", method, METHODS)
    chosen, moved_by = check_channels(channels, grids.channels), platform_named(platform)
    corrections: dict[str, list[_Correction]] = {channel: [] for channel in chosen}
    tables: dict[str, list[LineOffset]] = {channel: [] for channel in chosen}
    for i, (name, part) in enumerate(grids.items()):
        grid = _grid(name, part, chosen, drift)
        for channel in chosen:
            one = _correction(grid, channel, method, moved_by)
            part = _apply(part, grid.lines, channel, one)
            tables[channel] += _rows(grid, channel, one)
            corrections[channel].append(replace(one, taken=one.taken[:0]))
        grids.put(name, part)
        if progress is not None:
            progress((i + 1) / len(grids.names))
    figures = {channel: _figures(corrections[channel]) for channel in chosen}
    options = {"channels": list(chosen), "method": method, "drift": bool(drift), "platform": platform}
    return BalanceRecord(options, figures, tuple(row for channel in chosen for row in tables[channel]))


def levels_of(part: Readings, channel: str, platform: Platform) -> Optional[tuple[Lines, Levels, Marks]]:
    """Return the lines of one grid, their levels and what ties and base readings told of them.

    None where nothing can be told, or where there are neither ties nor base readings.
    """
    grid = _grid("", part, (channel,), True)
    one = _correction(grid, channel, METHODS[0], platform)
    return None if one.levels is None or one.marks is None else (grid.lines, one.levels, one.marks)


def _grid(name: str, part: Readings, channels: Sequence[str], drift: bool) -> _Grid:
    lines = lines_of(part)
    told = _tells_time(part)
    timed = drift and told.any() and np.isfinite(part.time_s[told]).all() and np.ptp(part.time_s[told]) > 0
    *matrices, when = lines.resample(part, np.concatenate([part.stacked(channels), part.time_s[None]]))
    return _Grid(name, part, lines, dict(zip(channels, matrices)), when if timed else None)


def _tells_time(part: Readings) -> np.ndarray:
    """Return which readings the levels rest on: those in use, and all base readings."""
    return part.in_use | (part.kind == kind_code("base"))


def _correction(grid: _Grid, channel: str, method: str, platform: Platform) -> _Correction:
    """Return what comes off one grid."""
    lines, matrix = grid.lines, grid.matrix[channel]
    if method == "median":
        return _whole_lines(lines, *above_smooth_level(matrix, lines), "median")
    direction, error = direction_offset(matrix, lines)
    proven = abs(direction) > PROOF * error
    half = lines.heading * (direction if proven else 0.0) / 2
    told = (direction, error) if proven else (0.0, 0.0)
    if method != "direction only":
        matrix = matrix - half[:, None]
        marks = _marks(grid, grid.part.channels[channel], matrix, platform) if method == "neighbours and ties" else None
        times = grid.part.time_s[_tells_time(grid.part)]
        levels = fit_levels(lines, matrix, grid.when, times, error, marks, platform)
        if levels is not None and len(levels.tie):
            # Where the ground bends, how a tie was walked is linear only about what was found of it.
            marks = _marks(grid, grid.part.channels[channel], matrix, platform, levels.walk)
            levels = fit_levels(lines, matrix, grid.when, times, error, marks, platform)
        if levels is not None:
            return _by_model(grid, half, told, levels, marks, times)
    offset = half - half.mean() if len(half) else half
    return _whole_lines(lines, offset, np.full(len(lines), told[1] / 2), "direction", told)


def _marks(
    grid: _Grid, values: np.ndarray, matrix: np.ndarray, platform: Platform, walk: Optional[np.ndarray] = None
) -> Optional[Marks]:
    marks = marks_of(grid.part, grid.lines, values, matrix, grid.when, walk, platform)
    return marks if len(marks.value) else None


def _whole_lines(lines: Lines, offset, error, based_on: str, direction=None) -> _Correction:
    taken = np.where(lines.owner >= 0, np.append(offset, 0.0)[lines.owner], 0.0)
    return _Correction(taken, offset, error, np.zeros(len(lines)), [based_on] * len(lines), direction)


def _by_model(grid: _Grid, half, told: tuple, levels: Levels, marks: Optional[Marks], times) -> _Correction:
    lines, part = grid.lines, grid.part
    offset = levels.offset + half + levels.drift_mean
    middle = offset.mean()
    own = np.append(levels.offset + half, 0.0)[lines.owner]
    moves = lines.owner >= 0
    for number, rows in enumerate(marks.tie_rows if marks else []):
        whole = (part.kind == part.kind[rows[0]]) & (part.line == part.line[rows[0]]) & (part.run == part.run[rows[0]])
        own[whole], moves = levels.tie[number], moves | whole
    if marks and marks.base_rows:
        moves |= part.kind == kind_code("base")
    taken = np.where(moves, own + drift_at(times, levels.drift, part.time_s) - middle, 0.0)
    drift = levels.drift_mean - levels.drift_mean.mean()
    return _Correction(
        taken, offset - middle, levels.error, drift, _based_on(lines, levels, marks), told, levels, marks
    )


def _based_on(lines: Lines, levels: Levels, marks: Optional[Marks]) -> list[str]:
    """Return in words what the offset of each line rests on."""
    crossed = np.bincount(marks.line[marks.line >= 0], minlength=len(lines)) if marks else np.zeros(len(lines), int)
    paired = np.bincount(lines.pairs.ravel(), minlength=len(lines)) > 0
    based = marks is not None and len(marks.base_rows) > 0 and len(levels.drift) > 0
    words = []
    for ties, neighbours in zip(crossed, paired):
        parts = ["neighbours"] if neighbours else []
        parts += [f"{ties} tie" if ties == 1 else f"{ties} ties"] if ties else []
        parts += ["base readings"] if based else []
        words.append(", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else "".join(parts))
    return words


def _apply(part: Readings, lines: Lines, channel: str, one: _Correction) -> Readings:
    error = part.se.get(channel, np.zeros(len(part))).copy()
    mine = lines.owner >= 0
    error[mine] = np.hypot(error[mine], one.error[lines.owner[mine]])
    return part.with_channel(channel, part.channels[channel] - one.taken, se=error)


def _rows(grid: _Grid, channel: str, one: _Correction) -> list[LineOffset]:
    lines = grid.lines
    columns = (lines.line, lines.run, lines.heading, one.offset, one.error, one.drift)
    return [
        LineOffset(grid.name, int(line), int(run), channel, int(heading), float(offset), float(error), float(drift), on)
        for (line, run, heading, offset, error, drift), on in zip(zip(*columns), one.based_on)
    ]


def _figures(corrections: list[_Correction]) -> BalanceFigures:
    """Return the figures of a channel; those of several grids are means weighed by their lines."""
    offsets = np.concatenate([one.offset for one in corrections]) if corrections else np.zeros(0)
    fitted = [one for one in corrections if one.levels is not None]
    told = [one for one in corrections if one.direction is not None and len(one.offset)]
    marks = [one.marks for one in fitted if one.marks is not None]

    def middle(ones, what):
        known = [one for one in ones if what(one) is not None]
        sizes = [len(one.offset) for one in known]
        return float(np.average([what(one) for one in known], weights=sizes)) if known else None

    return BalanceFigures(
        direction_offset=middle(told, lambda one: one.direction[0]),
        direction_error=middle(told, lambda one: one.direction[1]),
        offset_sd=float(offsets.std()) if len(offsets) else None,
        prior_sd=middle(fitted, lambda one: one.levels.offset_width),
        ground_step=middle(fitted, lambda one: one.levels.ground_width),
        drift_sd=middle(fitted, lambda one: one.levels.drift_width),
        ties=sum(len(m.tie_rows) for m in marks),
        crossings=sum(int(np.count_nonzero(m.tie >= 0)) for m in marks),
        base_readings=sum(len(m.base_rows) for m in marks),
        se=float(np.median(np.concatenate([one.error for one in fitted]))) if fitted else None,
        se_without_ties=(
            float(np.median(np.concatenate([one.levels.error_alone for one in fitted]))) if fitted else None
        ),
    )
