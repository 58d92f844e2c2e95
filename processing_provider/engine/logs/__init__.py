"""Text logs of any layout into readings."""

from .draft import (
    PARTED,
    ROW_WORDS,
    DraftColumn,
    LayoutDraft,
    LayoutTrial,
    ShownRow,
    begin_draft,
    parted_otherwise,
    shown_rows,
    try_layout,
)
from .layout import EXTRA_ROLES, ROLES, LogLayout, layout_from_json, layout_to_json
from .reader import LogResult, read_log
from .recordings import Traverse, traverses_of
from .time_formats import NUMBER_FORMATS, TEXT_FORMATS

__all__ = [
    "EXTRA_ROLES",
    "NUMBER_FORMATS",
    "PARTED",
    "ROLES",
    "ROW_WORDS",
    "TEXT_FORMATS",
    "DraftColumn",
    "LayoutDraft",
    "LayoutTrial",
    "LogLayout",
    "LogResult",
    "ShownRow",
    "Traverse",
    "begin_draft",
    "layout_from_json",
    "layout_to_json",
    "parted_otherwise",
    "read_log",
    "shown_rows",
    "traverses_of",
    "try_layout",
]
