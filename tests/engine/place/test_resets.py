"""Where the notes say that the instrument was set to zero anew: found in the readings, and nothing is placed by it."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.core import UNREADABLE, Note, Reset
from turnrow.tests.engine.place.plan import BACK, OUT, log, place

CLOCK = np.arange(240) / 8
LOG = log((1, OUT), (2, BACK), (2, BACK), run=np.repeat([1, 1, 2], 80), seq=np.tile(np.arange(80), 3), time_s=CLOCK)


@pytest.mark.parametrize(
    ("row", "reset"),
    [
        ({"line": 1}, Reset("A", 1, 1, 0, None, 0.0)),
        ({"line": 2}, Reset("A", 2, 1, 0, None, 10.0)),
        ({"line": 2, "run": 2}, Reset("A", 2, 2, 0, None, 20.0)),
        ({"line": 1, "start_station": 41}, Reset("A", 1, 1, 40, 41, 5.0)),
        # Between two readings: the one behind is the first after it.
        ({"line": 1, "start_station": 40.5}, Reset("A", 1, 1, 40, 40.5, 5.0)),
        # Walked back, the stations count down.
        ({"line": 2, "start_station": 80}, Reset("A", 2, 1, 0, 80, 10.0)),
        ({"line": 2, "run": 2, "start_station": 1}, Reset("A", 2, 2, 79, 1, 20 + 79 / 8)),
    ],
    ids=str,
)
def test_a_reset_is_found_in_the_readings(row, reset):
    assert place(LOG, notes=[Note("A", kind="reset", **row)])[1].resets == (reset,)


@pytest.mark.parametrize("row", [{"line": 3}, {"line": 1, "run": 2}, {"line": 1, "start_station": 95}], ids=str)
def test_a_reset_that_no_recording_has_is_left_out(row):
    assert place(LOG, notes=[Note("A", kind="reset", **row)])[1].resets == ()


def test_logs_without_times_or_stations_have_resets_too():
    plain = log((1, OUT), (2, np.full(80, np.nan)))
    notes = [Note("A", 1, kind="reset", start_station=3), Note("", 2, kind="reset"), Note("B", 1, kind="reset")]
    resets = place(plain, notes=notes)[1].resets
    assert [(r.line, r.station, r.time_s) for r in resets] == [(1, 3, None), (2, None, None)]


def test_a_reset_moves_and_flags_nothing_beside_other_notes():
    notes = [Note("A", 1, kind="void"), Note("A", 2, position_m=0.8), Note("A", 2, kind=UNREADABLE, run=2)]
    resets = [Note("A", 1, kind="reset", position_m=3, heading=-1), Note("A", 2, kind="reset", start_station=40)]
    plain, marked = place(LOG, notes=notes)[0], place(LOG, notes=[*resets, *notes])[0]
    for name in ("u_m", "v_m", "x", "y", "flag", "heading", "kind"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(marked, name))


def test_the_record_says_where_the_instrument_was_reset():
    record = place(LOG, notes=[Note("A", 1, kind="reset"), Note("A", 2, kind="reset", start_station=40)])[1]
    sentence = "Noted as reset (set to zero anew or changed): before line 1, at station 40 of line 2"
    assert record.sentences({})[-1] == sentence
    assert record.as_json()["resets"][1]["station"] == 40
    assert not any("reset" in sentence for sentence in place(LOG)[1].sentences({}))
