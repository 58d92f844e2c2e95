"""Text logs of any layout into readings."""

from .layout import EXTRA_ROLES, LogLayout, layout_from_json, layout_to_json
from .reader import LogResult, read_log
from .traverses import Traverse, traverses_of

__all__ = [
    "EXTRA_ROLES",
    "LogLayout",
    "LogResult",
    "Traverse",
    "layout_from_json",
    "layout_to_json",
    "read_log",
    "traverses_of",
]
