"""From readings to a raster: along every traverse, then across, straight onto the cells of the map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Optional, Sequence

import numpy as np

from ..core import EngineError, Progress, Readings, check_channels, check_choice, check_limits, check_positive, part_of
from ..geometry import BlockRaster, Lattice, check_memory
from ..scattered import METHODS as SCATTERED
from ..scattered import interpolate_scattered
from .across_lines import surface_of
from .adjoining_grids import join_adjoining
from .along_lines import Rows, Traverses, traverses_of
from .evaluate import evaluate
from .record import MapRecord
from .surface import Surface

ON_TRAVERSES = ("cubic", "linear", "sinc")
METHODS = (*ON_TRAVERSES, *SCATTERED)
BYTES_A_CELL = {**dict.fromkeys(ON_TRAVERSES, 48), **dict.fromkeys(SCATTERED, 160)}
"""Memory that a map takes while it is made and drawn. Derived: measured with ``ru_maxrss``, 23 to 37 on the traverses
and 133 for minimum curvature; values and standard errors of what is drawn are 16."""


@dataclass(frozen=True)
class RasterResult:
    """A channel on the lattice of the map.

    Attributes
    ----------
    value_blocks, error_blocks : BlockRaster
        Values and standard errors in the channel's unit.
    record : MapRecord
    """

    value_blocks: BlockRaster
    error_blocks: BlockRaster
    record: MapRecord

    @cached_property
    def values(self) -> np.ndarray:
        """(rows, cols) float64, NaN = nodata."""
        return self.value_blocks.whole()

    @cached_property
    def standard_error(self) -> np.ndarray:
        """(rows, cols) float64, NaN = nodata."""
        return self.error_blocks.whole()


def interpolate_readings(
    readings: Readings,
    channel: str,
    lattice: Lattice,
    *,
    method: str = "cubic",
    max_gap_m: Optional[float] = None,
    halo: Optional[Readings] = None,
    progress: Progress = None,
) -> RasterResult:
    """Interpolate placed readings of one or several grids onto a lattice.

    Parameters
    ----------
    readings : Readings
        Placed readings; those that carry a flag or have no value are not used.
    channel : str
    lattice : Lattice
    method : {'cubic', 'linear', 'sinc', 'minimum curvature', 'kriging'}
        On the traverses: splines along and across them, straight pieces both ways, or windowed sinc both ways. On
        points scattered in any way: minimum curvature with tension, or ordinary kriging, see ``interpolate_scattered``.
    max_gap_m : float, optional
        Cells farther than this from a reading in use are nodata; None = 1.5 line spacings of the grid.
    halo : Readings, optional
        For methods on the traverses: grids that are not on the map but continue those that are; the grids of
        ``readings`` do so for each other anyway. Grids of a name that ``readings`` has are passed over.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    RasterResult

    Raises
    ------
    EngineError
        On an unknown channel or method, a gap that is not above zero, more cells than fit in memory, or when no grid
        has two traverses in use.

    Notes
    -----
    Every grid is handled in its own axes u, v, which are recovered from its readings. A cell's value is taken at its
    own u, v, so that nothing is resampled. A cell belongs to the grid in whose box it lies deepest. Recordings of the
    same line that are both in use count with their mean. Tie lines are left out. Values of neighbouring grids replace
    lines and nodes beyond a grid's edge, so seams between balanced grids do not show.

    Along the lines cubic and sinc use smoothing splines, see ``smoothed``. The standard error joins the noise of single
    readings, ``readings.se`` of the channel, which counts as common to a line, and the error between lines. See
    ``docs/methods/interpolate.md`` and ``docs/methods/standard-errors.md``.
    """
    check_choice("method", method, METHODS)
    for table in (readings, readings if halo is None else halo):
        check_channels([channel], tuple(table.channels))
    if max_gap_m is not None:
        max_gap_m = check_limits("max_gap_m", check_positive("largest gap", max_gap_m), "of the map")
    check_memory(_cells_of(readings, lattice), BYTES_A_CELL[method], lattice.cell_m)
    options = {"method": method, "max_gap_m": max_gap_m}
    if method in SCATTERED:
        values, errors, figures = interpolate_scattered(
            readings, channel, lattice, method=method, max_gap_m=max_gap_m, progress=progress
        )
        return RasterResult(values, errors, MapRecord(options, figures, (), channel))
    if not np.isfinite(readings.u_m).any():
        raise EngineError(
            f"The readings lie on no traverses (they have no u_m and v_m), which {method} follows. Choose minimum "
            "curvature or kriging, or run 'Place readings on the ground' first."
        )
    cubic = method != "linear"
    gathering, joining, evaluating = (part_of(progress, *ends) for ends in ((0.0, 0.2), (0.2, 0.4), (0.4, 1.0)))
    grids, left_out = _grids(readings, channel, cubic, gathering)
    if not grids:
        raise EngineError(" ".join(left_out) or "There are no readings in use, so there is nothing to interpolate.")
    around = [] if halo is None else _around(halo, channel, cubic, readings)
    joined = join_adjoining(grids, part_of(joining, 0.0, 0.5))
    surfaces = _surfaces([*joined, *around], cubic, part_of(joining, 0.5, 1.0))
    values, errors = evaluate(joined, surfaces, lattice, max_gap_m=max_gap_m, method=method, progress=evaluating)
    figures = figures_of([summary_of(lines) for lines in grids], values, int(np.count_nonzero(readings.in_use)))
    return RasterResult(values, errors, MapRecord(options, figures, tuple(left_out), channel))


def _surfaces(grids: Sequence[Traverses], cubic: bool, progress: Progress) -> list[tuple[Traverses, Surface]]:
    surfaces = []
    for number, lines in enumerate(grids):
        if progress is not None:
            progress(number / len(grids))
        surfaces.append((lines, surface_of(lines, cubic=cubic)))
    return surfaces


def _grids(
    readings: Readings, channel: str, cubic: bool, progress: Progress = None
) -> tuple[list[Traverses], list[str]]:
    """Return the traverses of every grid, and a sentence for each grid that has too few."""
    rows, present = _rows_of_grids(readings.grid, usable_rows(readings, channel), np.arange(len(readings.grids)))
    grids, left_out = [], []
    for code in np.flatnonzero(present):
        if progress is not None:
            progress(code / len(present))
        try:
            grids.append(traverses_of(readings, rows[code], channel, readings.grids[code], cubic=cubic))
        except EngineError as error:
            left_out.append(str(error))
    # In an order that the grids themselves give, whatever the order of the table.
    return sorted(grids, key=lambda lines: lines.name), left_out


def usable_rows(readings: Readings, channel: str) -> np.ndarray:
    """Return which readings are in use and have a value and a position, (n,) bool."""
    usable = readings.in_use
    for column in (readings.channels[channel], readings.u_m, readings.v_m, readings.x, readings.y):
        usable = usable & np.isfinite(column)
    return usable


def _rows_of_grids(grid: np.ndarray, usable: np.ndarray, codes: np.ndarray) -> tuple[Sequence[Rows], np.ndarray]:
    """Return the rows of each grid's usable readings, and which grids have readings at all.

    Rows are slices where readings follow each other, which spares copies.
    """
    if usable.all() and np.all(grid[1:] >= grid[:-1]):
        ends = np.searchsorted(grid, codes, side="right")
        starts = np.append(0, ends[:-1])
        return [slice(*limits) for limits in zip(starts.tolist(), ends.tolist())], ends > starts
    rows = np.flatnonzero(usable)
    rows = rows[np.argsort(grid[rows], kind="stable")]
    return np.split(rows, np.searchsorted(grid[rows], codes[1:])), np.bincount(grid, minlength=len(codes)) > 0


def _around(halo: Readings, channel: str, cubic: bool, readings: Readings) -> list[Traverses]:
    """Return the traverses of the grids of the halo that are not among the readings."""
    own = {readings.grids[code] for code in np.unique(readings.grid)}
    return [lines for lines in _grids(halo, channel, cubic)[0] if lines.name not in own]


def _cells_of(readings: Readings, lattice: Lattice) -> float:
    """Return about how many cells readings can fill: those of the box of each grid, no more than there are."""
    area_m2 = 0.0
    for _, part in readings.by_grid():
        axes = (part.u_m, part.v_m) if np.isfinite(part.u_m).any() else (part.x, part.y)
        known = [axis[np.isfinite(axis) & part.in_use] for axis in axes]
        area_m2 += float(np.ptp(known[0]) * np.ptp(known[1])) if len(known[0]) and len(known[1]) else 0.0
    return min(area_m2 / lattice.cell_m**2, float(lattice.rows * lattice.cols))


@dataclass(frozen=True)
class GridSummary:
    """What the map of a survey needs to know of a grid: its bounds on the map, and figures."""

    name: str
    bounds: tuple[float, float, float, float]
    used: int
    ties: int
    spacing_m: float
    interval_m: float
    noise: float


def summary_of(lines: Traverses) -> GridSummary:
    """Return the summary of one grid."""
    figures = len(lines.x), lines.ties, lines.spacing_m, lines.interval_m, lines.reading_noise
    return GridSummary(lines.name, lines.bounds, *figures)


def figures_of(grids: Sequence[GridSummary], raster: BlockRaster, in_use: int) -> dict[str, object]:
    """Return the figures of the record: cells, readings, and medians over the grids."""
    filled = sum(int(np.count_nonzero(np.isfinite(block))) for block in raster.blocks.values())
    return {
        "cells filled": filled,
        "cells nodata": raster.lattice.rows * raster.lattice.cols - filled,
        "readings used": sum(grid.used for grid in grids),
        "readings of tie lines left out": sum(grid.ties for grid in grids),
        "readings in use": in_use,
        "grids": len(grids),
        "spacing_m": round(float(np.median([grid.spacing_m for grid in grids])), 6),
        "interval_m": round(float(np.median([grid.interval_m for grid in grids])), 6),
        "noise": float(np.median([grid.noise for grid in grids])),
    }
