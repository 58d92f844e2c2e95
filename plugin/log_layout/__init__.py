"""A layout is seen before it is used: the first rows of a log, what each column is taken for, and the lines."""

from .layout_dialog import LayoutDialog
from .layout_of import LayoutOf

__all__ = [
    "LayoutDialog",
    "LayoutOf",
]
