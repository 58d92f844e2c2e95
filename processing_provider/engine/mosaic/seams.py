"""Seams: the level of each grid, told by the grids around it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Optional, Sequence

import numpy as np

from ..core import EngineError, GridStore, Progress, Readings, check_channels, check_choice, for_tables, robust_sd
from .adjustment import fit_levels, proven_bases
from .base_stations import Bases, base_of, bases_of
from .cosine_modes import MODES, cosines, without_plane
from .drift_within import drift_within
from .edge_steps import Seam, seams_of
from .line_segments import Patches, across_of, ground_of, line_errors, patches_of, scatter_of_lines
from .observations import Terms
from .record import GridLevel, MosaicFigures, MosaicRecord

MODELS = ("offset", "offset and gain", "plane")
PROOF = 2.0
"""A gain is taken off from this many standard errors on."""


@dataclass(frozen=True)
class _Survey:
    """What the seams of a channel are told by.

    Attributes
    ----------
    grids : tuple of str
        Names of G grids.
    patches : Patches
    used : (G,) int
        How many readings are in use.
    measured : (G,) bool
        Whether there is any value.
    bases : Bases, optional
        Base readings of balanced grids.
    """

    grids: tuple[str, ...]
    patches: Patches
    used: np.ndarray
    measured: np.ndarray
    bases: Optional[Bases]


@dataclass(frozen=True)
class _Planes:
    """What is taken off each of G grids.

    Attributes
    ----------
    value, covariance : (G, 4), (G, 4, 4) float64
        Level, slope in x, slope in y, stretch.
    middle : (G, 3) float64
        Mean x and y, median value.
    group, neighbours : (G,) int
        Number of the grids that hang together; how many seams a grid has.
    drift_sd : float or None
    drift : (G, MODES) float64
        Factors of the cosines over the width of a grid that are the drift left in it.
    based : (G,) bool
        Grids whose level base readings told as well.
    """

    value: np.ndarray
    covariance: np.ndarray
    middle: np.ndarray
    group: np.ndarray
    neighbours: np.ndarray
    drift_sd: Optional[float]
    drift: np.ndarray
    based: np.ndarray

    @property
    def gain(self) -> np.ndarray:
        # The stretch is the difference of logged and true contrast over their mean.
        return (1 + self.value[:, 3] / 2) / (1 - self.value[:, 3] / 2)

    def _design(self, grid: np.ndarray, at: np.ndarray) -> np.ndarray:
        # What has no place or no value moves as the middle of its grid does.
        return np.concatenate([np.ones((len(at), 1)), np.nan_to_num(at - self.middle[grid])], axis=1)

    def taken(self, grid: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Return (n,) what comes off x, y and value (n, 3) of some grids (n,)."""
        design = self._design(grid, at)
        stretched = design[:, 3] * (1 - 1 / self.gain)[grid]
        return np.sum(design[:, :3] * self.value[grid, :3], axis=1) + stretched

    def error(self, grid: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Return (n,) the standard error of ``taken``."""
        design = self._design(grid, at)
        return np.sqrt(np.maximum(np.einsum("na,nab,nb->n", design, self.covariance[grid], design), 0.0))


@for_tables
def balance_grids(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    model: str = "offset",
    fixed_grid: str = "",
    progress: Progress = None,
) -> MosaicRecord:
    """Take off what whole grids are too high or too low, as the steps across their common edges tell.

    Parameters
    ----------
    readings : Readings
        Placed readings of several grids, their traverses balanced. Flagged readings, tie lines and base readings take
        no part but move along with their grid.
    channels : sequence of str, optional
        Channels to balance; all when not given.
    model : str
        ``offset``: a constant a grid, and what the seams tell of a drift across its lines. ``offset and gain``: also a
        factor, where edges and overlaps have enough contrast to prove it; else as ``offset``. ``plane``: a constant
        and a slope in x and y, for grids within which the level drifted; slopes are taken as small as the seams allow.
    fixed_grid : str
        Name of the grid that stays as it is. Empty: the mean of the grids that hang together stays, weighted by
        readings.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Readings, MosaicRecord
        Balanced readings (``raw`` keeps the values as logged, ``se`` takes up the standard error of the grid) and the
        record.

    Raises
    ------
    EngineError
        When the model, a channel or the fixed grid is not there.

    Notes
    -----
    Edges need not be parallel, nor lines: readings are averaged over 0.5 m of line, and wherever two patches of two
    grids are each other's nearest (within ``_edges.REACH_M``), universal kriging with a step in its drift gives the
    step there and its variance. Overlaps are many such places. The rest is one least squares over all grids, which
    ``_mosaic.fit_steps`` writes down.

    Strips that run along a seam and stand out from the ground on both sides of it (a ditch) are told by their course
    (``_strips``); ground that is rougher than elsewhere makes the whole seam count less. When the ground itself has a
    step right at an edge, only the other edges of these grids can tell; where it runs on along a whole border of the
    site, nothing can, and the standard errors allow for it. Drift that is left inside the grids moves their edges;
    without tie lines or base readings it is most of the error. What the seams tell of it comes off too (``_within``),
    but for ``plane``, whose slopes take it up. Tie lines, walked at other times, and the fixed grid have no part in it;
    standard errors of readings do not count on what came off.

    Base readings that all grids have on one spot tell their levels directly: nothing else differs from grid to grid but
    the offsets of lines. Whether they were read on one spot is not logged; that is taken as proven where their
    differences agree with those the seams tell (``_bases``). Each grid has to have two sets, its traverses balanced
    with them (``balance_traverses``), so that the drift between the sets is off.
    """
    check_choice("model", model, MODELS)
    chosen = check_channels(channels, grids.channels)
    fixed = _place_of(fixed_grid, grids.names)
    planes: dict[str, _Planes] = {}
    figures: dict[str, MosaicFigures] = {}
    table: list[GridLevel] = []
    for i, channel in enumerate(chosen):
        planes[channel], figures[channel] = _fit(_gathered(grids, channel), model, fixed)
        table += _rows(grids, channel, planes[channel], fixed)
        if progress is not None:
            progress((i + 1) / (len(chosen) + 1))
    for number, name in enumerate(grids.names):
        part = grids.get(name)
        for channel in chosen:
            part = _apply(part, number, channel, planes[channel])
        grids.put(name, part)
        if progress is not None:
            progress((len(chosen) + (number + 1) / len(grids.names)) / (len(chosen) + 1))
    options = {"channels": list(chosen), "model": model, "fixed_grid": fixed_grid}
    return MosaicRecord(options, figures, tuple(table))


def _gathered(grids: GridStore, channel: str) -> _Survey:
    used, measured, patches, bases = np.zeros(len(grids.names), int), np.zeros(len(grids.names), bool), [], []
    balanced = True
    for number, name in enumerate(grids.names):
        part = grids.get(name)
        used[number] = np.count_nonzero(part.in_use)
        measured[number] = np.isfinite(part.channels[channel]).any()
        balanced &= channel in part.se
        patches.append(patches_of(part, channel))
        bases.append(base_of(part, channel))
    joined = _joined(patches)
    if not balanced:
        # Told by all grids together, where no correction has told it of each line.
        scatter = scatter_of_lines(joined.grid, joined.line, joined.across, joined.value)
        joined = replace(joined, error=scatter)
    told = bases_of(bases, _variance_of_ground(joined)) if balanced else None
    return _Survey(grids.names, joined, used, measured, told)


def _variance_of_ground(patches: Patches) -> float:
    """Return how much the ground of a grid varies from spot to spot, robust."""
    middle = np.array([np.median(patches.value[patches.grid == g]) for g in np.unique(patches.grid)])
    own = patches.value - middle[np.searchsorted(np.unique(patches.grid), patches.grid)]
    return robust_sd(own) ** 2


def _joined(parts: Sequence[Patches]) -> Patches:
    """Return the patches of all grids, one grid after the other, grids and lines numbered on."""
    columns = {item.name: np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(Patches)}
    sizes = [len(part) for part in parts]
    lines = [int(part.line.max(initial=-1)) + 1 for part in parts]
    columns["grid"] = np.repeat(np.arange(len(parts)), sizes)
    columns["line"] += np.repeat(np.cumsum(lines) - lines, sizes)
    return Patches(**columns)


def _place_of(name: str, grids: Sequence[str]) -> int:
    """Return the place of the grid that stays; -1 when none is named."""
    if not name:
        return -1
    if name not in grids:
        raise EngineError(f"Invalid fixed grid: {name!r} was given. The readings are of: {', '.join(grids)}.")
    return list(grids).index(name)


def _fit(survey: _Survey, model: str, fixed: int) -> tuple[_Planes, MosaicFigures]:
    """Return what comes off each grid, and the figures of the channel."""
    patches = survey.patches
    nugget, factor = ground_of(patches)
    # In units of the ground's roughness, so that every least value is a number.
    unit = float(np.sqrt(nugget + factor)) or 1.0
    patches = patches.in_units_of(unit)
    seams = list(seams_of(patches, nugget / unit**2, factor / unit**2))
    planes = _planes(survey, patches, seams, model, fixed, unit)
    logged = patches.value * unit
    balanced = logged - planes.taken(patches.grid, np.concatenate([patches.place, logged[:, None]], axis=1))
    balanced -= np.sum(cosines(patches.across) * planes.drift[patches.grid], axis=1)
    islands = [survey.grids[g] for g in np.flatnonzero(survey.measured) if not planes.neighbours[g]]
    elsewhere = [] if survey.bases is None or model == "plane" else _elsewhere(survey, planes)
    return planes, MosaicFigures(
        seams=len(seams),
        step_before=_steps(logged, seams),
        step_after=_steps(balanced, seams),
        drift_sd=planes.drift_sd,
        islands=tuple(islands),
        remark=_remark(survey.grids, planes, islands, elsewhere),
    )


def _elsewhere(survey: _Survey, planes: _Planes) -> list[str]:
    """Return the grids whose base readings do not look as if they were read on one spot with others'."""
    alone = survey.bases.known & ~planes.based & (planes.neighbours > 0)
    return [survey.grids[g] for g in np.flatnonzero(alone)]


def _steps(values: np.ndarray, seams: list[Seam]) -> Optional[float]:
    """Return the root mean square over the seams of their median steps, from values (P,) of the patches."""
    steps = [np.median(np.sum(seam.share * values[seam.patch], axis=1)) for seam in seams]
    return float(np.sqrt(np.mean(np.square(steps)))) if steps else None


def _planes(survey: _Survey, patches: Patches, seams: list[Seam], model: str, fixed: int, unit: float) -> _Planes:
    used, grids, nobody = survey.used, len(survey.used), np.zeros(len(survey.used), bool)
    touching = np.array([seam.grids for seam in seams], int).reshape(-1, 2)
    neighbours = np.bincount(touching.ravel(), minlength=grids)
    middle = _middles(patches, grids)
    value, covariance = np.zeros((grids, 4)), np.zeros((grids, 4, 4))
    if not seams:
        still = np.zeros((grids, MODES))
        return _Planes(value, covariance, middle * [1, 1, unit], np.arange(grids), neighbours, None, still, nobody)
    weight = used + 1e-9
    columns = {"offset": [], "plane": [0, 1], "offset and gain": [2]}[model]
    apart = np.concatenate([patches.place, patches.value[:, None]], axis=1)[:, columns]
    apart -= middle[:, columns][patches.grid]
    site = np.where(neighbours[:, None] > 0, middle - middle[touching[0, 0]], 0.0) * [1, 1, 0]
    terms = Terms(apart, site[:, columns], np.arange(grids) != fixed, gain=2 in columns)
    bare = replace(patches, value=without_plane(patches), error=line_errors(patches))
    bases = None
    if survey.bases is not None and not terms.tilted:
        bases = proven_bases(bare, seams, terms, survey.bases.in_units_of(unit))
    levels = fit_levels(bare, seams, terms, weight, fixed, bases)
    if terms.gain:
        proven = np.abs(levels.value[:, 1]) > PROOF * np.sqrt(levels.covariance[:, 1, 1])
        terms = replace(terms, free=terms.free & proven)
        levels = fit_levels(bare, seams, terms, weight, fixed, bases)
    drift = drift_within(bare, seams, terms, fixed, bases)
    at = [0] + [1 + c for c in columns]
    value[:, at] = levels.value
    covariance[np.ix_(np.arange(grids), at, at)] = levels.covariance
    scale = np.array([unit, unit, unit, 1.0])
    return _Planes(value * scale, covariance * scale * scale[:, None], middle * [1, 1, unit], levels.group, neighbours,
                   levels.drift_sd * unit, drift * unit, nobody if bases is None else bases.known)  # fmt: skip


def _middles(patches: Patches, grids: int) -> np.ndarray:
    """Return (G, 3) the middle of each grid and its median value; 0 for a grid without readings in use."""
    middle = np.zeros((grids, 3))
    order = np.argsort(patches.grid, kind="stable")
    cuts = np.searchsorted(patches.grid[order], np.arange(grids + 1))
    for g in range(grids):
        mine = order[cuts[g] : cuts[g + 1]]
        if len(mine):
            middle[g, :2] = patches.place[mine].mean(axis=0)
            middle[g, 2] = np.median(patches.value[mine])
    return middle


def _apply(part: Readings, number: int, channel: str, planes: _Planes) -> Readings:
    """Return the readings of the grid of a number, what its plane and its drift say taken off."""
    values, grid = part.channels[channel], np.full(len(part), number)
    at = np.stack([part.x, part.y, values], axis=1)
    error = np.hypot(part.se.get(channel, np.zeros(len(values))), planes.error(grid, at))
    balanced = values - planes.taken(grid, at) - _drift(part, channel, planes.drift[number])
    return part.with_channel(channel, balanced, se=error)


def _drift(part: Readings, channel: str, factors: np.ndarray) -> np.ndarray:
    """Return (n,) the drift of each reading of a grid, its mean over the readings in use 0; 0 off the survey lines."""
    across = across_of(part, channel)
    drift = cosines(across) @ factors
    counted = part.in_use & np.isfinite(drift + part.channels[channel])
    return np.nan_to_num(drift - np.mean(drift[counted])) if counted.any() else np.zeros(len(part))


def _rows(grids: GridStore, channel: str, planes: _Planes, fixed: int) -> list[GridLevel]:
    based_on = np.where(planes.neighbours > 0, "neighbours", "no neighbour").astype(object)
    based_on[planes.based] = "neighbours and base readings"
    if fixed >= 0:
        based_on[fixed] = "fixed"
    return [
        GridLevel(
            grid=name,
            channel=channel,
            offset=float(planes.value[g, 0]),
            gain=float(planes.gain[g]),
            slope_x=float(planes.value[g, 1]),
            slope_y=float(planes.value[g, 2]),
            drift=float(np.sqrt(np.sum(planes.drift[g] ** 2) / 2)),
            standard_error=float(np.sqrt(max(planes.covariance[g, 0, 0], 0.0))),
            neighbours=int(planes.neighbours[g]),
            based_on=based_on[g],
        )
        for g, (name, count) in enumerate(grids.counts.items())
        if count
    ]


def _remark(grids: Sequence[str], planes: _Planes, islands: list[str], elsewhere: list[str]) -> str:
    """Return in sentences what the seams cannot tell; empty when they tell all."""
    parts = []
    if islands:
        several = len(islands) > 1
        parts.append(
            f"Grid{'s' if several else ''} {', '.join(islands)} touch{'' if several else 'es'} no other grid and "
            f"stay{'' if several else 's'} as {'they are' if several else 'it is'}."
        )
    groups = np.unique(planes.group[planes.neighbours > 0])
    if len(groups) > 1:
        names = [", ".join(np.array(grids)[(planes.group == k) & (planes.neighbours > 0)]) for k in groups]
        parts.append(f"Nothing tells the levels of these groups of grids against each other: {'; '.join(names)}.")
    if elsewhere:
        parts.append(
            f"The base readings of grid{'s' if len(elsewhere) > 1 else ''} {', '.join(elsewhere)} are not known to be "
            "of one spot, so they tell nothing of the levels of grids against each other. Read all base readings of a "
            "survey on one spot."
        )
    return " ".join(parts)
