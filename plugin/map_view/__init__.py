"""What the workbench shows and picks on the map."""

from .line_picker import LinePicker, MapPointer
from .overlay import MapLink, insert_over_maps
from .survey_maps import load_maps

__all__ = [
    "LinePicker",
    "MapLink",
    "MapPointer",
    "insert_over_maps",
    "load_maps",
]
