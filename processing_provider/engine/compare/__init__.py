"""The log against the field notes and the scheme of the grid."""

from .compare import compare_notes, grid_questioned, lines_in_error

__all__ = [
    "compare_notes",
    "grid_questioned",
    "lines_in_error",
]
