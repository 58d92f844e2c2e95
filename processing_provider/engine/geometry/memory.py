"""The memory that a raster needs, held against what the computer has before any work begins."""

from __future__ import annotations

import ctypes
import math
import os
from typing import Optional

from ..core import EngineError

FRACTION = 0.5
"""Of the memory that a run may take. Common practice, no source: the other half is for QGIS, its layers and the rest of
the computer."""
UNKNOWN_BYTES = 8e9
"""Taken where the computer does not say how much it has. Common practice, no source: the least of computers in use."""


def check_memory(cells: float, bytes_a_cell: float, cell_m: float) -> None:
    """Refuse a raster that does not fit in memory.

    Parameters
    ----------
    cells : float
        How many get a value.
    bytes_a_cell : float
        That the work needs, all rasters together.
    cell_m : float
        Side of a cell in metres.

    Raises
    ------
    EngineError
        With what it needs, what there is, and the cells that fit.
    """
    needed, most = cells * bytes_a_cell, FRACTION * memory_bytes()
    if needed <= most:
        return
    fits = cell_m * math.sqrt(needed / most)
    unit = 10.0 ** (math.floor(math.log10(fits)) - 1)
    fits = math.ceil(fits / unit) * unit
    raise EngineError(
        f"Invalid cell size: {cell_m:g} m makes {cells:,.0f} cells, which need about {needed / 1e9:,.1f} GB of memory. "
        f"Here {most / 1e9:,.1f} GB can be taken. Take cells of {fits:.3g} m or more, or a smaller extent."
    )


def memory_bytes() -> float:
    """Return the memory of the computer, or what the system lets this program have where that is less."""
    try:
        total: float = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        total = _of_windows() or UNKNOWN_BYTES
    try:
        import resource

        limit = resource.getrlimit(resource.RLIMIT_AS)[0]
        return total if limit == resource.RLIM_INFINITY else min(total, limit)
    except ImportError:  # not on Windows
        return total


SIZES = ("total", "free", "pages", "free_pages", "space", "free_space", "more")


class _MemoryStatus(ctypes.Structure):
    """MEMORYSTATUSEX of the Windows API."""

    _fields_ = (
        ("length", ctypes.c_ulong),
        ("load", ctypes.c_ulong),
        *((name, ctypes.c_ulonglong) for name in SIZES),
    )


def _of_windows() -> Optional[float]:
    library = getattr(ctypes, "windll", None)
    status = _MemoryStatus()
    status.length = ctypes.sizeof(status)
    done = library is not None and library.kernel32.GlobalMemoryStatusEx(ctypes.byref(status))
    return float(status.total) if done else None
