"""Flag outlying readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Channels, Number, NumberResult, ReadingsIn, ReadingsOut

if TYPE_CHECKING:
    from ..values import Values


class FlagOutliers(SurveyAlgorithm):
    NAME, LABEL, GROUP = "flagoutliers", "Flag outlying readings", "Correct"
    HELP_PAGE = "outliers"
    SUMMARY = "Flags isolated readings that neither the traverse nor its neighbours explain."
    HELP = "<p>A kiln or a larger piece of iron is no outlier. Values stay; the reading carries the flag.</p>"
    TAGS = ("spike", "noise", "iron")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "Placed readings."),
        Channels("CHANNELS", "Channels", "Channels to look at; all when none is chosen."),
        Number(
            "THRESHOLD",
            "Threshold",
            "How far a reading must stand out from its neighbours.",
            unit="noise units",
            default=6,
            minimum=3,
            maximum=1e6,
        ),
        ReadingsOut("OUTPUT", "Readings, outliers flagged", "The same readings; nothing is removed."),
    )
    RESULTS = (NumberResult("FLAGGED", "Readings flagged", "How many readings were flagged."),)

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..engine.core import part_of
        from ..engine.flag import flag_outliers

        readings, crs = values.input
        flagged, record = flag_outliers(
            readings, channels=values.channels, threshold=values.threshold, progress=part_of(progress, 0.0, 0.1)
        )
        values.write_readings("OUTPUT", flagged, crs, part_of(progress, 0.1, 1.0))
        values.results["FLAGGED"] = record.figures.flagged
        values.write_record(record, readings.units)
