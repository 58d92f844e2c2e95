"""Align opposing traverses."""

from __future__ import annotations

from ..base import SurveyAlgorithm
from ..engine.align import align_opposing
from ..parameters import Channels, Number, NumberResult, ReadingsIn, ReadingsOut


class AlignOpposing(SurveyAlgorithm):
    NAME, LABEL, GROUP = "alignopposing", "Align opposing traverses", "Correct"
    SUMMARY = "Takes out the stagger between lines walked in opposite directions."
    HELP = (
        "<p>Every reading is moved along its walking direction by one shift. It is estimated from neighbouring lines "
        "and applied only when it is proven: larger than two standard errors.</p>"
    )
    TAGS = ("stagger", "lag", "shift", "zigzag")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "Placed readings."),
        Channels("CHANNELS", "Channels", "Channels that the estimate rests on; all when none is chosen."),
        Number("SHIFT", "Shift", "In walking direction; negative when values were written late. Estimated when left "
               "empty.", unit="m", optional=True, minimum=-5, maximum=5),
        ReadingsOut("OUTPUT", "Aligned readings", "The readings at their new places."),
    )  # fmt: skip
    RESULTS = (
        NumberResult("SHIFT_FOUND", "Shift applied", "In metres; 0 when none was proven."),
        NumberResult("SHIFT_ERROR", "Standard error of the shift", "In metres."),
    )

    def run_values(self, values, progress, feedback):
        readings, crs = values.input
        aligned, record = align_opposing(readings, channels=values.channels, shift_m=values.shift, progress=progress)
        figures = record["figures"]
        values.write_readings("OUTPUT", aligned, crs)
        values.results.update(SHIFT_FOUND=figures["shift_m"], SHIFT_ERROR=figures["shift_error_m"])
        feedback.pushInfo(f"Shift applied: {figures['shift_m']:.3f} m. {figures['remark']}")
