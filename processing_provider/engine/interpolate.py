"""From readings to a raster: along every traverse, then across, straight onto the cells of the map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Callable, Optional, Sequence

import numpy as np

from ._sheets import join_sheets
from ._sinc import Sinc
from ._surface import Sampler, Surface, surface_of
from ._traverses import Traverses, depth_in, traverses_of
from ._uncertainty import Uncertainty
from ._validation import check_channels, check_choice, check_positive
from .blocks import BLOCK, BlockRaster, block_window
from .errors import EngineError
from .lattice import Lattice
from .readings import Readings
from .scattered import METHODS as SCATTERED
from .scattered import interpolate_scattered

CHUNK = 32768
"""Cells at a time: what a processor keeps at hand."""
ON_TRAVERSES = ("cubic", "linear", "sinc")
METHODS = (*ON_TRAVERSES, *SCATTERED)
USUAL_GAP = 1.5
"""Largest distance from a reading in line spacings: a missing line is bridged, an obstacle stays a hole."""
EDGE_M = 1e-6
"""Cell centres this little outside a box count as on its edge: rounding, not ground."""


@dataclass(frozen=True)
class RasterResult:
    """A channel on the lattice of the map.

    Attributes
    ----------
    value_blocks, error_blocks : BlockRaster
        Values and standard errors in the channel's unit.
    record : dict
        ``step``, ``options``, ``figures`` and ``left_out`` (a sentence a grid that could not be interpolated).
    """

    value_blocks: BlockRaster
    error_blocks: BlockRaster
    record: dict

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
    progress: Optional[Callable[[float], None]] = None,
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
        points scattered in any way: a plate with tension, or ordinary kriging, see ``interpolate_scattered``.
    max_gap_m : float, optional
        Cells farther than this from a reading in use are nodata; None = 1.5 line spacings of the grid.
    halo : Readings, optional
        For methods on the traverses: grids that are not painted but continue those that are; the grids of
        ``readings`` do so for each other anyway. Grids of a name that ``readings`` has are passed over.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    RasterResult

    Raises
    ------
    EngineError
        On an unknown channel or method, a gap that is not above zero, or when no grid has two traverses in use.

    Notes
    -----
    Every grid is handled in its own axes u, v, which are recovered from its readings. A cell's value is taken at its
    own u, v, so that nothing is resampled. A cell belongs to the grid in whose box it lies deepest. Recordings of
    the same line that are both in use count with their mean. Tie lines are left out. Values of neighbouring grids
    stand in for lines and nodes beyond a grid's edge, so seams between balanced grids do not show.

    The standard error joins the noise of single readings, found along the lines; ``readings.se`` of the channel, taken
    as common to a line because corrections shift whole lines; and what lies between the lines, found by predicting
    every line from its neighbours. The last is rather too large than too small, and it is a guess inside holes.
    """
    check_choice("method", method, METHODS)
    for table in (readings, readings if halo is None else halo):
        check_channels([channel], tuple(table.channels))
    if max_gap_m is not None:
        check_positive("largest gap", max_gap_m)
    options = {"method": method, "max_gap_m": max_gap_m}
    if method in SCATTERED:
        painted, errors, figures = interpolate_scattered(
            readings, channel, lattice, method=method, max_gap_m=max_gap_m, progress=progress
        )
        return RasterResult(painted, errors, _record(options, figures, []))
    if not np.isfinite(readings.u_m).any():
        raise EngineError(
            f"The readings lie on no traverses (they have no u_m and v_m), which {method} follows. Choose minimum "
            "curvature or kriging, or run 'Place readings on the ground' first."
        )
    cubic = method != "linear"
    grids, left_out = _grids(readings, channel, cubic)
    if not grids:
        raise EngineError(" ".join(left_out) or "There are no readings in use, so there is nothing to interpolate.")
    around = [] if halo is None else _around(halo, channel, cubic, readings)
    sheets = join_sheets(grids)
    ground = [(lines, surface_of(lines, cubic=cubic)) for lines in (*sheets, *around)]
    painted, errors = _painted(sheets, ground, lattice, max_gap_m, method, progress)
    return RasterResult(painted, errors, _record(options, _figures(readings, grids, painted), left_out))


def _record(options: dict, figures: dict, left_out: list[str]) -> dict:
    return {"step": "interpolatereadings", "options": options, "figures": figures, "left_out": left_out}


def _painted(sheets, ground, lattice: Lattice, max_gap_m, method: str, progress) -> tuple[BlockRaster, BlockRaster]:
    """Return values and standard errors of all cells."""
    owners = _share_cells(sheets, lattice)
    values, errors = ({start: np.full(owner.shape, np.nan) for start, owner in owners.items()} for _ in range(2))
    total, done = sum(owner.size for owner in owners.values()), 0
    for number, lines in enumerate(sheets):
        paint = None
        for start in _blocks_of([lines], lattice):
            cells = np.flatnonzero(owners[start] == number) if start in owners else ()
            if not len(cells):
                continue
            paint = paint or _painter(number, ground, lattice, max_gap_m, method)
            for chunk in np.array_split(cells, len(cells) // CHUNK + 1):
                if progress is not None:
                    progress(done / total)
                row, col = np.divmod(chunk, owners[start].shape[1])
                values[start].ravel()[chunk], errors[start].ravel()[chunk] = paint(row + start[0], col + start[1])
                done += len(chunk)
    return BlockRaster(lattice, values), BlockRaster(lattice, errors)


def _grids(readings: Readings, channel: str, cubic: bool) -> tuple[list[Traverses], list[str]]:
    """Return the traverses of every grid, and a sentence for each grid that has too few."""
    usable = readings.in_use
    for column in (readings.channels[channel], readings.u_m, readings.v_m, readings.x, readings.y):
        usable &= np.isfinite(column)
    rows = np.flatnonzero(usable)
    rows = rows[np.argsort(readings.grid[rows], kind="stable")]
    codes = np.arange(len(readings.grids))
    shares = np.split(rows, np.searchsorted(readings.grid[rows], codes[1:]))
    present = np.bincount(readings.grid, minlength=len(codes)) > 0
    grids, left_out = [], []
    for code in codes[present]:
        try:
            grids.append(traverses_of(readings, shares[code], channel, readings.grids[code], cubic=cubic))
        except EngineError as error:
            left_out.append(str(error))
    return grids, left_out


def _around(halo: Readings, channel: str, cubic: bool, readings: Readings) -> list[Traverses]:
    """Return the traverses of the grids of the halo that are not among the readings."""
    painted = {readings.grids[code] for code in np.unique(readings.grid)}
    return [lines for lines in _grids(halo, channel, cubic)[0] if lines.name not in painted]


def _share_cells(sheets: Sequence[Traverses], lattice: Lattice) -> dict[tuple[int, int], np.ndarray]:
    """Return, by block, the number of the sheet in one of whose boxes each cell's centre lies deepest; -1 = none."""
    slack = min(lines.spacing_m for lines in sheets) / 2
    around = int(np.ceil(slack / lattice.cell_m)) + 1
    owners = {}
    for start in _blocks_of(sheets, lattice):
        row0, row1, col0, col1 = block_window(lattice, *start)
        top, left = min(around, row0), min(around, col0)
        window = row0 - top, min(row1 + around, lattice.rows), col0 - left, min(col1 + around, lattice.cols)
        owner = _owners(sheets, lattice.sub(window), slack)[top : top + row1 - row0, left : left + col1 - col0]
        if (owner >= 0).any():
            owners[start] = owner
    return owners


def _blocks_of(sheets: Sequence[Traverses], lattice: Lattice) -> list[tuple[int, int]]:
    """Return the first row and column of the blocks that boxes may lie in, in order."""
    found = set()
    for lines in sheets:
        for box in lines.boxes:
            row0, row1, col0, col1 = lattice.window(*lines.bounds_of(box))
            rows, cols = (range(low // BLOCK * BLOCK, high, BLOCK) for low, high in ((row0, row1), (col0, col1)))
            found.update((row, col) for row in rows for col in cols)
    return sorted(found)


def _owners(sheets: Sequence[Traverses], lattice: Lattice, slack: float) -> np.ndarray:
    """Return the (rows, cols) numbers of the sheets that the cells of a small lattice belong to; -1 = none."""
    deepest = np.full(lattice.shape, -np.inf)
    owner = np.full(lattice.shape, -1, np.int32)
    for number, lines in enumerate(sheets):
        for box in lines.boxes:
            window = lattice.window(*lines.bounds_of(box))
            part = slice(*window[:2]), slice(*window[2:])
            if not deepest[part].size:
                continue
            cells = lattice.sub(window)
            depth = depth_in(box, *lines.frame.to_local(cells.x[None, :], cells.y[:, None]))
            deeper = depth > deepest[part]
            np.copyto(deepest[part], depth, where=deeper)
            np.copyto(owner[part], number, where=deeper)
    inside = deepest >= -EDGE_M
    inside.flat[_slivers(inside, np.flatnonzero(~inside & (deepest >= -slack)), slack / lattice.cell_m)] = True
    owner[~inside] = -1
    return owner


def _slivers(inside: np.ndarray, cell: np.ndarray, reach: float) -> np.ndarray:
    """Return which of the flat cells lie between cells inside on opposite sides.

    Corners that fit badly leave such slivers between the boxes of neighbouring grids.
    """
    row, col = np.divmod(cell, inside.shape[1])
    steps = int(np.ceil(reach)) + 1
    framed = np.pad(inside, steps)
    between = np.zeros(len(cell), bool)
    away = np.arange(1, steps + 1)[:, None]
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        one, other = (
            framed[row + steps + way * down * away, col + steps + way * right * away].any(axis=0) for way in (1, -1)
        )
        between |= one & other
    return cell[between]


def _painter(number: int, ground, lattice: Lattice, max_gap_m: Optional[float], method: str):
    """Return a function that gives values and standard errors of cells of one sheet, by row and column."""
    lines, alone = ground[number]
    gap_m = USUAL_GAP * lines.spacing_m if max_gap_m is None else max_gap_m
    others = [item for i, item in enumerate(ground) if i != number and _near(item[0], lines)]
    halo = _sampler(lines, others)
    surface = surface_of(lines, cubic=method != "linear", halo=halo) if others else alone
    sinc = Sinc(surface) if method == "sinc" else None
    uncertainty = Uncertainty(surface, lines)
    x, y = lattice.x, lattice.y

    def paint(row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u, v = lines.frame.to_local(x[col], y[row])
        at = surface.locate(u, v)
        nearest = surface.nearest(at)
        values = sinc.value(u, v) if sinc else surface.value(at)
        errors = uncertainty.standard_error(u, at, nearest)
        doubtful = np.flatnonzero(~surface.certain(u, nearest, gap_m))
        if len(doubtful):
            centres = np.stack([x[col[doubtful]], y[row[doubtful]]], axis=1)
            values[doubtful[_far(centres, [lines, *(item[0] for item in others)], gap_m)]] = np.nan
        errors[np.isnan(values)] = np.nan
        return values, errors

    return paint


def _near(a: Traverses, b: Traverses) -> bool:
    (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) = a.bounds, b.bounds
    reach = 4 * max(a.spacing_m, b.spacing_m)
    return ax0 - reach <= bx1 and bx0 - reach <= ax1 and ay0 - reach <= by1 and by0 - reach <= ay1


def _sampler(lines: Traverses, others: Sequence[tuple[Traverses, Surface]]) -> Sampler:
    """Return a function that reads the surfaces of neighbouring grids at local positions of a grid."""

    def sample(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        x, y = lines.frame.to_map(u, v)
        values, deepest = np.full(len(u), np.nan), np.full(len(u), -EDGE_M)
        for other, surface in others:
            u_there, v_there = other.frame.to_local(x, y)
            depth = other.depth(u_there, v_there)
            inside = np.flatnonzero(depth > deepest)
            found = surface.value(surface.locate(u_there[inside], v_there[inside]))
            inside, found = inside[np.isfinite(found)], found[np.isfinite(found)]
            values[inside], deepest[inside] = found, depth[inside]
        return values

    return sample


def _far(centres: np.ndarray, grids: Sequence[Traverses], gap_m: float) -> np.ndarray:
    """Return which of the (n, 2) map positions have no reading of the grids within the gap."""
    from scipy.spatial import cKDTree

    low, high = centres.min(axis=0) - gap_m, centres.max(axis=0) + gap_m
    readings = np.concatenate([np.stack([lines.x, lines.y], axis=1) for lines in grids])
    readings = readings[np.all((readings >= low) & (readings <= high), axis=1)]
    if not len(readings):
        return np.ones(len(centres), bool)
    distance, _ = cKDTree(readings - low).query(centres - low, distance_upper_bound=gap_m + EDGE_M)
    return ~np.isfinite(distance)


def _figures(readings: Readings, grids: Sequence[Traverses], painted: BlockRaster) -> dict:
    filled = sum(int(np.count_nonzero(np.isfinite(block))) for block in painted.blocks.values())
    return {
        "cells filled": filled,
        "cells nodata": painted.lattice.rows * painted.lattice.cols - filled,
        "readings used": int(sum(len(lines.x) for lines in grids)),
        "readings of tie lines left out": int(sum(lines.ties for lines in grids)),
        "readings in use": int(np.count_nonzero(readings.in_use)),
        "grids": len(grids),
        "spacing_m": round(float(np.median([lines.spacing_m for lines in grids])), 6),
        "interval_m": round(float(np.median([lines.interval_m for lines in grids])), 6),
        "noise": float(np.median([lines.noise for lines in grids])),
    }
