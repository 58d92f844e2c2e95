"""Sheets: grids laid out on the same axes, with lines and nodes in step, joined so that one spline runs through all."""

from __future__ import annotations

from dataclasses import replace
from typing import Optional, Sequence

import numpy as np

from .along_lines import Traverses
from .splines import block_of

SAME_AXES = 1e-7
"""Largest difference of direction cosines and scales: 0.01 mm over 100 m."""
IN_STEP = 1e-4
"""Largest distance from a common node in intervals."""
SAME_COLUMN_M = 1e-6
NOISES = ("reading_noise", "noise", "noise_halfway")
MOST_BLANK = 3.0
"""A sheet may have this many times the nodes that its grids have; scattered grids stay apart."""


def join_sheets(grids: Sequence[Traverses]) -> list[Traverses]:
    """Join grids that continue each other; grids that do not stay as they are.

    Parameters
    ----------
    grids : sequence of Traverses

    Returns
    -------
    list of Traverses
        In the axes of the first grid of each sheet, with the boxes of all its grids.

    Notes
    -----
    Only nodes are put beside each other: nothing is computed from the values, but that the mean counts where grids
    overlap. Corners measured in the field seldom put two grids on the same axes to a hundredth of a millimetre;
    corners that were set out from a plan do.
    """
    groups: list[list[tuple[Traverses, Traverses]]] = []
    for grid in grids:
        for group in groups:
            moved = _in_axes_of(group[0][0], grid)
            if moved is not None and any(_touching(grid, member) for member, _ in group):
                group.append((grid, moved))
                break
        else:
            groups.append([(grid, grid)])
    return [sheet for group in groups for sheet in _sheet(group)]


def _in_axes_of(sheet: Traverses, grid: Traverses) -> Optional[Traverses]:
    """Return the grid in the axes of a sheet, or None when its lines and nodes are not in step."""
    turn = np.linalg.solve(sheet.frame.matrix, grid.frame.matrix)
    signs = np.sign(np.diag(turn))
    nodes = len(grid.z) + abs(grid.v0_m) / grid.interval_m
    if (
        np.abs(turn - np.diag(signs)).max() > SAME_AXES
        or sheet.frame.twist.any()
        or grid.frame.twist.any()
        or abs(grid.interval_m - sheet.interval_m) * nodes > IN_STEP * sheet.interval_m
        or abs(grid.spacing_m - sheet.spacing_m) > 0.01 * sheet.spacing_m
        or not (grid.straight and sheet.straight)
    ):
        return None
    shift_u, shift_v = sheet.frame.to_local(*grid.frame.to_map(0.0, 0.0))
    ends = shift_v + signs[1] * (grid.v0_m + grid.interval_m * np.array([0.0, len(grid.z) - 1.0]))
    step = (ends.min() - sheet.v0_m) / sheet.interval_m
    if abs(step - np.rint(step)) > IN_STEP:
        return None
    u0, u1, v0, v1 = grid.boxes[0]
    us = sorted((shift_u + signs[0] * u0, shift_u + signs[0] * u1))
    vs = sorted((shift_v + signs[1] * v0, shift_v + signs[1] * v1))
    ways = slice(None, None, int(signs[1])), slice(None, None, int(signs[0]))
    turned = {name: getattr(grid, name)[ways] for name in ("z", "real", "line_variance")}
    return replace(
        grid,
        frame=sheet.frame,
        v0_m=sheet.v0_m + np.rint(step) * sheet.interval_m,
        interval_m=sheet.interval_m,
        boxes=((*us, *vs),),
        place=shift_u + signs[0] * grid.place[ways[1]],
        u=shift_u + signs[0] * grid.u[ways],
        **turned,
    )


def _touching(a: Traverses, b: Traverses) -> bool:
    (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) = a.bounds, b.bounds
    return ax0 <= bx1 and bx0 <= ax1 and ay0 <= by1 and by0 <= ay1


def _sheet(group: list[tuple[Traverses, Traverses]]) -> list[Traverses]:
    members = [moved for _, moved in group]
    if len(members) == 1:
        return members
    interval, v0 = members[0].interval_m, min(m.v0_m for m in members)
    first = [round((m.v0_m - v0) / interval) for m in members]
    nodes = max(f + len(m.z) for f, m in zip(first, members))
    lines = np.concatenate([m.place for m in members])
    order = np.argsort(lines)
    new = np.append(True, np.diff(lines[order]) > SAME_COLUMN_M)
    column = np.empty(len(lines), int)
    column[order] = np.cumsum(new) - 1
    shape = nodes, int(new.sum())
    if shape[0] * shape[1] > MOST_BLANK * sum(m.z.size for m in members):
        return [grid for grid, _ in group]
    columns = np.split(column, np.cumsum([m.z.shape[1] for m in members])[:-1])
    parts = [block_of(np.arange(f, f + len(m.z)), c) for f, m, c in zip(first, members, columns)]
    return [
        replace(
            members[0],
            v0_m=v0,
            place=lines[order][new],
            boxes=tuple(box for m in members for box in m.boxes),
            u=np.broadcast_to(lines[order][new], shape),
            **_beside_each_other(members, parts, shape),
            **{name: float(np.sqrt(np.mean([getattr(m, name) ** 2 for m in members]))) for name in NOISES},
            x=np.concatenate([m.x for m in members]),
            y=np.concatenate([m.y for m in members]),
            ties=sum(m.ties for m in members),
        )
    ]


def _beside_each_other(members: Sequence[Traverses], parts: Sequence, shape: tuple[int, int]) -> dict[str, np.ndarray]:
    """Return the tables of a sheet; where two grids overlap, the mean of their values and the larger variance."""
    z, real = np.full(shape, np.nan), np.zeros(shape, bool)
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
        real[part] |= member.real
    return {"z": z, "real": real, "line_variance": variance}
