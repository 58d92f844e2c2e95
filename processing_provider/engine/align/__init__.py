"""Where along the traverse each reading was taken: the lag of the instrument and the position errors of each line."""

from .align import align_opposing
from .record import AlignRecord

__all__ = ["AlignRecord", "align_opposing"]
