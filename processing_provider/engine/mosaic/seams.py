"""Seams: the level of each grid, from the steps across the edges that it shares with others."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Optional, Sequence

import numpy as np

from ..core import (
    EngineError,
    GridStore,
    Progress,
    Readings,
    check_channels,
    check_choice,
    check_in_grid,
    for_tables,
    halves_of,
    part_of,
    robust_sd,
    without_full_scale,
)
from .adjustment import adjust_levels, proven_stations
from .base_stations import BaseStations, station_of, stations_of
from .corrections import Corrections
from .cosine_modes import MODES, cosines, without_plane
from .drift_within import drift_within
from .edge_steps import Seam, seams_of
from .line_segments import Segments, across_of, line_errors, scatter_of_lines, segments_of, variogram_of
from .observations import Terms
from .overlaps import overlap_seams
from .record import GridLevel, MosaicFigures, MosaicRecord

MODELS = ("offset", "offset and gain", "plane")
COLUMNS: dict[str, list[int]] = {"offset": [], "offset and gain": [2], "plane": [0, 1]}
"""Derived: which of x, y and value a model has a term for."""
OPEN = 1.0
"""A step between grids stays open from this standard error on, in units of how much the signal changes over a metre.
Common practice, no source: such a step shows on a map as a feature does."""
PROOF = 2.0
"""A gain is taken off from this many standard errors on. Common practice, no source: a test at 5 %."""
APPLYING = 0.3
"""Time that taking the levels off all channels takes, in times of what a channel takes. Derived: measured."""


@dataclass(frozen=True)
class _Survey:
    """The readings of a channel that its seams are estimated from.

    Attributes
    ----------
    grids : tuple of str
        Names of G grids.
    segments : Segments
    used : (G,) int
        How many readings are in use.
    measured : (G,) bool
        Whether there is any value.
    stations : BaseStations, optional
        Base readings of balanced grids.
    """

    grids: tuple[str, ...]
    segments: Segments
    used: np.ndarray
    measured: np.ndarray
    stations: Optional[BaseStations]


@for_tables
def balance_grids(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    model: str = "offset",
    fixed_grid: str = "",
    progress: Progress = None,
) -> MosaicRecord:
    """Bring whole grids to one level, as the steps across their common edges imply.

    Parameters
    ----------
    readings : Readings
        Placed readings of several grids, their traverses balanced. Flagged readings but for overrun, tie lines inside
        their grid and base readings that were not on one spot take no part but move along with their grid.
    channels : sequence of str, optional
        Channels to balance; all when not given.
    model : str
        ``offset``: a constant a grid, and what the seams show of a drift across its lines. ``offset and gain``: also a
        factor, where edges and overlaps have enough contrast to prove it; else as ``offset``. ``plane``: a constant
        and a slope in x and y, for grids within which the level drifted; slopes are taken as small as the seams allow.
    fixed_grid : str
        Name of the grid that stays as it is. Empty: the mean of the grids that seams connect stays, weighted by
        readings.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    Readings, MosaicRecord
        Balanced readings (``raw`` keeps the values as logged, ``se`` takes up the standard error of the grid) and the
        record.

    Raises
    ------
    EngineError
        When the model, a channel or the fixed grid is not there, or readings lie in no grid.

    Notes
    -----
    The step across a seam is estimated piece by piece by kriging, with the signal's variogram and strips along the edge
    (ditches) as covariance; overrun on a neighbour's ground gives it directly. All steps and the base readings that
    were on one spot go into one robust least-squares adjustment, see ``solve_steps``. Grids whose levels are not proven
    to differ are alike (``levels_with_proof``). Drift within the grids comes off too, as far as the seams show it; not
    with ``plane``, nor off tie lines and the fixed grid. Nothing can show a step of the signal that runs along a whole
    border of the site; the standard errors allow for it. See docs/methods/balance-grids.md.
    """
    check_choice("model", model, MODELS)
    chosen = check_channels(channels, grids.channels)
    fixed = _index_of(fixed_grid, grids.names)
    corrections: dict[str, Corrections] = {}
    figures: dict[str, MosaicFigures] = {}
    table: list[GridLevel] = []
    for i, channel in enumerate(chosen):
        within = part_of(progress, i / (len(chosen) + APPLYING), (i + 1) / (len(chosen) + APPLYING))
        survey = _gathered(grids, channel, part_of(within, 0.0, 0.2))
        corrections[channel], figures[channel] = _fit(survey, model, fixed, part_of(within, 0.2, 1.0))
        table += _rows(grids, channel, corrections[channel], fixed)
    for number, name in enumerate(grids.names):
        part = grids.get(name)
        for channel in chosen:
            part = _apply(part, number, channel, corrections[channel])
        grids.put(name, part)
        if progress is not None:
            progress(1.0 - APPLYING * (1 - (number + 1) / len(grids.names)) / (len(chosen) + APPLYING))
    options = {"channels": list(chosen), "model": model, "fixed_grid": fixed_grid}
    return MosaicRecord(options, figures, tuple(table))


def _gathered(grids: GridStore, channel: str, progress: Progress) -> _Survey:
    used, measured, segments, stations = np.zeros(len(grids.names), int), np.zeros(len(grids.names), bool), [], []
    balanced = True
    for number, name in enumerate(grids.names):
        if progress is not None:
            progress(number / len(grids.names))
        part = grids.get(name)
        check_in_grid(name, part)
        used[number] = np.count_nonzero(part.in_use)
        measured[number] = np.isfinite(part.channels[channel]).any()
        balanced &= channel in part.se
        known = without_full_scale(part, (channel,))
        segments.append(segments_of(known, channel))
        stations.append(station_of(known, channel))
    joined = _joined(segments)
    if not balanced:
        # From all grids together, where no correction has estimated it line by line.
        joined = replace(joined, error=scatter_of_lines(joined))
    proven = stations_of(stations, _variance_of_signal(joined)) if balanced else None
    return _Survey(grids.names, joined, used, measured, proven)


def _variance_of_signal(segments: Segments) -> float:
    """Return how much the signal of a grid varies from spot to spot, robust."""
    middle = np.array([np.median(segments.value[segments.grid == g]) for g in np.unique(segments.grid)])
    own = segments.value - middle[np.searchsorted(np.unique(segments.grid), segments.grid)]
    return robust_sd(own) ** 2


def _joined(parts: Sequence[Segments]) -> Segments:
    """Return the segments of all grids, one grid after the other, grids and lines numbered on."""
    columns = {item.name: np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(Segments)}
    sizes = [len(part) for part in parts]
    lines = [int(part.line.max(initial=-1)) + 1 for part in parts]
    columns["grid"] = np.repeat(np.arange(len(parts)), sizes)
    columns["line"] += np.repeat(np.cumsum(lines) - lines, sizes)
    return Segments(**columns)


def _index_of(name: str, grids: Sequence[str]) -> int:
    """Return the index of the grid that stays; -1 when none is named."""
    if not name:
        return -1
    if name not in grids:
        raise EngineError(f"Invalid fixed grid: {name!r} was given. The readings are of: {', '.join(grids)}.")
    return list(grids).index(name)


def _fit(survey: _Survey, model: str, fixed: int, progress: Progress) -> tuple[Corrections, MosaicFigures]:
    """Return what comes off each grid, and the figures of the channel."""
    segments = survey.segments
    nugget, factor = variogram_of(segments)
    # In units of the signal's roughness, so that every least value is a number.
    unit = float(np.sqrt(nugget + factor)) or 1.0
    segments = segments.in_units_of(unit)
    semivariance = nugget / unit**2, factor / unit**2
    edges = list(seams_of(segments, *semivariance, part_of(progress, 0.0, 0.6)))
    seams = [*edges, *overlap_seams(segments, *semivariance, part_of(progress, 0.6, 0.7))]
    corrections = _corrections(survey, segments, seams, model, fixed, unit, part_of(progress, 0.7, 1.0))
    logged = segments.value * unit
    balanced = logged - corrections.taken(segments.grid, np.concatenate([segments.position, logged[:, None]], axis=1))
    balanced -= np.sum(cosines(segments.across) * corrections.drift[segments.grid], axis=1)
    islands = [survey.grids[g] for g in np.flatnonzero(survey.measured) if not corrections.neighbours[g]]
    elsewhere = [] if model == "plane" else _elsewhere(survey, corrections)
    return corrections, MosaicFigures(
        seams=len(edges),
        step_before=_steps(logged, edges),
        step_after=_steps(balanced, edges),
        drift_sd=corrections.drift_sd,
        islands=tuple(islands),
        open_steps=corrections.open_steps(survey.grids, [seam.grids for seam in seams], OPEN * unit),
        remark=_remark(survey.grids, corrections, islands, elsewhere),
    )


def _elsewhere(survey: _Survey, corrections: Corrections) -> list[str]:
    """Return the grids whose base readings do not look as if they were read on one spot with others'."""
    if survey.stations is None:
        return []
    alone = survey.stations.known & ~corrections.based & (corrections.neighbours > 0)
    return [survey.grids[g] for g in np.flatnonzero(alone)]


def _steps(values: np.ndarray, seams: list[Seam]) -> Optional[float]:
    """Return the root mean square over the seams of their median steps, from values (P,) of the segments."""
    steps = [np.median(np.sum(seam.weight * values[seam.segment], axis=1)) for seam in seams]
    return float(np.sqrt(np.mean(np.square(steps)))) if steps else None


def _corrections(
    survey: _Survey, segments: Segments, seams: list[Seam], model: str, fixed: int, unit: float, progress: Progress
) -> Corrections:
    """Return what comes off each grid; ``segments`` are in multiples of ``unit``."""
    grids, nobody = len(survey.used), np.zeros(len(survey.used), bool)
    touching = np.array([seam.grids for seam in seams], int).reshape(-1, 2)
    neighbours = np.bincount(np.unique(touching, axis=0).ravel(), minlength=grids)
    middle, scale = _middles(segments, grids), np.array([unit, unit, unit, 1.0])
    value, covariance = np.zeros((grids, 4)), np.zeros((grids, 4, 4))
    if not seams:
        still = np.zeros((grids, MODES))
        alone, nothing = np.arange(grids), np.zeros((grids, grids))
        return Corrections(value, covariance, middle * [1, 1, unit], alone, neighbours, None, still, nobody, nothing)
    columns = COLUMNS[model]
    terms = _terms(segments, middle, columns, np.where(neighbours > 0, touching[0, 0], -1), fixed)
    bare = replace(segments, value=without_plane(segments), error=line_errors(segments))
    stations, rounds = None, halves_of(progress)
    if survey.stations is not None and not terms.tilted:
        stations = proven_stations(bare, seams, terms, survey.stations.in_units_of(unit), next(rounds))
    weight = survey.used + 1e-9
    levels = adjust_levels(bare, seams, terms, weight, fixed, stations, next(rounds))
    if terms.gain:
        proven = np.abs(levels.value[:, 1]) > PROOF * np.sqrt(levels.covariance[:, 1, 1])
        terms = replace(terms, free=terms.free & proven)
        levels = adjust_levels(bare, seams, terms, weight, fixed, stations, next(rounds))
    drift = drift_within(bare, seams, terms, fixed, stations, next(rounds))
    at = np.array([0] + [1 + c for c in columns])
    value[:, at] = levels.value
    covariance[:, at[:, None], at] = levels.covariance
    based = nobody if stations is None else stations.known
    return Corrections(value * scale, covariance * scale * scale[:, None], middle * [1, 1, unit], levels.group,
                       neighbours, levels.drift_sd * unit, drift * unit, based, levels.between * unit**2)  # fmt: skip


def _terms(segments: Segments, middle: np.ndarray, columns: list[int], origin: np.ndarray, fixed: int) -> Terms:
    """Return the terms besides the level; ``origin`` (G,) is the grid that slopes of the site start from, -1 = none."""
    columns_of = np.concatenate([segments.position, segments.value[:, None]], axis=1)[:, columns]
    columns_of -= middle[:, columns][segments.grid]
    site = np.where(origin[:, None] >= 0, middle - middle[origin], 0.0) * [1, 1, 0]
    return Terms(columns_of, site[:, columns], np.arange(len(middle)) != fixed, gain=2 in columns)


def _middles(segments: Segments, grids: int) -> np.ndarray:
    """Return (G, 3) the middle of each grid and its median value; 0 for a grid without readings in use."""
    middle = np.zeros((grids, 3))
    order = np.argsort(segments.grid, kind="stable")
    cuts = np.searchsorted(segments.grid[order], np.arange(grids + 1))
    for g in range(grids):
        mine = order[cuts[g] : cuts[g + 1]]
        if len(mine):
            middle[g, :2] = segments.position[mine].mean(axis=0)
            middle[g, 2] = np.median(segments.value[mine])
    return middle


def _apply(part: Readings, number: int, channel: str, corrections: Corrections) -> Readings:
    """Return the readings of the grid of a number, what its plane and its drift say taken off."""
    values, grid = part.channels[channel], np.full(len(part), number)
    at = np.stack([part.x, part.y, values], axis=1)
    error = np.hypot(part.se.get(channel, np.zeros(len(values))), corrections.error(grid, at))
    balanced = values - corrections.taken(grid, at) - _drift(part, channel, corrections.drift[number])
    return part.with_channel(channel, balanced, se=error)


def _drift(part: Readings, channel: str, factors: np.ndarray) -> np.ndarray:
    """Return (n,) the drift of each reading of a grid, its mean over the readings in use 0; 0 off the survey lines."""
    across = across_of(part, channel)
    drift = cosines(across) @ factors
    counted = part.in_use & np.isfinite(drift + part.channels[channel])
    return np.nan_to_num(drift - np.mean(drift[counted])) if counted.any() else np.zeros(len(part))


def _rows(grids: GridStore, channel: str, corrections: Corrections, fixed: int) -> list[GridLevel]:
    based_on = np.where(corrections.neighbours > 0, "neighbours", "no neighbour").astype(object)
    based_on[corrections.based] = "neighbours and base readings"
    if fixed >= 0:
        based_on[fixed] = "fixed"
    return [
        GridLevel(
            grid=name,
            channel=channel,
            offset=float(corrections.value[g, 0]),
            gain=float(corrections.gain[g]),
            slope_x=float(corrections.value[g, 1]),
            slope_y=float(corrections.value[g, 2]),
            drift=float(np.sqrt(np.sum(corrections.drift[g] ** 2) / 2)),
            standard_error=float(np.sqrt(max(corrections.covariance[g, 0, 0], 0.0))),
            neighbours=int(corrections.neighbours[g]),
            based_on=based_on[g],
        )
        for g, (name, count) in enumerate(grids.counts.items())
        if count
    ]


def _remark(grids: Sequence[str], corrections: Corrections, islands: list[str], elsewhere: list[str]) -> str:
    """Return in sentences what the seams cannot determine; empty when nothing is open."""
    parts = []
    if islands:
        several = len(islands) > 1
        parts.append(
            f"Grid{'s' if several else ''} {', '.join(islands)} touch{'' if several else 'es'} no other grid and "
            f"stay{'' if several else 's'} as {'they are' if several else 'it is'}."
        )
    groups = np.unique(corrections.group[corrections.neighbours > 0])
    if len(groups) > 1:
        names = [", ".join(np.array(grids)[(corrections.group == k) & (corrections.neighbours > 0)]) for k in groups]
        parts.append(
            f"The levels of these groups of grids cannot be compared, as nothing connects them: {'; '.join(names)}."
        )
    if elsewhere:
        parts.append(
            "Read all base readings of a survey on one spot: those of "
            f"grid{'s' if len(elsewhere) > 1 else ''} {', '.join(elsewhere)} are not known to be of one, so they were "
            "not used to compare the levels of grids."
        )
    return " ".join(parts)
