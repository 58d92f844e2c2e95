"""Where the notes say that the instrument was set to zero anew or changed, in the readings of a grid."""

from __future__ import annotations

from typing import Iterable, Optional, Sequence

import numpy as np

from ..core import Note, Readings, Reset, Run

ROUNDING = 1e-9
"""Stations closer than this are equal. Derived: sums of stations and multiples of decimal steps are rounded to 1e-13 at
most, and the smallest step in use is a fraction of one."""


def resets_of(
    readings: Readings, recordings: Iterable[tuple[Run, np.ndarray]], notes: Sequence[Note]
) -> tuple[Reset, ...]:
    """Return the ``reset`` rows of the notes that fall into the readings of a grid, in the order of the notes.

    Parameters
    ----------
    readings : Readings
    recordings : iterable of (Run, (n,) float)
        With the stations by which notes speak of each.
    notes : sequence of Note
        Of this grid.

    Notes
    -----
    A row without ``run`` is about the first recording of its line that has the station, or about its first recording
    where no station is noted. A row about a line or a station that no recording has is left out; the comparison reports
    it.
    """
    there = list(recordings)
    found = (_reset(readings, there, note) for note in notes if note.kind == "reset")
    return tuple(reset for reset in found if reset is not None)


def _reset(readings: Readings, recordings: Sequence[tuple[Run, np.ndarray]], note: Note) -> Optional[Reset]:
    for run, station in recordings:
        if run.line != note.line or note.run not in (None, run.run):
            continue
        index = 0 if note.start_station is None else _first_at(station, note.start_station)
        if index is None:
            continue
        row = run.rows[index]
        time_s = float(readings.time_s[row])
        return Reset(run.grid, run.line, run.run, int(readings.seq[row]), note.start_station,
                     None if np.isnan(time_s) else time_s)  # fmt: skip
    return None


def _first_at(station: np.ndarray, wanted: float) -> Optional[int]:
    """Return the index of the first reading at or behind a station as walked; None where the recording has it not."""
    known = station[np.isfinite(station)]
    if not len(known) or not known.min() - ROUNDING <= wanted <= known.max() + ROUNDING:
        return None
    ahead = 1.0 if known[-1] >= known[0] else -1.0
    behind = ahead * (station - wanted) >= -ROUNDING
    return int(np.argmax(behind)) if behind.any() else None
