"""Map sheets to scale: print layout, PDF and PNG."""

from .content import sheet_of
from .layout import export, make_layout

__all__ = [
    "export",
    "make_layout",
    "sheet_of",
]
