"""Times of logs. Reference: ``datetime`` of the standard library."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout
from turnrow.processing_provider.engine.logs.reader import read_log
from turnrow.tests.engine.logs.log_files import write

MOMENTS = [datetime(2024, 12, 31, 23, 58, 0) + timedelta(seconds=1.5 * k) for k in range(160)]


ELAPSED = [(m - datetime(2024, 12, 31)).total_seconds() for m in MOMENTS]


@pytest.mark.parametrize(
    ("pattern", "form"),
    [("%H:%M:%S.%f", ""), ("%I:%M:%S.%f %p", ""), ("%Y-%m-%dT%H:%M:%S.%f", ""), ("%d.%m.%Y %H:%M:%S.%f", ""),
     ("%H%M%S.%f", ""), ("%H%M%S.%f", "HHMMSS"), ("%H-%M-%S.%f", "%H-%M-%S.%f")],
)  # fmt: skip
@pytest.mark.parametrize("decimal", [".", ","])
def test_times_over_midnight(tmp_path, pattern, form, decimal):
    dates = "Y" in pattern
    rows = [f"{m.strftime(pattern)};5.5".replace("." if not dates else "\0", decimal) for m in MOMENTS]
    columns = (LogColumn(1, "time", format=form), LogColumn(2, "channel"))
    layout = LogLayout(delimiter=";", decimal=decimal, header=False, columns=columns)
    if dates:
        rows = [row.replace("5.5", f"5{decimal}5") for row in rows]
    readings = read_log(write(tmp_path, *rows), layout).readings
    np.testing.assert_allclose(readings.time_s, ELAPSED, rtol=0, atol=1e-6)


@pytest.mark.parametrize("factor", [1, 1000])
def test_seconds_and_milliseconds_over_midnight(tmp_path, factor):
    path = write(tmp_path, *[f"{(t % 86400) * factor:.0f},5" for t in ELAPSED])
    layout = LogLayout(header=False, columns=(LogColumn(1, "time"), LogColumn(2, "channel")))
    expected = np.array([float(f"{(t % 86400) * factor:.0f}") / factor for t in ELAPSED])
    expected[np.array(ELAPSED) >= 86400] += 86400
    np.testing.assert_allclose(read_log(path, layout).readings.time_s, expected, rtol=0, atol=1e-9)


def test_minutes_only_and_a_date_column_over_several_days(tmp_path):
    path = write(tmp_path, "5,31/12/2024,09:30", "6,31/12/2024,16:00", "7,02/01/2025,08:15", "8,,08:20")
    columns = (LogColumn(1, "channel"), LogColumn(2, "date"), LogColumn(3, "time"))
    readings = read_log(path, LogLayout(header=False, columns=columns)).readings
    first = datetime(2024, 12, 31)
    moments = [datetime(2024, 12, 31, 9, 30), datetime(2024, 12, 31, 16, 0), datetime(2025, 1, 2, 8, 15)]
    expected = [(m - first).total_seconds() for m in moments]
    np.testing.assert_array_equal(readings.time_s, [*expected, np.nan])


def test_the_notation_of_times_is_settled_once_for_the_whole_log(tmp_path, monkeypatch):
    monkeypatch.setattr("turnrow.processing_provider.engine.logs.text.BLOCK_BYTES", 900)
    clock = [datetime(2024, 5, 3, 9, 0) + timedelta(seconds=k) for k in range(400)]
    layout = LogLayout(header=False, columns=(LogColumn(1, "time"), LogColumn(2, "channel")))
    readings = read_log(write(tmp_path, *[f"{m:%H%M%S},5" for m in clock]), layout).readings
    assert readings.time_s.tolist() == [32400 + k for k in range(400)]


def test_a_format_that_times_cannot_have():
    with pytest.raises(EngineError, match="Invalid format of time in column 'clock': 'weeks' was given"):
        LogColumn("clock", "time", format="weeks")
