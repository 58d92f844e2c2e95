"""Where along the traverse each reading was taken: the lag of the instrument and the walk of each line."""

from .align import align_grids, align_opposing

__all__ = ["align_grids", "align_opposing"]
