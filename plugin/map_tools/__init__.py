"""Tools on the map: grid corners, plan images, shared colours."""

from .actions import Tools

__all__ = [
    "Tools",
]
