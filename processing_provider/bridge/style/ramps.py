"""Colour ramps of maps: the same in QGIS and in the report, and where on a ramp the values of a channel lie."""

from __future__ import annotations

from typing import Iterable

import numpy as np

STRETCH_PERCENT = (2.0, 98.0)
SEQUENTIAL, DIVERGING, QUIET = "Viridis", "Below and above zero", "Greys"
RAMPS = {
    SEQUENTIAL: ("#440154", "#472d7b", "#3b528b", "#2c728e", "#21918c", "#28ae80", "#5ec962", "#addc30", "#fde725"),
    DIVERGING: ("#16496e", "#5f87ac", "#a9bdd0", "#eeeeee", "#d9b4a0", "#b97a53", "#7f3b0c"),
    QUIET: ("#f7f7f7", "#bdbdbd", "#858585", "#525252", "#252525"),
}
"""Colours at even steps. The first is Viridis by S. van der Walt and N. Smith (public domain, CC0), which grows evenly
lighter to the eye; the second is our own, equally dark on both sides of zero."""
LOPSIDED = 2.0
"""A range that reaches this many times as far on one side of zero as on the other is not about zero."""


def shared_range(arrays: Iterable[np.ndarray]) -> tuple[float, float]:
    """Return the 2 and 98 % values over all rasters of a channel; a flat channel gets a range around its value."""
    values = np.concatenate([a[np.isfinite(a)].ravel() for a in arrays])
    if not len(values):
        return 0.0, 1.0
    low, high = np.percentile(values, STRETCH_PERCENT).tolist()
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def channel_look(arrays: Iterable[np.ndarray]) -> tuple[tuple[float, float], str]:
    """Return the range of a channel's colours and the ramp for it: a diverging one, zero in its middle, only where
    the values lie about evenly on both sides of zero."""
    low, high = shared_range(arrays)
    if low < 0 < high and 1 / LOPSIDED <= -low / high <= LOPSIDED:
        return _evenly_about_zero(low, high)
    return (low, high), SEQUENTIAL


def about_zero(arrays: Iterable[np.ndarray]) -> tuple[tuple[float, float], str]:
    """Return a range with zero in its middle and the ramp for it: what stands out from a background."""
    return _evenly_about_zero(*shared_range(arrays))


def _evenly_about_zero(low: float, high: float) -> tuple[tuple[float, float], str]:
    reach = max(-low, high)
    return (-reach, reach), DIVERGING


def from_zero(arrays: Iterable[np.ndarray]) -> tuple[tuple[float, float], str]:
    """Return a range from zero on and the ramp for it: what is no map of the ground, such as a standard error."""
    return (0.0, shared_range(arrays)[1]), QUIET


def colour_at(ramp: str, share: float) -> tuple[int, int, int]:
    """Return red, green and blue (0 to 255) at a share (0 to 1) of a ramp."""
    stops = np.array([[int(colour[i : i + 2], 16) for i in (1, 3, 5)] for colour in RAMPS[ramp]])
    places = np.linspace(0.0, 1.0, len(stops))
    red, green, blue = (round(float(np.interp(share, places, stops[:, i]))) for i in range(3))
    return red, green, blue
