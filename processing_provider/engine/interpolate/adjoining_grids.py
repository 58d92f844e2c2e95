"""Adjoining grids on the same axes, with lines and nodes in step, joined so that one spline runs through all."""

from __future__ import annotations

from dataclasses import replace
from typing import Optional, Sequence

import numpy as np

from ..core import Progress
from ..geometry import EDGE_M
from .along_lines import Traverses
from .splines import Block, block_of

SAME_AXES = 1e-7
"""Largest difference of direction cosines and scales. Derived: 0.01 mm over 100 m, a thousandth of what pegs are set
to. """
IN_STEP = 1e-4
"""Largest distance from a common node in intervals. Derived: 0.01 mm of 0.1 m, likewise."""
SAME_SPACING = 0.01
"""Largest relative difference of line spacings. Derived: 5 mm of 0.5 m, a tenth of what a line is walked to."""
MOST_BLANK = 3.0
"""Joined grids may have this many times the nodes of their grids; scattered grids are not joined. Derived: it bounds
the memory and changes values by less than the halo of ``HALO_LINES`` does."""


def join_adjoining(grids: Sequence[Traverses], progress: Progress = None) -> list[Traverses]:
    """Join grids that continue each other; the others stay as they are.

    Parameters
    ----------
    grids : sequence of Traverses
    progress : callable, optional

    Returns
    -------
    list of Traverses
        In the axes of the first of the grids that were joined, with the boxes of all of them.

    Notes
    -----
    Only nodes are put beside each other: nothing is computed from the values, but their mean where grids overlap.
    Corners measured in the field seldom put two grids on the same axes to a hundredth of a millimetre; corners that
    were set out from a plan do.
    """
    groups: list[list[tuple[Traverses, Traverses]]] = []
    for number, grid in enumerate(grids):
        if progress is not None:
            progress(number / len(grids))
        for group in groups:
            moved = _in_axes_of(group[0][0], grid)
            if moved is not None and any(_touching(grid, member) for member, _ in group):
                group.append((grid, moved))
                break
        else:
            groups.append([(grid, grid)])
    return [lines for group in groups for lines in _joined(group)]


def _in_axes_of(first: Traverses, grid: Traverses) -> Optional[Traverses]:
    """Return the grid in the axes of the first one, or None when its lines and nodes are not in step."""
    turn = np.linalg.solve(first.frame.matrix, grid.frame.matrix)
    signs = np.sign(np.diag(turn))
    nodes = len(grid.z) + abs(grid.v0_m) / grid.interval_m
    if (
        np.abs(turn - np.diag(signs)).max() > SAME_AXES
        or first.frame.twist.any()
        or grid.frame.twist.any()
        or abs(grid.interval_m - first.interval_m) * nodes > IN_STEP * first.interval_m
        or abs(grid.spacing_m - first.spacing_m) > SAME_SPACING * first.spacing_m
        or not (grid.straight and first.straight)
    ):
        return None
    shift_u, shift_v = first.frame.to_local(*grid.frame.to_map(0.0, 0.0))
    ends = shift_v + signs[1] * (grid.v0_m + grid.interval_m * np.array([0.0, len(grid.z) - 1.0]))
    step = (ends.min() - first.v0_m) / first.interval_m
    if abs(step - np.rint(step)) > IN_STEP:
        return None
    u0, u1, v0, v1 = grid.boxes[0]
    us = sorted((shift_u + signs[0] * u0, shift_u + signs[0] * u1))
    vs = sorted((shift_v + signs[1] * v0, shift_v + signs[1] * v1))
    ways = slice(None, None, int(signs[1])), slice(None, None, int(signs[0]))
    turned = {name: getattr(grid, name)[ways] for name in ("z", "sampled", "line_variance")}
    return replace(
        grid,
        frame=first.frame,
        v0_m=first.v0_m + np.rint(step) * first.interval_m,
        interval_m=first.interval_m,
        boxes=((*us, *vs),),
        line_u=shift_u + signs[0] * grid.line_u[ways[1]],
        u=shift_u + signs[0] * grid.u[ways],
        **turned,
    )


def _touching(a: Traverses, b: Traverses) -> bool:
    (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) = a.bounds, b.bounds
    return ax0 <= bx1 and bx0 <= ax1 and ay0 <= by1 and by0 <= ay1


def _mean_noise(values: Sequence[float]) -> float:
    """Return the root mean square of standard deviations."""
    return float(np.sqrt(np.mean(np.square(values))))


def _joined(group: list[tuple[Traverses, Traverses]]) -> list[Traverses]:
    """Return one for a group of grids, each as it is and in common axes; all as they are where too much stays blank."""
    members = [moved for _, moved in group]
    if len(members) == 1:
        return members
    interval, v0 = members[0].interval_m, min(m.v0_m for m in members)
    first = [round((m.v0_m - v0) / interval) for m in members]
    nodes = max(f + len(m.z) for f, m in zip(first, members))
    lines = np.concatenate([m.line_u for m in members])
    order = np.argsort(lines)
    new = np.append(True, np.diff(lines[order]) > EDGE_M)
    column = np.empty(len(lines), int)
    column[order] = np.cumsum(new) - 1
    shape = nodes, int(new.sum())
    if shape[0] * shape[1] > MOST_BLANK * sum(m.z.size for m in members):
        return [grid for grid, _ in group]
    columns = np.split(column, np.cumsum([m.z.shape[1] for m in members])[:-1])
    parts = [block_of(np.arange(f, f + len(m.z)), c) for f, m, c in zip(first, members, columns)]
    z, sampled, variance = _beside_each_other(members, parts, shape)
    return [
        replace(
            members[0],
            v0_m=v0,
            line_u=lines[order][new],
            boxes=tuple(box for m in members for box in m.boxes),
            u=np.broadcast_to(lines[order][new], shape),
            z=z,
            sampled=sampled,
            line_variance=variance,
            reading_noise=_mean_noise([m.reading_noise for m in members]),
            noise=_mean_noise([m.noise for m in members]),
            noise_halfway=_mean_noise([m.noise_halfway for m in members]),
            x=np.concatenate([m.x for m in members]),
            y=np.concatenate([m.y for m in members]),
            ties=sum(m.ties for m in members),
        )
    ]


def _beside_each_other(
    members: Sequence[Traverses], parts: Sequence[Block], shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return values, whether sampled, and variances of grids side by side.

    Where two overlap: the mean of their values, and the larger variance.
    """
    z, sampled = np.full(shape, np.nan), np.zeros(shape, bool)
    unknown = not any(member.line_variance.any() for member in members)
    variance = np.broadcast_to(0.0, shape) if unknown else np.zeros(shape)
    for member, part in zip(members, parts):
        there = ~np.isnan(z[part])
        if there.any():
            both = there & ~np.isnan(member.z)
            z[part] = np.where(both, (z[part] + member.z) / 2, np.where(there, z[part], member.z))
        else:
            z[part] = member.z
        if not unknown:
            variance[part] = np.maximum(variance[part], member.line_variance)
        sampled[part] |= member.sampled
    return z, sampled, variance
