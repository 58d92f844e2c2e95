"""Where things go on a map sheet, in millimetres: paper, scale, and the frames of the maps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

from ...engine.core import EngineError

PAPERS = {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "A2": (594.0, 420.0)}
"""Long and short side (ISO 216)."""
SCALES = (50, 100, 200, 250, 500, 1000, 1250, 2000, 2500, 5000, 10000)
"""Denominators that a scale rule has."""
MARGIN, GAP, TITLE = 8.0, 4.0, 6.0
COLUMN = 62.0
"""Width of the column at the right that explains the maps."""
NUMBERS = 6.0
"""Room left of and below a map for the coordinates of its grid."""


@dataclass(frozen=True)
class Frame:
    """A box on the page: left, top, width, height in millimetres."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class SheetPlan:
    """Page size and frames in millimetres; ``scale`` is the denominator."""

    page: tuple[float, float]
    frames: tuple[Frame, ...]
    column: Frame
    scale: int


def plan_sheet(ground_m: tuple[float, float], maps: int, paper: str, scale: Optional[int] = None) -> SheetPlan:
    """Lay out maps of the same ground on a page.

    Parameters
    ----------
    ground_m : (float, float)
        Width and height of the ground to show, metres.
    maps : int
        How many maps of it.
    paper : str
        One of ``PAPERS``; the page is turned as suits the ground.
    scale : int, optional
        Denominator; None = the largest scale of ``SCALES`` at which the ground fits.

    Raises
    ------
    EngineError
        When the ground does not fit at the scale, or at none.
    """
    plans = [
        _arranged(page, rows, -(-maps // rows), maps)
        for page in (PAPERS[paper], PAPERS[paper][::-1])
        for rows in range(1, maps + 1)
    ]
    needed, page, column, frames = min(
        ((_denominator(ground_m, frames[0]), page, column, frames) for page, column, frames in plans),
        key=lambda plan: plan[0],
    )
    chosen = scale or next((s for s in SCALES if s >= needed), None)
    if chosen is None or chosen < needed - 1e-9:
        remedy = next((f"1:{s}" for s in SCALES if s >= needed), "one sheet a grid")
        raise EngineError(
            f"The ground of {ground_m[0]:.0f} by {ground_m[1]:.0f} m does not fit on {paper}"
            f"{f' at 1:{scale}' if scale else ''} with {maps} map{'s' if maps > 1 else ''} a sheet. Choose {remedy}, "
            "larger paper, or fewer maps."
        )
    return SheetPlan(page, frames, column, int(chosen))


def _arranged(
    page: tuple[float, float], rows: int, columns: int, maps: int
) -> tuple[tuple[float, float], Frame, tuple[Frame, ...]]:
    width, height = page
    column = Frame(width - MARGIN - COLUMN, MARGIN, COLUMN, height - 2 * MARGIN)
    wide = (column.x - GAP - MARGIN - (columns - 1) * GAP) / columns
    high = (height - 2 * MARGIN - (rows - 1) * GAP) / rows
    frames = tuple(
        Frame(MARGIN + NUMBERS + (n % columns) * (wide + GAP), MARGIN + TITLE + (n // columns) * (high + GAP),
              wide - NUMBERS, high - TITLE - NUMBERS)
        for n in range(maps)
    )  # fmt: skip
    return page, column, frames


def _denominator(ground_m: tuple[float, float], frame: Frame) -> float:
    if frame.width <= 0 or frame.height <= 0:
        return float("inf")
    return 1000.0 * max(ground_m[0] / frame.width, ground_m[1] / frame.height)
