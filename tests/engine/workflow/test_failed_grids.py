"""Corners that are refused: what the log shows of the same side is no second finding, what it shows besides is one."""

from __future__ import annotations

import pytest
from turnrow.processing_provider.engine.core import Code, EngineError, WrongSize
from turnrow.processing_provider.engine.workflow.failed_grids import frame_failed

LONG = Code.LINE_LONG.finding("Lines reach from station -3 to 92.", "", "Ask the books.", grid="A", severity="error")
SHORT = Code.LINE_SHORT.finding("Lines reach from station 1 to 50.", "", "Ask the books.", grid="A", action="ask")
BEYOND = Code.LINE_OUTSIDE.finding("The log has 24 lines.", "", "Ask the books.", grid="A")
ONE = Code.LINE_SHORT.finding("Stops at 40.", "", "Walk line 3 again.", grid="A", line=3, action="walk")
LENGTH, WIDTH = ("length_m",), ("width_m",)


@pytest.mark.parametrize(
    ("error", "compared", "left"),
    [
        (WrongSize("Longer.", LENGTH, True), [LONG, ONE], [ONE]),
        (WrongSize("Shorter.", LENGTH, False), [SHORT, ONE], [ONE]),
        (WrongSize("Wider.", WIDTH, True), [BEYOND], []),
        (WrongSize("Of another size.", WIDTH + LENGTH, None), [LONG], []),
        (WrongSize("Larger.", WIDTH + LENGTH, True), [LONG, BEYOND], []),
        # The log shows the opposite, or another side: that has another cause.
        (WrongSize("Longer.", LENGTH, True), [SHORT], [SHORT]),
        (WrongSize("Longer.", LENGTH, True), [BEYOND], [BEYOND]),
        (WrongSize("Wider.", WIDTH, True), [LONG, ONE], [LONG, ONE]),
        (EngineError("Two corners are swapped."), [LONG], [LONG]),
    ],
    ids=str,
)
def test_one_cause_is_one_finding(error, compared, left):
    first, *others = frame_failed("A", error, compared)
    assert (first.code, first.grid, first.severity) == ("grid-failed", "A", "error")
    assert others == left
    assert first.found.startswith(str(error))
    for finding in compared:
        assert (finding.found in first.found) == (finding not in left)
