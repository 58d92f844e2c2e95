"""Profiles of traverses, one or many."""

from .axis import Scale
from .profile_painter import ProfileContent, clock, name_of
from .profile_view import CHOOSE, LOOK, ProfileView, mouse_place
from .stacked_view import StackedContent, StackedView
from .theme import DARK_BELOW, Look, look_of
from .traces import CORRECTED, DIFFERENCE, DISTANCE, LOGGED, TIME, Trace, nearest_recording, neighbours, trace_of

__all__ = [
    "CHOOSE",
    "CORRECTED",
    "DARK_BELOW",
    "DIFFERENCE",
    "DISTANCE",
    "LOGGED",
    "LOOK",
    "Look",
    "ProfileContent",
    "ProfileView",
    "Scale",
    "StackedContent",
    "StackedView",
    "TIME",
    "Trace",
    "clock",
    "look_of",
    "mouse_place",
    "name_of",
    "nearest_recording",
    "neighbours",
    "trace_of",
]
