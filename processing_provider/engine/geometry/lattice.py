"""The lattice of a map: its cells, north up, the same for every grid of a survey."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..core import EngineError, check_finite, check_limits, check_positive

EDGE_M = 1e-6
"""Positions this close are one, and limits this little beyond an edge count as on it. Derived: coordinates of 5e6 m
carry 1e-9 m of rounding in float64, which some hundred operations add up to less than this; nothing is surveyed to it.
"""
MOST_CELLS = 400_000_000
"""Cells of a lattice. Derived: a raster in single precision is then 1.6 GB."""


@dataclass(frozen=True)
class Lattice:
    """Square cells with edges at whole multiples of the cell size, first row at the top.

    Attributes
    ----------
    x_min, y_max : float
        Outer corner of the first cell, map metres.
    cell_m : float
    rows, cols : int
    """

    x_min: float
    y_max: float
    cell_m: float
    rows: int
    cols: int

    @classmethod
    def covering(cls, x_min: float, y_min: float, x_max: float, y_max: float, cell_m: float) -> Lattice:
        """Return the smallest lattice that covers an extent in map metres.

        Raises
        ------
        EngineError
            On a cell size that is not above zero, an empty extent, or more cells than fit in memory.
        """
        check_limits("cell_size_m", check_positive("cell size", cell_m), "of the map")
        extent = [check_finite("extent", value) for value in (x_min, y_min, x_max, y_max)]
        left, bottom = (_floor(value, cell_m) for value in extent[:2])
        right, top = (-_floor(-value, cell_m) for value in extent[2:])
        if right <= left or top <= bottom:
            raise EngineError(
                f"Invalid extent: x {x_min:g} to {x_max:g} and y {y_min:g} to {y_max:g} were given. "
                "Each must grow by more than nothing."
            )
        if (right - left) * (top - bottom) > MOST_CELLS:
            raise EngineError(
                f"Invalid cell size: {cell_m:g} m makes {right - left} by {top - bottom} cells. "
                f"At most {MOST_CELLS} cells fit; take larger cells or a smaller extent, and check the coordinates."
            )
        return cls(left * cell_m, top * cell_m, float(cell_m), top - bottom, right - left)

    @property
    def x(self) -> np.ndarray:
        """(cols,) x of the cell centres in map metres."""
        return (round(self.x_min / self.cell_m) + np.arange(self.cols) + 0.5) * self.cell_m

    @property
    def y(self) -> np.ndarray:
        """(rows,) y of the cell centres in map metres, falling."""
        return (round(self.y_max / self.cell_m) - np.arange(self.rows) - 0.5) * self.cell_m

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return self.rows, self.cols

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """x_min, y_min, x_max, y_max in map metres."""
        return self.x_min, self.y_max - self.rows * self.cell_m, self.x_min + self.cols * self.cell_m, self.y_max

    @property
    def geotransform(self) -> tuple[float, float, float, float, float, float]:
        """Outer corner and steps, as rasters of the GDAL family keep them."""
        return self.x_min, self.cell_m, 0.0, self.y_max, 0.0, -self.cell_m

    def window(self, x_min: float, y_min: float, x_max: float, y_max: float) -> tuple[int, int, int, int]:
        """Return (row0, row1, col0, col1), ends left out, of the cells that an extent touches; empty if none."""
        left, top = round(self.x_min / self.cell_m), round(self.y_max / self.cell_m)
        col0, col1 = _floor(x_min, self.cell_m) - left, -_floor(-x_max, self.cell_m) - left
        row0, row1 = top + _floor(-y_max, self.cell_m), top - _floor(y_min, self.cell_m)
        col0, row0 = min(max(col0, 0), self.cols), min(max(row0, 0), self.rows)
        return row0, min(max(row1, row0), self.rows), col0, min(max(col1, col0), self.cols)

    def sub(self, window: tuple[int, int, int, int]) -> Lattice:
        """Return the lattice of a window (row0, row1, col0, col1) of this one."""
        row0, row1, col0, col1 = window
        x_min = (round(self.x_min / self.cell_m) + col0) * self.cell_m
        y_max = (round(self.y_max / self.cell_m) - row0) * self.cell_m
        return replace(self, x_min=x_min, y_max=y_max, rows=row1 - row0, cols=col1 - col0)


def _floor(value: float, cell_m: float) -> int:
    """Return the number of the last cell edge at or below a coordinate, rounding errors forgiven."""
    nearest = round(value / cell_m)
    return nearest if abs(value - nearest * cell_m) <= EDGE_M else math.floor(value / cell_m)
