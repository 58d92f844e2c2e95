"""The plate of minimum curvature on a lattice: its force, its cells at half and twice the size, and how it settles."""

from __future__ import annotations

import numpy as np

COARSEST = 8
"""Cells along the shorter side from which on there is no coarser level."""
SETTLED = 1e-4
"""Estimated distance from balance, in ranges of the values, below which a plate is at rest."""
MOST_STEPS = 400
"""Steps of conjugate gradients."""
BAND = 40_000
"""Cells at a time: what a processor keeps at hand."""
KINK = 10.0
"""Stiffness that a held cell lends to the coarse cell around it; between 5 and 20 the number of steps is the same."""


def halved(shape: tuple[int, int]) -> tuple[int, int]:
    """Return the shape of cells of twice the size."""
    return -(-shape[0] // 2), -(-shape[1] // 2)


def refined(plate: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Return a plate on cells of half the size, linear between the middles of the coarse ones and beyond them."""
    tall = np.empty((2 * len(plate), plate.shape[1]), plate.dtype)
    _spread(plate, tall)
    fine = np.empty((shape[0], 2 * plate.shape[1]), plate.dtype)
    _spread(tall[: shape[0]].T, fine.T)
    return np.ascontiguousarray(fine[:, : shape[1]])


def _spread(coarse: np.ndarray, fine: np.ndarray) -> None:
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


def gathered(force: np.ndarray) -> np.ndarray:
    """Return forces on cells of twice the size: the transpose of ``refined``."""
    rows, cols = halved(force.shape)
    flat, out = (
        np.empty((rows, force.shape[1]), force.dtype),
        np.empty((rows, cols), force.dtype),
    )
    _gather(force, flat)
    _gather(flat.T, out.T)
    return out


def _gather(fine: np.ndarray, coarse: np.ndarray) -> None:
    """Fill half as many rows from rows: the transpose of ``_spread``."""
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


class Softener:
    """About how far a force moves a plate whose held cells stay: force by stiffness, summed over cells of all sizes.

    Parameters
    ----------
    free : (rows, cols) bool
        Cells that are not held.
    tension : float

    Notes
    -----
    Cells of 2^k times the size bend with (1 - T) / 4^k and stretch with T times the force of small ones, and every
    held cell in them resists being moved along. Levels all of whose cells hold some are stiff and left out. The sum
    is that of J. Bramble, J. Pasciak and J. Xu 1990, Parallel multilevel preconditioners, Mathematics of Computation
    55, 1-22 (from memory).
    """

    def __init__(self, free: np.ndarray, tension: float) -> None:
        self._free, held, size = free, (~free).astype(np.float32), 1.0
        self._ease = [(free / _stiffness(tension, size)).astype(np.float32)]
        while min(held.shape) > COARSEST:
            held, size = _counted(held), 2.0 * size
            if held.all():
                break
            self._ease.append((1.0 / (_stiffness(tension, size) + KINK * held)).astype(np.float32))

    def __call__(self, force: np.ndarray) -> np.ndarray:
        """Return how far the (rows, cols) float32 force moves the cells."""
        forces = [force]
        for _ in self._ease[1:]:
            forces.append(gathered(forces[-1]))
        moved = forces[-1] * self._ease[-1]
        for part, ease in zip(forces[-2::-1], self._ease[-2::-1]):
            moved = refined(moved, part.shape)
            moved += part * ease
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


def relaxed(plate: np.ndarray, free: np.ndarray, tension: float, settled: float = SETTLED) -> np.ndarray:
    """Return the plate with its free cells in balance, by conjugate gradients from where they are.

    Parameters
    ----------
    plate : (rows, cols) float64
        In ranges of the values.
    free : (rows, cols) bool
        The other cells are held where they are.
    tension : float
    settled : float
        Estimated distance from balance at which to stop.
    """
    # Wide empty ground turns on the last digits of the force; for the change of the plate single precision is enough.
    rest = np.where(free, -force_of(plate, tension), 0.0).astype(np.float32)
    if not rest.any():
        return plate
    soften = Softener(free, tension)
    change, moved = np.zeros_like(rest), soften(rest)
    way, power = moved.copy(), float(np.vdot(rest, moved))
    for _ in range(MOST_STEPS):
        pulled = force_of(way, tension)
        pulled *= free
        step = np.float32(power / float(np.vdot(way, pulled)))
        change += np.multiply(way, step, out=moved)
        pulled *= step
        rest -= pulled
        moved = soften(rest)
        if max(moved.max(), -moved.min()) < settled:
            break
        before, power = power, float(np.vdot(rest, moved))
        way *= np.float32(power / before)
        way += moved
    return plate + change


def force_of(plate: np.ndarray, tension: float) -> np.ndarray:
    """Return half the gradient of the plate's energy by its cells.

    Two cells from the edge on it is the Laplacian of the Laplacian and the Laplacian.
    """
    rows, cols = plate.shape
    if min(plate.shape) < 6:
        return _force_at_edges(plate, tension)
    force = np.empty_like(plate)
    bend, pull = plate.dtype.type(1.0 - tension), plate.dtype.type(tension)
    band = max(16, BAND // cols)
    for row in range(2, rows - 2, band):
        last = min(row + band, rows - 2)
        once = _laplacian(plate[row - 2 : last + 2])
        inner = _laplacian(once)
        inner *= bend
        once *= pull
        np.subtract(inner, once[1:-1, 1:-1], out=force[row:last, 2:-2])
    for p, f in ((plate, force), (plate.T, force.T)):
        f[:2], f[:-3:-1] = _force_at_edges(np.stack([p[:4], p[:-5:-1]]), tension)[:, :2]
    return force


def _laplacian(plate: np.ndarray) -> np.ndarray:
    """Return the sum of the four neighbours less four times each inner cell."""
    out = plate[1:-1, 1:-1] * plate.dtype.type(-4.0)
    for neighbour in (
        plate[:-2, 1:-1],
        plate[2:, 1:-1],
        plate[1:-1, :-2],
        plate[1:-1, 2:],
    ):
        out += neighbour
    return out


def _force_at_edges(plate: np.ndarray, tension: float) -> np.ndarray:
    """Return the same from the energy's terms one by one, which leaves the edges free; of the last two axes."""
    force = np.zeros_like(plate)
    bend = 1.0 - tension
    for p, f in ((plate, force), (plate.swapaxes(-1, -2), force.swapaxes(-1, -2))):
        if p.shape[-2] > 2:
            curve = bend * (p[..., :-2, :] - 2.0 * p[..., 1:-1, :] + p[..., 2:, :])
            f[..., :-2, :] += curve
            f[..., 1:-1, :] -= 2.0 * curve
            f[..., 2:, :] += curve
        if tension and p.shape[-2] > 1:
            slope = tension * (p[..., 1:, :] - p[..., :-1, :])
            f[..., 1:, :] += slope
            f[..., :-1, :] -= slope
    twist = plate[..., 1:, 1:] - plate[..., 1:, :-1] - plate[..., :-1, 1:] + plate[..., :-1, :-1]
    twist *= 2.0 * bend
    force[..., 1:, 1:] += twist
    force[..., 1:, :-1] -= twist
    force[..., :-1, 1:] -= twist
    force[..., :-1, :-1] += twist
    return force
