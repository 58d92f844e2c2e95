"""Rasters in blocks: only those that have values take up memory, however scattered the grids of a site are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping

import numpy as np

from .lattice import Lattice

BLOCK = 512
"""Cells along a side of a block. Derived: 512 by 512 cells in double precision are 2 MB."""


@dataclass(frozen=True)
class BlockRaster:
    """Values on a lattice, kept block by block.

    Attributes
    ----------
    lattice : Lattice
    blocks : mapping of (int, int) to (rows, cols) float64
        By first row and column, both multiples of ``BLOCK``; NaN = nodata. Blocks that are nodata all over are left
        out.
    """

    lattice: Lattice
    blocks: Mapping[tuple[int, int], np.ndarray]

    @classmethod
    def of(cls, values: np.ndarray, lattice: Lattice) -> BlockRaster:
        """Return (rows, cols) values cut into blocks."""
        starts = [
            (row, col) for row in range(0, lattice.rows, BLOCK) for col in range(0, lattice.cols, BLOCK)
            if np.isfinite(values[row : row + BLOCK, col : col + BLOCK]).any()
        ]  # fmt: skip
        return cls(lattice, {(row, col): values[row : row + BLOCK, col : col + BLOCK] for row, col in starts})

    def window(self, row0: int, row1: int, col0: int, col1: int) -> np.ndarray:
        """Return the values of a window, ends left out."""
        out = np.full((row1 - row0, col1 - col0), np.nan)
        for (row, col), block in self.blocks.items():
            top, bottom = max(row, row0), min(row + block.shape[0], row1)
            left, right = max(col, col0), min(col + block.shape[1], col1)
            if top < bottom and left < right:
                part = block[top - row : bottom - row, left - col : right - col]
                out[top - row0 : bottom - row0, left - col0 : right - col0] = part
        return out

    def whole(self) -> np.ndarray:
        """Return all values, (rows, cols)."""
        return self.window(0, self.lattice.rows, 0, self.lattice.cols)

    def known(self) -> np.ndarray:
        """Return all values that are there, one after the other."""
        parts = [block[np.isfinite(block)] for block in self.blocks.values()]
        return np.concatenate(parts) if parts else np.zeros(0)

    def thinned(self, step: int) -> np.ndarray:
        """Return every ``step``-th value of every ``step``-th row."""
        out = np.full((-(-self.lattice.rows // step), -(-self.lattice.cols // step)), np.nan)
        for (row, col), block in self.blocks.items():
            part = block[-row % step :: step, -col % step :: step]
            top, left = -(-row // step), -(-col // step)
            out[top : top + part.shape[0], left : left + part.shape[1]] = part
        return out


def block_window(lattice: Lattice, row: int, col: int) -> tuple[int, int, int, int]:
    """Return (row0, row1, col0, col1), ends left out, of the block that starts at a row and column."""
    return row, min(row + BLOCK, lattice.rows), col, min(col + BLOCK, lattice.cols)
