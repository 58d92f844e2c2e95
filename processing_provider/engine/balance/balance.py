"""Balancing: the level of each traverse from its neighbours, tie lines and base readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Mapping, Optional, Sequence

import numpy as np

from ..core import (
    CARRIED,
    GridStore,
    Lines,
    Platform,
    Progress,
    Readings,
    Reset,
    check_channels,
    check_choice,
    check_in_grid,
    for_tables,
    kind_code,
    lines_of,
    platform_named,
    without_full_scale,
)
from ..jumps import Jump, Jumps, find_jumps, without_jumps
from .direction_offset import above_smooth_level, direction_offset
from .drift import drift_at
from .line_levels import LineLevels, fit_line_levels
from .line_spectrum import AcrossLines, Ridges, look_across
from .record import BalanceFigures, BalanceRecord, LineOffset, RidgesFound
from .tie_crossovers import Controls, controls_of

METHODS = ("neighbours and ties", "neighbours", "median", "direction only")
PROOF = 2.0
"""The offset between the directions is taken off from this many standard errors on. Common practice, no source: 95 % of
a normal distribution lie within."""


@dataclass(frozen=True)
class _Grid:
    """A grid: its readings and lines; channels and times on the common axis.

    ``matrix`` is (L, V) by channel, ``when`` too (None: no drift).
    """

    name: str
    part: Readings
    lines: Lines
    matrix: Mapping[str, np.ndarray]
    when: Optional[np.ndarray]


@dataclass(frozen=True)
class _Correction:
    """What is taken off a grid: by reading (n,), and by line (L,) the mean with its standard error.

    ``drift`` (L,) is the part of it that changes with time; ``alone``: nothing is proven, so nothing comes off.
    """

    taken: np.ndarray
    offset: np.ndarray
    error: np.ndarray
    drift: np.ndarray
    based_on: Sequence[str]
    direction: Optional[tuple[float, float]] = None
    levels: Optional[LineLevels] = None
    controls: Optional[Controls] = None
    jumps: tuple[Jump, ...] = ()
    ridges: Optional[RidgesFound] = None
    alone: bool = False


@for_tables
def balance_traverses(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    method: str = "neighbours and ties",
    drift: bool = True,
    platform: str = CARRIED.name,
    resets: Sequence[Reset] = (),
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
    resets : sequence of Reset
        Where the notes say that the instrument was set to zero anew or changed.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    Readings, BalanceRecord
        Balanced readings (``raw`` keeps the values as logged, ``se`` takes up the standard error of the offsets)
        and the record.

    Raises
    ------
    EngineError
        When the method, a channel or the platform is not there, or readings lie in no grid.

    Notes
    -----
    Offsets, drift, smooth geology and the edges of features along the traverses are estimated together; see
    ``docs/methods/balance-traverses.md``. Where a feature along the traverses is narrower than two lines or not above
    about three standard deviations of the stripes, neighbours alone cannot separate it from them: walk tie lines.

    References
    ----------
    Holland, P.W., Welsch, R.E., 1977. Robust regression using iteratively reweighted least-squares. Communications in
    Statistics - Theory and Methods 6(9), 813-827, doi:10.1080/03610927708827533.
    """
    check_choice("method", method, METHODS)
    chosen, moved_by = check_channels(channels, grids.channels), platform_named(platform)
    corrections: dict[str, list[_Correction]] = {channel: [] for channel in chosen}
    tables: dict[str, list[LineOffset]] = {channel: [] for channel in chosen}
    for i, (name, part) in enumerate(grids.items()):
        check_in_grid(name, part)
        grid = _grid(name, part, chosen, drift)
        for number, channel in enumerate(chosen):
            if progress is not None:
                progress((i + number / len(chosen)) / len(grids.names))
            one = _correction_with_jumps(grid, channel, method, moved_by, resets)
            part = _apply(part, grid.lines, channel, one)
            tables[channel] += _rows(grid, channel, one)
            corrections[channel].append(replace(one, taken=one.taken[:0]))
        grids.put(name, part)
    figures = {channel: _figures(grids.names, corrections[channel]) for channel in chosen}
    options = {"channels": list(chosen), "method": method, "drift": bool(drift), "platform": platform}
    jumps = tuple(jump for channel in chosen for one in corrections[channel] for jump in one.jumps)
    return BalanceRecord(options, figures, tuple(row for channel in chosen for row in tables[channel]), jumps)


def controlled_levels(part: Readings, channel: str, platform: Platform) -> Optional[tuple[Lines, LineLevels, Controls]]:
    """Return the lines of one grid, their levels, and the ties and base readings that control them.

    None where no levels are found, or where there are neither ties nor base readings.
    """
    grid = _grid("", part, (channel,), True)
    one = _correction(grid, channel, METHODS[0], platform)
    return None if one.levels is None or one.controls is None else (grid.lines, one.levels, one.controls)


def _grid(name: str, part: Readings, channels: Sequence[str], drift: bool) -> _Grid:
    lines, part = lines_of(part), without_full_scale(part, channels)
    times = part.time_s[_of_levels(part)]
    timed = drift and len(times) > 0 and np.isfinite(times).all() and np.ptp(times) > 0
    *matrices, when = lines.resample(part, np.concatenate([part.stacked(channels), part.time_s[None]]))
    return _Grid(name, part, lines, dict(zip(channels, matrices)), when if timed else None)


def _of_levels(part: Readings) -> np.ndarray:
    """Return which readings the levels rest on: those in use, and all base readings."""
    return part.in_use | (part.kind == kind_code("base"))


def _correction_with_jumps(
    grid: _Grid, channel: str, method: str, platform: Platform, resets: Sequence[Reset]
) -> _Correction:
    """Return what comes off one grid, jumps of the level in time first, where the method looks at neighbours."""
    if "neighbours" not in method:
        return _correction(grid, channel, method, platform)
    across = None
    if not any(reset.grid == grid.name for reset in resets):
        across = look_across(grid.lines, grid.matrix[channel])
        if across.offsets is False:
            # Levels as smooth as coils see have no jump either.
            return _correction(grid, channel, method, platform, across)
    jumps = find_jumps(grid.part, grid.lines, channel, grid.matrix[channel], resets)
    if jumps.taken.any():
        across = None
    one = _correction(_without(grid, channel, jumps), channel, method, platform, across)
    return _with_jumps(one, jumps) if jumps.found else one


def _without(grid: _Grid, channel: str, jumps: Jumps) -> _Grid:
    """Return a grid without the jumps of a channel that are proven."""
    if not jumps.taken.any():
        return grid
    part = without_jumps(grid.part, channel, jumps)
    matrix = grid.lines.resample(part, part.channels[channel])
    return replace(grid, part=part, matrix={**grid.matrix, channel: matrix})


def _with_jumps(one: _Correction, jumps: Jumps) -> _Correction:
    """Return a correction that takes off the jumps as well; the mean of the lines stays."""
    return replace(one, taken=one.taken + jumps.taken, offset=one.offset + jumps.offset,
                   error=np.hypot(one.error, jumps.error), jumps=jumps.found,
                   alone=one.alone and not jumps.taken.any())  # fmt: skip


def _correction(
    grid: _Grid, channel: str, method: str, platform: Platform, across: Optional[AcrossLines] = None
) -> _Correction:
    """Return what comes off one grid; ``across`` where it is known already."""
    lines, matrix = grid.lines, grid.matrix[channel]
    if method == "median":
        return _whole_lines(lines, *above_smooth_level(matrix, lines), "median")
    direction, error = direction_offset(matrix, lines)
    proven = (direction, error) if abs(direction) > PROOF * error else (0.0, 0.0)
    half = lines.heading * proven[0] / 2
    if method != "direction only":
        across = across or look_across(lines, matrix)
        with_controls = method == "neighbours and ties"
        found = _levels(grid, channel, matrix - half[:, None], error, with_controls, platform, across.ridges)
        if found is not None:
            levels, controls = found
            alone = across.offsets is False and not proven[0] and not levels.shows_drift(across.noise_sd)
            if alone:
                levels = levels.without_offsets()
            ties = len(controls.tie_rows) if controls else 0
            ridges = RidgesFound.of(grid.part, grid.lines, across.ridges, ties) if across.ridges else None
            return replace(_by_model(grid, half, proven, levels, controls), ridges=ridges, alone=alone)
    offset = half - half.mean() if len(half) else half
    return _whole_lines(lines, offset, np.full(len(lines), proven[1] / 2), "direction", proven)


def _levels(
    grid: _Grid, channel: str, matrix: np.ndarray, direction_error: float, with_controls: bool, platform: Platform,
    ridges: Optional[Ridges],
) -> Optional[tuple[LineLevels, Optional[Controls]]]:  # fmt: skip
    """Return the levels of the lines and what controls them, by lines without the offset between the directions."""
    lines, times = grid.lines, grid.part.time_s[_of_levels(grid.part)]

    def controls_about(walk: Optional[np.ndarray]) -> Optional[Controls]:
        values = grid.part.channels[channel]
        found = controls_of(grid.part, lines, values, matrix, grid.when, walk, platform) if with_controls else None
        return found if found is not None and len(found.value) else None

    controls = controls_about(None)
    levels = fit_line_levels(lines, matrix, grid.when, times, direction_error, controls, platform, ridges)
    if levels is not None and len(levels.tie):
        # Where the signal is curved, the position error of a tie is linear only about the one that was found.
        controls = controls_about(levels.walk)
        levels = fit_line_levels(lines, matrix, grid.when, times, direction_error, controls, platform, ridges)
    return None if levels is None else (levels, controls)


def _whole_lines(
    lines: Lines, offset: np.ndarray, error: np.ndarray, based_on: str, direction: Optional[tuple[float, float]] = None
) -> _Correction:
    taken = np.where(lines.owner >= 0, np.append(offset, 0.0)[lines.owner], 0.0)
    return _Correction(taken, offset, error, np.zeros(len(lines)), [based_on] * len(lines), direction)


def _by_model(
    grid: _Grid, half: np.ndarray, direction: tuple[float, float], levels: LineLevels, controls: Optional[Controls]
) -> _Correction:
    """Return what comes off a grid by its levels and half the offset between the directions, ``half`` (L,)."""
    lines, part = grid.lines, grid.part
    offset = levels.offset + half + levels.drift_mean
    middle = offset.mean()
    own = np.append(levels.offset + half, 0.0)[lines.owner]
    moves = lines.owner >= 0
    for number, rows in enumerate(controls.tie_rows if controls else []):
        whole = (part.kind == part.kind[rows[0]]) & (part.line == part.line[rows[0]]) & (part.run == part.run[rows[0]])
        own[whole], moves = levels.tie[number], moves | whole
    if controls and controls.base_rows:
        moves |= part.kind == kind_code("base")
    times = part.time_s[_of_levels(part)]
    taken = np.where(moves, own + drift_at(times, levels.drift, part.time_s) - middle, 0.0)
    drift = levels.drift_mean - levels.drift_mean.mean()
    based_on = _based_on(lines, levels, controls)
    return _Correction(taken, offset - middle, levels.error, drift, based_on, direction, levels, controls)


def _based_on(lines: Lines, levels: LineLevels, controls: Optional[Controls]) -> list[str]:
    """Return in words what the offset of each line rests on."""
    crossed = (
        np.bincount(controls.line[controls.line >= 0], minlength=len(lines)) if controls else np.zeros(len(lines), int)
    )
    paired = np.bincount(lines.pairs.ravel(), minlength=len(lines)) > 0
    based = controls is not None and len(controls.base_rows) > 0 and len(levels.drift) > 0
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


def _figures(names: Sequence[str], corrections: list[_Correction]) -> BalanceFigures:
    """Return the figures of a channel by its grids; those of several grids are means weighed by their lines."""
    offsets = np.concatenate([one.offset for one in corrections]) if corrections else np.zeros(0)
    directions = [
        (one.direction, len(one.offset)) for one in corrections if one.direction is not None and len(one.offset)
    ]
    levels = [(one.levels, len(one.offset)) for one in corrections if one.levels is not None]
    controls = [one.controls for one in corrections if one.levels is not None and one.controls is not None]

    errors = [np.concatenate(of) if of else np.zeros(0) for of in
              ([one.error for one, _ in levels], [one.error_without_controls for one, _ in levels])]  # fmt: skip
    return BalanceFigures(
        direction_offset=_mean([(found[0], lines) for found, lines in directions]),
        direction_error=_mean([(found[1], lines) for found, lines in directions]),
        offset_sd=float(offsets.std()) if len(offsets) else None,
        prior_sd=_mean([(one.offset_sd, lines) for one, lines in levels]),
        ground_step=_mean([(one.step_sd, lines) for one, lines in levels]),
        drift_sd=_mean([(one.drift_sd, lines) for one, lines in levels if one.drift_sd is not None]),
        ties=sum(len(m.tie_rows) for m in controls),
        crossings=sum(int(np.count_nonzero(m.tie >= 0)) for m in controls),
        base_readings=sum(len(m.base_rows) for m in controls),
        se=float(np.median(errors[0])) if levels else None,
        se_without_ties=float(np.median(errors[1])) if levels else None,
        alone=tuple(name for name, one in zip(names, corrections) if one.alone),
        ridges=tuple(one.ridges for one in corrections if one.ridges is not None),
    )


def _mean(figures: Sequence[tuple[float, int]]) -> Optional[float]:
    """Return the mean of figures with their weights, None of none."""
    return float(np.average([f for f, _ in figures], weights=[w for _, w in figures])) if figures else None
