"""Equilibrium of a minimum-curvature surface: gradient of its energy, and conjugate gradients over several levels."""

from __future__ import annotations

import numpy as np

from ..core import Progress

COARSEST = 8
"""Cells along the shorter side from which on there is no coarser level. Found by tests/calibration/scattered.py."""
TOLERANCE = 1e-4
"""Estimated distance from equilibrium, in ranges of the values, at which a surface is done. Derived: a hundredth of the
noise of readings that vary a hundred times as much as their noise."""
MOST_STEPS = 400
"""Steps of conjugate gradients at most. Found by tests/calibration/scattered.py: many times what surfaces take."""
BAND = 40_000
"""Cells at a time. Derived: 160 kB in single precision, which stay in a processor's second cache."""
HELD_STIFFNESS = 10.0
"""Stiffness that a held cell lends to the coarse cell around it. Found by tests/calibration/scattered.py."""


def coarse_shape(shape: tuple[int, ...]) -> tuple[int, int]:
    """Return the shape in cells of twice the size."""
    return -(-shape[0] // 2), -(-shape[1] // 2)


def prolonged(surface: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Return a surface on cells of half the size, linear between the middles of the coarse ones and beyond them."""
    tall = np.empty((2 * len(surface), surface.shape[1]), surface.dtype)
    _prolong_rows(surface, tall)
    fine = np.empty((shape[0], 2 * surface.shape[1]), surface.dtype)
    _prolong_rows(tall[: shape[0]].T, fine.T)
    return np.ascontiguousarray(fine[:, : shape[1]])


def _prolong_rows(coarse: np.ndarray, fine: np.ndarray) -> None:
    """Fill twice as many rows from rows."""
    if len(coarse) == 1:
        fine[:] = coarse
        return
    step = coarse[1:] - coarse[:-1]
    step *= coarse.dtype.type(0.25)
    np.subtract(coarse[1:], step, out=fine[2::2])
    np.add(coarse[:-1], step, out=fine[1:-1:2])
    np.subtract(coarse[0], step[0], out=fine[0])
    np.add(coarse[-1], step[-1], out=fine[-1])


def restricted(force: np.ndarray) -> np.ndarray:
    """Return forces on cells of twice the size: the transpose of ``prolonged``."""
    rows, cols = coarse_shape(force.shape)
    flat, out = (
        np.empty((rows, force.shape[1]), force.dtype),
        np.empty((rows, cols), force.dtype),
    )
    _restrict_rows(force, flat)
    _restrict_rows(flat.T, out.T)
    return out


def _restrict_rows(fine: np.ndarray, coarse: np.ndarray) -> None:
    """Fill half as many rows from rows: the transpose of ``_prolong_rows``."""
    upper, lower = fine[::2], fine[1::2]
    coarse[:] = upper
    coarse[: len(lower)] += lower
    if len(coarse) == 1:
        return
    step = lower[: len(coarse) - 1] - upper[1:]
    step[0] -= upper[0]
    if len(lower) == len(coarse):
        step[-1] += lower[-1]
    step *= fine.dtype.type(0.25)
    coarse[1:] += step
    coarse[:-1] -= step


class Preconditioner:
    """Approximate inverse of the energy's second derivatives: how far a force moves a surface whose held cells stay.

    Parameters
    ----------
    free : (rows, cols) bool
        Cells that are not held.
    tension : float

    Notes
    -----
    Force by stiffness, summed over cells of all sizes. Cells of 2^k times the size bend with (1 - T) / 4^k and stretch
    with T times the force of small ones, and every held cell in them resists being moved along. Levels all of whose
    cells hold some are stiff and left out. The sum is that of J. Bramble, J. Pasciak and J. Xu 1990, Parallel
    multilevel preconditioners, Mathematics of Computation 55, 1-22 (from memory).
    """

    def __init__(self, free: np.ndarray, tension: float) -> None:
        self._free, held, size = free, (~free).astype(np.float32), 1.0
        self._compliance = [(free / _stiffness(tension, size)).astype(np.float32)]
        while min(held.shape) > COARSEST:
            held, size = _counted(held), 2.0 * size
            if held.all():
                break
            self._compliance.append((1.0 / (_stiffness(tension, size) + HELD_STIFFNESS * held)).astype(np.float32))

    def __call__(self, force: np.ndarray) -> np.ndarray:
        """Return how far the (rows, cols) float32 force moves the cells."""
        forces = [force]
        for _ in self._compliance[1:]:
            forces.append(restricted(forces[-1]))
        moved = forces[-1] * self._compliance[-1]
        for part, compliance in zip(forces[-2::-1], self._compliance[-2::-1]):
            moved = prolonged(moved, part.shape)
            moved += part * compliance
        moved *= self._free
        return moved


def _stiffness(tension: float, size: float) -> float:
    """Return the weight of a cell in its own force, for cells of ``size`` times the width."""
    return 20.0 * (1.0 - tension) / size**2 + 4.0 * tension


def _counted(held: np.ndarray) -> np.ndarray:
    """Return the sums over two by two cells."""
    rows, cols = held.shape
    held = np.pad(held, ((0, rows % 2), (0, cols % 2)))
    return held[::2, ::2] + held[1::2, ::2] + held[::2, 1::2] + held[1::2, 1::2]


def relaxed(
    surface: np.ndarray, free: np.ndarray, tension: float, tolerance: float = TOLERANCE, progress: Progress = None
) -> np.ndarray:
    """Return the surface with its free cells in equilibrium, by conjugate gradients from where they are.

    Parameters
    ----------
    surface : (rows, cols) float64
        In ranges of the values.
    free : (rows, cols) bool
        The other cells keep their values.
    tension : float
    tolerance : float
        Estimated distance from equilibrium at which to stop.
    progress : callable, optional
        Called before every step with the fraction done, by the logarithm of the distance; what it raises ends the run.
    """
    # Wide empty areas depend on the last digits of the force; for the change of the surface single precision is enough.
    residual = np.where(free, -energy_gradient(surface, tension), 0.0).astype(np.float32)
    if not residual.any():
        return surface
    precondition = Preconditioner(free, tension)
    change, moved = np.zeros_like(residual), precondition(residual)
    way, power = moved.copy(), float(np.vdot(residual, moved))
    largest = distance = _largest(moved)
    done = 0.0
    for _ in range(MOST_STEPS):
        if progress is not None:
            done = max(done, _fraction(largest, distance, tolerance))
            progress(done)
        pulled = energy_gradient(way, tension)
        pulled *= free
        step = np.float32(power / float(np.vdot(way, pulled)))
        change += np.multiply(way, step, out=moved)
        pulled *= step
        residual -= pulled
        moved = precondition(residual)
        distance = _largest(moved)
        if distance < tolerance:
            break
        before, power = power, float(np.vdot(residual, moved))
        way *= np.float32(power / before)
        way += moved
    return surface + change


def _largest(moved: np.ndarray) -> float:
    return float(max(moved.max(), -moved.min()))


def _fraction(first: float, distance: float, tolerance: float) -> float:
    """Return how much of the way from the first distance to the tolerance is done, by their logarithms."""
    if not 0.0 < tolerance < first or not 0.0 < distance < first:
        return 0.0
    return min(float(np.log(first / distance) / np.log(first / tolerance)), 1.0)


def energy_gradient(surface: np.ndarray, tension: float) -> np.ndarray:
    """Return half the gradient of the surface's energy by its cells.

    Two cells and more from the edge it is made of the Laplacian of the Laplacian and the Laplacian.
    """
    rows, cols = surface.shape
    if min(surface.shape) < 6:
        return _gradient_at_edges(surface, tension)
    force = np.empty_like(surface)
    bend, pull = surface.dtype.type(1.0 - tension), surface.dtype.type(tension)
    band = max(16, BAND // cols)
    for row in range(2, rows - 2, band):
        last = min(row + band, rows - 2)
        once = _laplacian(surface[row - 2 : last + 2])
        inner = _laplacian(once)
        inner *= bend
        once *= pull
        np.subtract(inner, once[1:-1, 1:-1], out=force[row:last, 2:-2])
    for p, f in ((surface, force), (surface.T, force.T)):
        f[:2], f[:-3:-1] = _gradient_at_edges(np.stack([p[:4], p[:-5:-1]]), tension)[:, :2]
    return force


def _laplacian(surface: np.ndarray) -> np.ndarray:
    """Return the sum of the four neighbours less four times each inner cell."""
    out = surface[1:-1, 1:-1] * surface.dtype.type(-4.0)
    for neighbour in (
        surface[:-2, 1:-1],
        surface[2:, 1:-1],
        surface[1:-1, :-2],
        surface[1:-1, 2:],
    ):
        out += neighbour
    return out


def _gradient_at_edges(surface: np.ndarray, tension: float) -> np.ndarray:
    """Return the same from the energy's terms one by one, which leaves the edges free; of the last two axes."""
    force = np.zeros_like(surface)
    bend = 1.0 - tension
    for p, f in ((surface, force), (surface.swapaxes(-1, -2), force.swapaxes(-1, -2))):
        if p.shape[-2] > 2:
            curve = bend * (p[..., :-2, :] - 2.0 * p[..., 1:-1, :] + p[..., 2:, :])
            f[..., :-2, :] += curve
            f[..., 1:-1, :] -= 2.0 * curve
            f[..., 2:, :] += curve
        if tension and p.shape[-2] > 1:
            slope = tension * (p[..., 1:, :] - p[..., :-1, :])
            f[..., 1:, :] += slope
            f[..., :-1, :] -= slope
    twist = surface[..., 1:, 1:] - surface[..., 1:, :-1] - surface[..., :-1, 1:] + surface[..., :-1, :-1]
    twist *= 2.0 * bend
    force[..., 1:, 1:] += twist
    force[..., 1:, :-1] -= twist
    force[..., :-1, 1:] -= twist
    force[..., :-1, :-1] += twist
    return force
