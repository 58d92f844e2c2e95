"""Maps of a survey: a raster a channel on one lattice over every grid."""

from __future__ import annotations

from typing import Callable, Mapping, Optional, Sequence

import numpy as np

from ..core import Code, EngineError, Finding, GridStore, Progress, Scheme, check_limits, part_of, sentence_of
from ..geometry import CORNERS, Frame, Lattice, check_memory, fit_frame, local_corner
from ..interpolate import RasterResult, interpolate_grids
from .read_survey import GridResult
from .sources import SurveySources

WORK_BYTES = 32
"""Of a cell while a map is made. Derived: measured with ``ru_maxrss``, 23 to 37 with the two rasters that are kept."""
CHANNEL_BYTES = 32
"""Of a cell and channel. Derived: values and standard errors, of corrected readings and as placed, 8 bytes each."""


class Maps:
    """Rasters of the channels of a survey, and a finding for each that could not be made."""

    def __init__(self, options: Mapping[str, object], lattice: Lattice) -> None:
        self._options, self._lattice = options, lattice
        self.rasters: dict[str, RasterResult] = {}
        self.raw_rasters: dict[str, RasterResult] = {}
        self.left_out: list[Finding] = []

    def add(self, corrected: GridStore, placed: GridStore, channels: Sequence[str], progress: Progress) -> None:
        """Map channels.

        Raises
        ------
        EngineError
            When none can be mapped.
        """
        for number, channel in enumerate(channels):
            within = part_of(progress, number / len(channels), (number + 1) / len(channels))
            try:
                mapped = self._map(corrected, channel, part_of(within, 0.0, 0.5))
                raw = self._map(placed, channel, part_of(within, 0.5, 1.0))
            except Exception as error:
                self.left_out.append(_left_out(channel, sentence_of(error, "The map of this channel")))
                continue
            self.rasters[channel], self.raw_rasters[channel] = mapped, raw
            self.left_out += [_left_out(channel, text) for text in mapped.record.left_out]
        if not self.rasters:
            raise EngineError(" ".join(["No channel could be mapped.", *(f.found for f in self.left_out)]))

    def _map(self, grids: GridStore, channel: str, progress: Progress) -> RasterResult:
        # What a recipe gives for its options is checked where they are used.
        interpolate: Callable[..., RasterResult] = interpolate_grids
        return interpolate(grids, channel, self._lattice, progress=progress, **self._options)


def check_cells(schemes: Sequence[Scheme], cell_m: float, channels: int) -> None:
    """Refuse cells that are larger than every grid, or maps that do not fit in memory.

    Parameters
    ----------
    schemes : sequence of Scheme
    cell_m : float
    channels : int
        To be mapped; of none nothing is refused.

    Raises
    ------
    EngineError
    """
    if not channels:
        return
    check_limits("cell_size_m", cell_m, "of the maps")
    widest = max(min(scheme.length_m, scheme.width_m) for scheme in schemes)
    if cell_m > widest:
        raise EngineError(
            f"Invalid cell size: {cell_m:g} m was given. No grid is wider than {widest:g} m; half the spacing of the "
            "traverses is common."
        )
    cells = sum(scheme.length_m * scheme.width_m for scheme in schemes) / cell_m**2
    check_memory(cells, WORK_BYTES + channels * CHANNEL_BYTES, cell_m)


def check_before(sources: SurveySources, cell_m: Optional[float], channels: int) -> None:
    """Refuse, before a log is read, cells that do not fit the grids, their memory, or the lattice over all of them.

    Parameters
    ----------
    sources : SurveySources
        Grids without the right corners are left aside.
    cell_m : float, optional
        None = half the smallest spacing.
    channels : int
        To be mapped; of none nothing is refused.

    Raises
    ------
    EngineError
    """
    frames = []
    for source in sources.grids:
        scheme = source.entry.scheme
        try:
            frames.append((scheme, fit_frame(source.corners, scheme.length_m, scheme.width_m)))
        except EngineError:
            continue
    if not frames or not channels:
        return
    schemes = [scheme for scheme, _ in frames]
    cell_m = cell_m or min(s.spacing_m for s in schemes) / 2
    check_cells(schemes, cell_m, channels)
    outlines = np.array([_outline(scheme, frame) for scheme, frame in frames])
    try:
        _lattice(outlines, cell_m)
    except EngineError as error:
        if len(schemes) == 1:
            raise
        raise EngineError(f"{error} {_farthest(schemes, outlines)}") from None


def _farthest(schemes: Sequence[Scheme], outlines: np.ndarray) -> str:
    """Return a sentence about two grids that lie far from each other."""
    middle = outlines.mean(axis=2)
    axis = int(np.ptp(middle, axis=0).argmax())
    one, other = int(middle[:, axis].argmin()), int(middle[:, axis].argmax())
    away = float(np.hypot(*(middle[one] - middle[other])))
    return f"Grids {schemes[one].grid} and {schemes[other].grid} lie {away / 1000:,.1f} km from each other."


def outline(grid: GridResult) -> tuple[np.ndarray, np.ndarray]:
    """Return x, y of the fitted corners start, baseline, opposite, head; (4,) each."""
    return _outline(grid.scheme, grid.fitted)


def _outline(scheme: Scheme, frame: Frame) -> tuple[np.ndarray, np.ndarray]:
    corners = [local_corner(name, scheme.length_m, scheme.width_m) for name in CORNERS]
    return frame.to_map(*np.array(corners).T)


def lattice_of(grids: Sequence[GridResult], cell_size_m: float) -> Lattice:
    """Return the lattice of cells that covers all grids."""
    return _lattice(np.array([outline(grid) for grid in grids]), cell_size_m)


def _lattice(outlines: np.ndarray, cell_m: float) -> Lattice:
    """Return the lattice over (grids, 2, 4) corners."""
    (x0, y0), (x1, y1) = outlines.min(axis=(0, 2)), outlines.max(axis=(0, 2))
    return Lattice.covering(x0, y0, x1, y1, cell_m)


def _left_out(channel: str, text: str) -> Finding:
    return Code.NOT_INTERPOLATED.finding(
        f"{text} ({channel})",
        "",
        "Correct what is named here, and run it again. Its readings are placed, but not mapped.",
    )
