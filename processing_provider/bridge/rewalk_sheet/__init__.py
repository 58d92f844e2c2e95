"""What the crew takes out: the re-walk sheet on paper, and the lines to walk for a handheld receiver."""

from .gpx import write_gpx
from .sheet import write_sheet

__all__ = [
    "write_gpx",
    "write_sheet",
]
