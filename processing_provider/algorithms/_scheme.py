"""The scheme of a grid as parameters, shared by the algorithms that need it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..parameters import Choice, Integer, Number, Text

if TYPE_CHECKING:
    from ..engine.core import Readings, Scheme
    from ..values import Values

SCHEME = (
    Text("GRID", "Grid", "Name of the grid, as in the notes and corners. Empty = as the readings say.", optional=True),
    Number("LENGTH", "Length along the traverses", "From the baseline to the far edge.", unit="m", default=20,
           minimum=0.1, maximum=1e4),
    Number("WIDTH", "Width along the baseline", "From the start corner to the other end of the baseline.", unit="m",
           default=20, minimum=0.1, maximum=1e4),
    Number("SPACING", "Spacing of the traverses", "Distance from one line to the next.", unit="m", default=0.5,
           minimum=0.01, maximum=1e3),
    Number("FIRST_OFFSET", "First line from the edge", "Half the spacing when left empty.", unit="m", optional=True,
           advanced=True, minimum=-1e4, maximum=1e4),
    Number("READINGS_PER_METRE", "Readings a metre", "Readings a second divided by walking speed.", unit="1/m",
           default=8, minimum=0.01, maximum=1e3),
    Integer("FIRST_LINE", "Number of the first line", "As the logger counts.", default=1, advanced=True),
    Integer("LINE_STEP", "Step of line numbers", "By how much the number grows from line to line.", default=1,
            advanced=True),
    Number("FIRST_STATION", "First station inside the edge", "Station of the first reading behind the start edge.",
           unit="logger's count", default=1, advanced=True),
    Choice("PATTERN", "Pattern", "Back and forth, or every line in one direction.", words=("alternate", "one-way"),
           default="alternate"),
    Choice("FIRST_HEADING", "First line is walked", "Away from the baseline (out) or towards it (back).",
           words=("out", "back"), default="out", advanced=True),
    Number("SENSOR_AHEAD", "Sensor ahead of the walker", "Negative when it is behind.", unit="m", default=0,
           advanced=True, minimum=-100, maximum=100),
    Number("SENSOR_RIGHT", "Sensor to the right of the walker", "Negative when it is to the left.", unit="m",
           default=0, advanced=True, minimum=-100, maximum=100),
    Choice("PACE", "Pace", "Evenly by readings a metre (rate), stretched between noted ends (ends), or between "
           "fiducial marks (marks).", words=("rate", "ends", "marks"), default="rate", advanced=True),
)  # fmt: skip


def one_grid(values: Values, feedback: QgsProcessingFeedback) -> tuple[Readings, Scheme]:
    """Return ``(Readings, Scheme)``: the readings of the grid that the parameters describe, and its scheme.

    Raises
    ------
    EngineError
        When the layer holds several grids and none is named, or not the one that is named.
    """
    import numpy as np

    from ..engine.core import EngineError

    readings = values.input[0]
    grid, there = values.grid or readings.grids[0], [name for name in readings.grids if name]
    if not values.grid and len(readings.grids) > 1:
        raise EngineError(f"The readings are of several grids: {', '.join(there)}. Name one of them as Grid.")
    if grid not in readings.grids and there:
        raise EngineError(f"There are no readings of grid {grid}. The readings are of: {', '.join(there)}.")
    own = readings.take(readings.grid == readings.grids.index(grid)) if grid in readings.grids else readings
    if len(own) < len(readings):
        feedback.pushInfo(f"{len(readings) - len(own)} readings of other grids are left out.")
    return own.replace(grids=(grid,), grid=np.zeros(len(own), np.int32)), _scheme(values, grid)


def _scheme(values: Values, grid: str) -> Scheme:
    from ..engine.core import Scheme

    return Scheme(
        grid=grid,
        length_m=values.length,
        width_m=values.width,
        spacing_m=values.spacing,
        readings_per_m=values.readings_per_metre,
        first_offset_m=values.first_offset,
        first_line=values.first_line,
        line_step=values.line_step,
        first_station=values.first_station,
        pattern=values.pattern,
        first_heading=values.first_heading,
        sensor_ahead_m=values.sensor_ahead,
        sensor_right_m=values.sensor_right,
        pace=values.pace,
    )
