"""Line and station into metres on the ground."""

from .place import REDONE_MARGIN_M, counted_stations, note_for_run, place_readings
from .record import PlaceRecord
from .runs import SAME_STATION, ends_exchanged, noted_start

__all__ = [
    "PlaceRecord",
    "REDONE_MARGIN_M",
    "SAME_STATION",
    "counted_stations",
    "ends_exchanged",
    "note_for_run",
    "noted_start",
    "place_readings",
]
