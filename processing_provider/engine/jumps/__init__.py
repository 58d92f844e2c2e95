"""Jumps of the level of the instrument in time: set to zero anew, a pause, a battery changed."""

from .find import Jumps, find_jumps, without_jumps
from .record import Jump

__all__ = ["Jump", "Jumps", "find_jumps", "without_jumps"]
