"""Align opposing traverses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Channels, Number, NumberResult, ReadingsIn, ReadingsOut, YesNo

if TYPE_CHECKING:
    from ..values import Values


class AlignOpposing(SurveyAlgorithm):
    NAME, LABEL, GROUP = "alignopposing", "Align opposing traverses", "Correct"
    HELP_PAGE = "align"
    SUMMARY = "Takes out the stagger between opposite lines, and each line's own position error along its direction."
    HELP = (
        "<p>Every reading is moved along its walking direction by the lag of the instrument. It is a time, so lines "
        "walked faster move by more, and a channel whose lag differs from the others is moved by its own. It is "
        "estimated from neighbouring lines, or from tie lines where all lines lead one way, and applied only when it "
        "is proven: larger than two standard errors. Where nothing shows it, the standard errors of the positions "
        "hold it, and a warning says so.</p>"
        "<p>After that each line gets a shift, a stretch and a smooth wander of its own, so that it fits between the "
        "lines on both sides: people start, stop and keep pace a little differently each time. A line is moved only "
        "as far as the signal on both sides proves; where there is no contrast it stays. What all lines of a grid "
        "have in common cannot be seen.</p>"
    )
    TAGS = ("stagger", "lag", "shift", "zigzag")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "Placed readings."),
        Channels("CHANNELS", "Channels", "Channels that the estimate rests on; all when none is chosen."),
        Number("SHIFT", "Shift", "In walking direction, at the median speed; negative when values were written late. "
               "Estimated when left empty.", unit="m", optional=True, minimum=-5, maximum=5),
        YesNo("PER_TRAVERSE", "Correct each line on its own", "Whether each line also gets a small correction of its "
              "own, besides the shift of all.", default=True),
        ReadingsOut("OUTPUT", "Aligned readings", "The readings at their new places."),
    )  # fmt: skip
    RESULTS = (
        NumberResult("SHIFT_FOUND", "Shift applied", "In metres at the median speed; 0 when none was proven."),
        NumberResult("SHIFT_ERROR", "Standard error of the shift", "In metres."),
        NumberResult(
            "LAG_FOUND",
            "Lag taken off",
            "In seconds, positive when values were written late; empty when the log has no times.",
        ),
    )

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..engine.align import align_opposing
        from ..engine.core import part_of

        readings, crs = values.input
        working, writing = part_of(progress, 0.0, 0.15), part_of(progress, 0.15, 1.0)
        aligned, record = align_opposing(readings, channels=values.channels, shift_m=values.shift,
                                         per_traverse=values.per_traverse, progress=working)  # fmt: skip
        values.write_readings("OUTPUT", aligned, crs, writing)
        figures = record.figures
        values.results.update(SHIFT_FOUND=figures.shift_m, SHIFT_ERROR=figures.shift_error_m, LAG_FOUND=figures.lag_s)
        values.write_record(record, readings.units)
