"""Rows of recorded lines, and the sentence of what was read; expected values are those that were written."""

from __future__ import annotations

from dataclasses import astuple

import numpy as np
from turnrow.processing_provider.engine.logs.reader import read_log
from turnrow.processing_provider.engine.logs.recordings import traverses_of
from turnrow.tests.engine.logs.log_files import LAYOUT, OPENED, survey, write


def test_a_row_a_recording(tmp_path):
    rows = [f"{a},{b},{t},{c},{d}" for a, b, t, c, d in zip(*survey(3, 5))]
    again = [f"2,{s},{40000 + s},1.0,0.5" for s in (9, 8, 7)]
    result = read_log(write(tmp_path, "line,station,time,cond,inphase", *rows, *again), LAYOUT, grid="A")
    assert [astuple(row) for row in traverses_of(result.readings)] == [
        ("A", 1, 1, 5, 1.0, 5.0, 34200.0, 0.5, 1),
        ("A", 2, 1, 5, 5.0, 1.0, 34200.625, 0.5, -1),
        ("A", 3, 1, 5, 1.0, 5.0, 34201.25, 0.5, 1),
        ("A", 2, 2, 3, 9.0, 7.0, 40009.0, -2.0, -1),
    ]
    assert result.sentence() == "log.csv: 18 readings in 4 recordings of 3 lines."


def test_a_heading_that_neither_opening_nor_stations_show(tmp_path):
    log = write(tmp_path, "LINE 1", "5", "6", "LINE 2 10 -1 at 09:00:00 out", "7", "8", "LINE 3 4 1", "9")
    first, second, third = traverses_of(read_log(log, OPENED).readings)
    assert (first.heading, second.heading, third.heading) == (0, 1, 0)
    assert np.isnan(first.first_station)
    assert (second.first_station, second.last_station) == (10.0, 9.0)
