"""The log against the field notes and the scheme of the grid."""

from .compare import compare_notes, in_doubt

__all__ = [
    "compare_notes",
    "in_doubt",
]
