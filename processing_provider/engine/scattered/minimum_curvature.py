"""Minimum curvature with tension: a smooth surface through readings that may lie anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core import EngineError, Progress, halves_of, part_of
from ..geometry import Lattice
from .multigrid import COARSEST, TOLERANCE, coarse_shape, prolonged, relaxed
from .points import check_columns

ROUNDS = 6
"""How often the readings are carried to the middle of their cells along the surface, at most. Found by
tests/calibration/scattered.py: later rounds change nothing."""
CARRY_TOLERANCE = 2e-4
"""Root mean square change of a round, in ranges of the values, at which they end. Derived: twice ``TOLERANCE``, to
which each of the two surfaces is solved."""
HALF = 0.5 + 1e-9
"""Of a cell, and a little more: readings on the line between two cells all go the same way, whatever rounding does.
Derived: coordinates of 5e6 m carry 1e-9 m of rounding."""
COARSER = 0.1
"""Fraction of the time up to a level that levels before it take. Derived: a quarter of the cells each, 1/4 + 1/16 + ...
= 1/3 for one round, where the last level has three."""
COARSE_TOLERANCE = 10 * TOLERANCE
"""Tolerance of the first round, and of what is only a start for smaller cells. Derived: the next round moves the
readings by more than that."""


@dataclass(frozen=True)
class _Held:
    """Cells that hold readings.

    Flat numbers (k,), mean value, and mean moments of the readings' positions about the middle of the cell (in cells;
    row, column, and their products).
    """

    cell: np.ndarray
    value: np.ndarray
    moment: np.ndarray


@dataclass(frozen=True)
class MinimumCurvatureSurface:
    """A surface in equilibrium, and what holds it.

    Attributes
    ----------
    values : (rows, cols) float64
    cell : (k,) int
        Flat numbers, rising, of the cells that hold readings.
    count, number : (k,) int
        How many readings a cell holds, and the row of one of them.
    spread : (2, k) float64
        Mean squares of how far down and aside of the middle of its cell a reading lies, in cells.
    """

    values: np.ndarray
    cell: np.ndarray
    count: np.ndarray
    number: np.ndarray
    spread: np.ndarray
    _tension: float
    _span: float

    @property
    def held(self) -> np.ndarray:
        """Which cells hold readings, (rows, cols) bool."""
        return _marked(self.cell, self.values.shape)

    def residuals(self, out: np.ndarray, progress: Progress = None) -> np.ndarray:
        """Return values of some held cells less those of the surface without their readings, (m,) float64.

        ``out`` (k,) bool says which. The others keep their values.
        """
        free = ~_marked(self.cell[~out], self.values.shape)
        surface = self.values / self._span
        without = relaxed(surface, free, self._tension, COARSE_TOLERANCE, progress)
        return self._span * (surface.ravel()[self.cell[out]] - without.ravel()[self.cell[out]])


def minimum_curvature(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    lattice: Lattice,
    *,
    tension: float = 0.25,
    progress: Progress = None,
) -> np.ndarray:
    """Return the surface of minimum curvature with tension through readings.

    Parameters
    ----------
    x, y : (n,) float64
        Readings, map metres; those outside the lattice are not used.
    z : (n,) float64
    lattice : Lattice
        All its cells get a value, however far from a reading they lie.
    tension : float
        0 (least curvature, may overshoot between far readings) to below 1 (a membrane).
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    (rows, cols) float64
        In the unit of ``z``.

    Raises
    ------
    EngineError
        On columns of unequal length or with values that are no numbers, a tension outside 0 to 1, or when no reading
        lies on the lattice.

    Notes
    -----
    It minimises, over cells of unit size, with T the tension and free edges,

        (1 - T) sum (z_rr^2 + 2 z_rc^2 + z_cc^2) + T sum (z_r^2 + z_c^2).

    Cells with readings are held at their mean, carried to the middle of the cell along the slope and curvature of the
    surface itself. See ``docs/methods/minimum-curvature.md``.

    References
    ----------
    Smith, W. H. F., Wessel, P., 1990. Gridding with continuous curvature splines in tension. Geophysics 55(3), 293-305
    (the equation, from memory). Briggs, I. C., 1974. Machine contouring using minimum curvature. Geophysics 39(1),
    39-48.
    """
    return fit_surface(x, y, z, lattice, tension=tension, progress=progress).values


def fit_surface(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    lattice: Lattice,
    *,
    tension: float = 0.25,
    progress: Progress = None,
) -> MinimumCurvatureSurface:
    """Return the surface of ``minimum_curvature``, which see, with what holds it."""
    x, y, z = check_columns(("x", "y", "values"), (x, y, z))
    if not 0.0 <= tension < 1.0:
        raise EngineError(f"Invalid tension: {tension:g} was given. It must be 0 or more and below 1.")
    level, span, finest, count, number = _on_lattice(x, y, z, lattice)
    held, shapes = [finest], [lattice.shape]
    while min(shapes[-1]) > 2 * COARSEST:
        held.append(_coarser(held[-1], shapes[-1]))
        shapes.append(coarse_shape(shapes[-1]))
    surface = np.zeros(shapes[-1])
    for step, (shape, cells) in enumerate(zip(shapes[::-1], held[::-1])):
        # A level has a quarter of the cells of the next one, and the last one takes more rounds.
        later = [COARSER ** (len(shapes) - 1 - level) for level in (step - 1, step)]
        within = part_of(progress, later[0] if step else 0.0, later[1])
        surface = _solved(prolonged(surface, shape) if step else surface, cells, tension, within)
    spread = 2 * finest.moment[[2, 4]]
    return MinimumCurvatureSurface(level + span * surface, finest.cell, count, number, spread, tension, span)


def _on_lattice(
    x: np.ndarray, y: np.ndarray, z: np.ndarray, lattice: Lattice
) -> tuple[float, float, _Held, np.ndarray, np.ndarray]:
    """Return mean and range of the values, the cells that hold readings, how many each holds, and one of them."""
    col, row = (x - lattice.x_min) / lattice.cell_m - 0.5, (lattice.y_max - y) / lattice.cell_m - 0.5
    inside = (col > -0.5) & (col < lattice.cols - 0.5) & (row > -0.5) & (row < lattice.rows - 0.5)
    if not inside.any():
        raise EngineError("No reading lies on the lattice, so there is nothing to interpolate. Check extent and CRS.")
    row, col, z = row[inside], col[inside], z[inside]
    level, span = float(z.mean()), max(float(np.ptp(z)), float(np.finfo(float).tiny))
    held, count, last = _held(row, col, (z - level) / span, lattice.shape)
    return level, span, held, count, np.flatnonzero(inside)[last].astype(np.int32)


def _held(
    row: np.ndarray, col: np.ndarray, z: np.ndarray, shape: tuple[int, int]
) -> tuple[_Held, np.ndarray, np.ndarray]:
    """Return the cells that readings lie in, how many are in each, and one of them.

    ``row`` and ``col`` are fractional.
    """
    nearest = [np.clip((at + HALF).astype(np.intp), 0, side - 1) for at, side in zip((row, col), shape)]
    flat = nearest[0] * shape[1] + nearest[1]
    count = np.bincount(flat, minlength=shape[0] * shape[1])
    cell = np.flatnonzero(count)
    away = row - nearest[0], col - nearest[1]
    columns = (
        z,
        away[0],
        away[1],
        away[0] ** 2 / 2,
        away[0] * away[1],
        away[1] ** 2 / 2,
    )
    means = [np.bincount(flat, column, minlength=len(count))[cell] / count[cell] for column in columns]
    last = np.empty(len(count), np.int32)
    last[flat] = np.arange(len(flat), dtype=np.int32)
    return _Held(cell, means[0], np.array(means[1:], np.float32)), count[cell].astype(np.int32), last[cell]


def _coarser(held: _Held, shape: tuple[int, int]) -> _Held:
    """Return the cells of twice the size that hold readings; they only give a start, so their middles will do."""
    row, col = np.divmod(held.cell, shape[1])
    rows, cols = coarse_shape(shape)
    flat = row // 2 * cols + col // 2
    count = np.bincount(flat, minlength=rows * cols)
    cell = np.flatnonzero(count)
    value = np.bincount(flat, held.value, minlength=len(count))[cell] / count[cell]
    return _Held(cell, value, np.zeros((0, len(cell))))


def _solved(surface: np.ndarray, held: _Held, tension: float, progress: Progress) -> np.ndarray:
    """Return the surface in equilibrium through its held cells."""
    free = ~_marked(held.cell, surface.shape)
    if not len(held.moment):
        surface = surface.copy()
        surface.ravel()[held.cell] = held.value
        return relaxed(surface, free, tension, COARSE_TOLERANCE, progress)
    for number, within in zip(range(ROUNDS), halves_of(progress)):
        before = surface
        surface = surface.copy()
        surface.ravel()[held.cell] = held.value - _rise_to_readings(before, held)
        surface = relaxed(surface, free, tension, TOLERANCE if number else COARSE_TOLERANCE, within)
        if number and np.sqrt(np.mean((surface - before) ** 2)) < CARRY_TOLERANCE:
            break
    return surface


def _marked(cell: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Return which cells are among the flat numbers, (rows, cols) bool."""
    there = np.zeros(shape, bool)
    there.ravel()[cell] = True
    return there


def _rise_to_readings(surface: np.ndarray, held: _Held) -> np.ndarray:
    """Return how much higher the surface is at the readings than in the middle of their cells."""
    thin = min(surface.shape) == 1
    padded = np.pad(surface, 1, "edge") if thin else np.pad(surface, 1, "reflect", reflect_type="odd")
    width = padded.shape[1]
    row, col = np.divmod(held.cell, surface.shape[1])
    at = (row + 1) * width + col + 1
    flat = padded.ravel()
    middle, up, down, left, right = (flat[at + step] for step in (0, -width, width, -1, 1))
    corner = flat[at + width + 1] - flat[at + width - 1] - flat[at - width + 1] + flat[at - width - 1]
    derivatives = (
        (down - up) / 2,
        (right - left) / 2,
        up - 2 * middle + down,
        corner / 4,
        left - 2 * middle + right,
    )
    return np.sum([m * d for m, d in zip(held.moment, derivatives)], axis=0)
