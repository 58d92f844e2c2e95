"""Balance traverses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Channels, Choice, ReadingsIn, ReadingsOut, TableOut, YesNo

if TYPE_CHECKING:
    from ..values import Values

OFFSET_FIELDS = {
    "grid": str, "line": int, "run": int, "channel": str, "heading": int, "offset": float, "standard_error": float,
    "drift": float, "based_on": str,
}  # fmt: skip


class BalanceTraverses(SurveyAlgorithm):
    NAME, LABEL, GROUP = "balancetraverses", "Balance traverses", "Correct"
    HELP_PAGE = "balance-traverses"
    SUMMARY = "Takes out stripes and drift between lines, and keeps features that run along the traverses."
    HELP = (
        "<p>First the offset between the two walking directions is estimated; then an offset a line and a smooth "
        "drift in time, from the differences of neighbouring lines, the crossovers with tie lines, and base readings "
        "(readings at one spot every so often). Ties and base readings count where the notes name them. With one spot "
        "for the whole survey, base readings bring the grids to one level as well.</p>"
        "<p>A jump of the level between two lines (the instrument was set to zero anew, a battery changed) is taken "
        "off where the lines prove it; the log of the run says when it was and how large.</p>"
        "<p>Walk three tie lines across a grid: without ties, a feature along the traverses that is one or two lines "
        "wide and weaker than about three times the stripes cannot be separated from stripes for certain, nor a "
        "gentle trend of the ground from drift. The standard errors in the table of offsets say how well both were "
        "separated.</p>"
        "<p>The method <i>median</i> sets every line to a common level: it deletes features that run along the "
        "traverses.</p>"
    )
    TAGS = ("stripe", "destripe", "level", "offset", "drift", "tie line", "base")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "Placed readings, aligned if need be."),
        Channels("CHANNELS", "Channels", "Channels to balance; all when none is chosen."),
        Choice("METHOD", "Method", "From neighbouring lines with tie lines and base readings where there are any, from "
               "neighbouring lines alone, by line medians, or only the offset between the two directions.",
               words=("neighbours and ties", "neighbours", "median", "direction only"), default="neighbours and ties"),
        YesNo("DRIFT", "Drift", "Look for a smooth drift in time (with neighbours; needs the times of the readings).",
              default=True),
        ReadingsOut("OUTPUT", "Balanced readings", "Values as logged stay beside them, in fields ending in _raw."),
        TableOut("OFFSETS", "Offsets", "What was subtracted from each line, its standard error, and what it was "
                 "based on.", optional=True),
    )  # fmt: skip

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..engine.balance import balance_traverses
        from ..engine.core import part_of

        readings, crs = values.input
        balanced, record = balance_traverses(
            readings,
            channels=values.channels,
            method=values.method,
            drift=values.drift,
            progress=part_of(progress, 0.0, 0.25),
        )
        values.write_readings("OUTPUT", balanced, crs, part_of(progress, 0.25, 1.0))
        values.write_rows(
            "OFFSETS", OFFSET_FIELDS, [[getattr(row, name) for name in OFFSET_FIELDS] for row in record.table]
        )
        values.write_record(record, readings.units)
