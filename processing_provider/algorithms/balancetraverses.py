"""Balance traverses."""

from __future__ import annotations

from ..base import SurveyAlgorithm
from ..engine.balance import METHODS, balance_traverses
from ..parameters import Channels, Choice, ReadingsIn, ReadingsOut, TableOut

OFFSET_FIELDS = {
    "grid": str, "line": int, "run": int, "channel": str, "heading": int, "offset": float, "standard_error": float,
    "based_on": str,
}  # fmt: skip


class BalanceTraverses(SurveyAlgorithm):
    NAME, LABEL, GROUP = "balancetraverses", "Balance traverses", "Correct"
    SUMMARY = "Takes out stripes between lines, and keeps features that run along the traverses."
    HELP = (
        "<p>First the offset between the two walking directions, then an offset a line from its neighbours. The method "
        "<i>median</i> sets every line to a common level: it deletes features that run along the traverses.</p>"
    )
    TAGS = ("stripe", "destripe", "level", "offset", "drift")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "Placed readings, aligned if need be."),
        Channels("CHANNELS", "Channels", "Channels to balance; all when none is chosen."),
        Choice("METHOD", "Method", "From neighbouring lines, by line medians, or only the offset between the two "
               "directions.", words=METHODS, default="neighbours"),
        ReadingsOut("OUTPUT", "Balanced readings", "Values as logged stay beside them, in fields ending in _raw."),
        TableOut("OFFSETS", "Offsets", "What was subtracted from each line, and its standard error.", optional=True),
    )  # fmt: skip

    def run_values(self, values, progress, feedback):
        readings, crs = values.input
        balanced, record = balance_traverses(
            readings, channels=values.channels, method=values.method, progress=progress
        )
        values.write_readings("OUTPUT", balanced, crs)
        values.write_rows("OFFSETS", OFFSET_FIELDS, [[row[name] for name in OFFSET_FIELDS] for row in record["table"]])
        for channel, figures in record["figures"].items():
            feedback.pushInfo(_sentence(channel, figures, readings.units.get(channel, "")))


def _sentence(channel: str, figures: dict, unit: str) -> str:
    found, error, parts = figures["direction_offset"], figures["direction_error"], []
    if found:
        parts.append(f"lines walked out read {found:.3g} ± {error:.2g} {unit} more than lines walked back")
    elif found is not None:
        parts.append("no difference between the walking directions is proven")
    if figures["offset_sd"] is not None:
        parts.append(f"offsets of the lines scatter by {figures['offset_sd']:.2g} {unit} (standard deviation)")
    return f"{channel}: {', '.join(parts) or 'nothing to balance'}.".replace(" .", ".").replace("  ", " ")
