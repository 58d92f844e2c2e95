"""Line and station into metres on the ground."""

from .place import REDONE_MARGIN_M, SAME_STATION, counted_stations, note_for_run, place_readings

__all__ = [
    "REDONE_MARGIN_M",
    "SAME_STATION",
    "counted_stations",
    "note_for_run",
    "place_readings",
]
