"""Balance neighbouring grids."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Channels, Choice, ReadingsIn, ReadingsOut, TableOut, Text

if TYPE_CHECKING:
    from ..values import Values

OFFSET_FIELDS = {
    "grid": str, "channel": str, "offset": float, "gain": float, "slope_x": float, "slope_y": float,
    "standard_error": float, "neighbours": int, "based_on": str, "drift": float,
}  # fmt: skip


class BalanceGrids(SurveyAlgorithm):
    NAME, LABEL, GROUP = "balancegrids", "Balance neighbouring grids", "Correct"
    HELP_PAGE = "balance-grids"
    SUMMARY = "Brings the grids of a survey to one level, estimated from their common edges and overlaps."
    HELP = (
        "<p>Balance the traverses first. All edges are adjusted together. Grids may lie at any angle, touch along a "
        "part of an edge, overlap, or have a path of up to 2 m between them. A grid that touches no other one stays "
        "as it is and is named in the log.</p>"
        "<p>Drift that remains within the grids makes steps that vary along an edge. It is estimated from the edges, "
        "as a smooth curve across the survey lines, and taken off too, unless the model has a slope, which takes it "
        "up; tie lines and the grid that stays are not changed by it. A bank or a ditch that runs along the lines "
        "beyond the edge makes no such step, and stays.</p>"
        "<p>Base readings count too where all were read on one spot of the survey, at least twice a grid: they "
        "compare grids without any edge. The edges must confirm that it was one spot.</p>"
        "<p>Look at the map where the standard error is large: a real step right on an edge, such as the side of a "
        "ditch, cannot be separated from a step between grids.</p>"
    )
    TAGS = ("mosaic", "seam", "edge", "level", "match", "offset", "gain")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "Placed readings of several grids, traverses balanced."),
        Channels("CHANNELS", "Channels", "Channels to balance; all when none is chosen."),
        Choice("MODEL", "Model", "A constant a grid, and a drift across its lines estimated from the "
               "seams; also a gain, where the contrast along edges and in overlaps proves it; or "
               "a constant and a slope, for grids within which the level drifted.",
               words=("offset", "offset and gain", "plane"), default="offset"),
        Text("FIXED_GRID", "Grid that stays", "Name of the grid that is left as it is; the mean of all grids stays "
             "when left empty.", optional=True),
        ReadingsOut("OUTPUT", "Balanced readings", "Values as logged stay beside them, in fields ending in _raw."),
        TableOut("OFFSETS", "Offsets of the grids", "What was taken off each grid, and its standard error; of the "
                 "drift across its lines, the standard deviation.", optional=True),
    )  # fmt: skip

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..engine.core import part_of
        from ..engine.mosaic import balance_grids

        readings, crs = values.input
        balanced, record = balance_grids(
            readings, channels=values.channels, model=values.model, fixed_grid=values.fixed_grid.strip(),
            progress=part_of(progress, 0.0, 0.15),
        )  # fmt: skip
        values.write_readings("OUTPUT", balanced, crs, part_of(progress, 0.15, 1.0))
        values.write_rows(
            "OFFSETS", OFFSET_FIELDS, [[getattr(row, name) for name in OFFSET_FIELDS] for row in record.table]
        )
        values.write_record(record, readings.units)
