"""Lines on the ground of the next one, on ground that is drawn apart from the models (tests/cases/planting.py)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.geometry.frame import Corner, fit_frame, local_corner
from turnrow.processing_provider.engine.mistakes import possible_mistakes
from turnrow.processing_provider.engine.place import place_readings

PLANTING = Path(__file__).resolve().parents[2] / "cases" / "planting.py"
SCHEME = Scheme(grid="A", length_m=10, width_m=10, spacing_m=0.5, readings_per_m=8)


def placed(survey):
    """Placed readings of the lines of grid A."""
    lines = [one for one in survey.grids["A"].recordings if one.kind == "survey"]
    number = np.concatenate([np.full(len(one.station), one.line) for one in lines])
    station, time, value = (np.concatenate([getattr(one, n) for one in lines]) for n in ("station", "time_s", "value"))
    readings = Readings.build(number, {"cond": value}, grids=("A",), station=station, time_s=time)
    corners = [Corner("A", name, *local_corner(name, 10, 10)) for name in ("start", "baseline", "opposite", "head")]
    return place_readings(readings, SCHEME, (), fit_frame(corners, 10, 10))[0]


def test_a_line_walked_on_the_next_one_is_measured_and_no_other_is_accused(planting):
    """Small grids seldom show it, and where they do it is that line or the one whose ground it shares.

    Named by chance it would be one of 20 lines: three right names of three have a probability of (2 / 20)^3.
    """
    found = []
    for seed in range(16):
        survey, line = planting.draw(900 + seed), 4 + seed % 12
        planting.on_other_ground(survey, survey.grids["A"], line, (line + 0.5) * 0.5)
        for one in possible_mistakes(placed(survey), SCHEME):
            assert (one.finding.code, one.finding.action) == ("line-again", "measure")
            assert one.finding.line in (line, line + 1)
            assert f"line {line + 1}" in one.finding.text or f"line {line}" in one.finding.text
            found.append(seed)
    assert len(found) >= 3


@pytest.mark.parametrize("seed", range(4))
def test_lines_of_their_own_ground_are_not_accused(planting, seed):
    assert possible_mistakes(placed(planting.draw(900 + seed)), SCHEME) == []
