"""The log against the field notes and the scheme of the grid."""

from .compare import compare_notes

__all__ = [
    "compare_notes",
]
