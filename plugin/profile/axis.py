"""One axis of a picture: from values to pixels and back, zoomed and moved, with round ticks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

Values = TypeVar("Values", float, np.ndarray)
ROUND_STEPS = (1.0, 2.0, 5.0, 10.0)
LEAST_SPAN = 1e-9
"""Relative to the values themselves: a smaller range could not be resolved by floating-point numbers."""


@dataclass(frozen=True)
class Scale:
    """A straight line between two values and two pixels.

    Attributes
    ----------
    low, high : float
        Values at the two ends.
    start, stop : float
        Pixels at the two ends; ``stop`` lies below ``start`` where pixels grow downwards and values upwards.
    """

    low: float
    high: float
    start: float
    stop: float

    def px(self, values: Values) -> Values:
        """Return the pixels of values (a number or an array)."""
        return self.start + (values - self.low) * ((self.stop - self.start) / (self.high - self.low))

    def value(self, px: float) -> float:
        """Return the value at a pixel."""
        return self.low + (px - self.start) * ((self.high - self.low) / (self.stop - self.start))

    def zoomed(self, factor: float, about_px: float) -> Scale:
        """Return the scale that shows ``1 / factor`` of the range, with the value at a pixel where it was."""
        centre = self.value(about_px)
        low, high = (centre + (end - centre) / factor for end in (self.low, self.high))
        if abs(high - low) <= LEAST_SPAN * max(abs(low), abs(high), 1.0):
            return self
        return replace(self, low=low, high=high)

    def moved(self, by_px: float) -> Scale:
        """Return the scale that shows what was ``by_px`` further back: the picture follows the hand."""
        by = self.value(self.start + by_px) - self.low
        return replace(self, low=self.low - by, high=self.high - by)

    def between(self, start: float, stop: float) -> Scale:
        """Return the same range of values between other pixels."""
        return replace(self, start=start, stop=stop)

    def ticks(self, distance_px: float) -> list[tuple[float, str]]:
        """Return round values at least ``distance_px`` from each other, and their labels."""
        low, high = sorted((self.low, self.high))
        length = abs(self.stop - self.start)
        step = round_step((high - low) * distance_px / max(length, 1.0))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        # Adding zero turns a label of -0 into 0.
        return [(n * step, f"{round(n * step, decimals) + 0.0:.{decimals}f}") for n in range(first, last + 1)]


def round_step(least: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below ``least`` (above zero)."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in ROUND_STEPS if step * power >= least * (1 - 1e-9))


def padded(low: float, high: float, fraction: float = 0.06) -> tuple[float, float]:
    """Return a range with room at both ends; a flat one gets room around its value."""
    room = (high - low) * fraction if high > low else max(abs(high) * fraction, 0.5)
    return low - room, high + room
