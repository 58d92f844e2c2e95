"""Traces: readings found by position, and the lines beside a line."""

import numpy as np
import pytest
from turnrow.plugin.profile.traces import DIFFERENCE, nearest_recording, neighbours

from ..conftest import opened
from .conftest import trace

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


def test_trace_finds_readings_by_place():
    walked_back = trace(np.zeros(5), x=np.array([4.0, 3.0, np.nan, 1.0, 0.0]))
    assert walked_back.nearest(3.2) == 1
    assert walked_back.between(0.5, 3.5) == (1, 3)
    assert walked_back.between(1.2, 2.8) is None
    assert trace(np.zeros(2), x=np.full(2, np.nan)).nearest(1.0) is None
    np.testing.assert_array_equal(walked_back.values(DIFFERENCE), np.ones(5))


def test_nearest_line_on_the_map_is_the_one_a_look_at_every_reading_finds(survey_files):
    session = opened(survey_files)
    tables = [session.state(g).corrected for g in session.grids]
    for row in np.flatnonzero(tables[1].in_use)[[7, 150, 300]].tolist():
        x, y = tables[1].x[row] + 0.05, tables[1].y[row] - 0.04
        key, seq = nearest_recording(tables, x, y, 1.0)
        assert (key, seq) == (("B", int(tables[1].line[row]), 1), int(tables[1].seq[row]))
    assert nearest_recording(tables, x + 500, y, 1.0) is None


def test_neighbours_are_the_lines_on_both_sides(survey_files):
    session = opened(survey_files)
    runs = session.runs("A")
    beside = neighbours(session.state("A").corrected, runs, runs[4])
    assert sorted(run.line for run in beside) == [4, 6]
    assert [run.line for run in neighbours(session.state("A").corrected, runs, runs[0])] == [2]
