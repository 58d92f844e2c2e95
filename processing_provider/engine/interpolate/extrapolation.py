"""One more line beyond the outer ones, predicted from the lines of the grid."""

from __future__ import annotations

from typing import Optional

import numpy as np

LINES = 5
"""Lines that the next one is predicted from. Found by tests/calibration/interpolate.py: with more, the prediction
hardly gets better."""
UNEVEN = 0.2
"""Largest departure from the median distance between lines, as a fraction of it. Common practice, no source."""
SAMPLE = 6_000
"""About how many predictions of known lines the weights are fitted to. Derived: 1200 for each of five weights, which
are then known to 1 / sqrt(1200) = 3 % of the ratio of residual and values."""
LEAST = 20 * LINES
"""Predictions below which there are no weights. Derived: twenty for each weight, likewise 22 %."""
RIDGE = 1e-6
"""Least variance of a prediction by the mean one. Derived: its square root, 0.1 %, is below any noise; it keeps weights
finite where a prediction is exact."""


def extrapolate_lines(
    u: np.ndarray, z: np.ndarray, zvv: np.ndarray, known: np.ndarray, *, spacing_m: float, noise: float
) -> np.ndarray:
    """Write the values of one more line beyond the outer ones, and return where.

    Parameters
    ----------
    u : (nodes, knots) float64
        Position of the knots in metres, growing.
    z, zvv : (nodes, knots) float64
        Values, and their second derivatives along the lines. They are written to.
    known : (nodes, knots) bool
    spacing_m : float
        Median distance between lines; only lines at that distance are predicted, and from such.
    noise : float
        Standard deviation of a value.

    Returns
    -------
    (nodes, knots) bool
        Nowhere when too few lines lie side by side.

    Notes
    -----
    Once the mean slope across the lines is taken off, weights w that add up to one minimise the squared error of
    ``z[j - 1] = w . z[j : j + 5]`` over all lines of the grid, in both directions, each divided by 6 noise^2 plus the
    mean square of the second differences of its six values: a weak anomaly counts as much as a strong one. A constant
    and a plane are kept, a smooth field is continued smoothly, and the noisier the readings, the more the weights
    approach a mean. This is linear prediction as of time series (J. Makhoul 1975, Linear prediction: a tutorial review,
    Proceedings of the IEEE 63, 561-580; from memory).
    """
    extrapolated = np.zeros_like(known)
    some = slice(None, None, max(1, z.size // SAMPLE))
    slope = _slope(u[some], z[some], known[some])
    weights = _weights(u[some], z[some] - slope * u[some], known[some], spacing_m, noise)
    if weights is None:
        return extrapolated
    for way in (1, -1):
        position, there = u[:, ::way], known[:, ::way]
        outer = there.argmax(axis=1)
        row = np.flatnonzero(there.any(axis=1) & (outer > 0) & (outer + LINES <= there.shape[1]))[:, None]
        knot = outer[row] + np.arange(-1, LINES)
        even = np.abs(np.abs(np.diff(position[row, knot], axis=1)) - spacing_m) <= UNEVEN * spacing_m
        good = even.all(axis=1) & there[row, knot[:, 1:]].all(axis=1)
        row, knot = row[good], knot[good]
        for table, tilt in ((z, slope), (zvv, 0.0)):
            turned = table[:, ::way]
            level = turned[row, knot[:, 1:]] - tilt * position[row, knot[:, 1:]]
            turned[row[:, 0], knot[:, 0]] = level @ weights + tilt * position[row[:, 0], knot[:, 0]]
        extrapolated[:, ::way][row[:, 0], knot[:, 0]] = True
    return extrapolated


def _slope(u: np.ndarray, z: np.ndarray, known: np.ndarray) -> float:
    """Return the mean slope from line to line."""
    both = known[:, 1:] & known[:, :-1]
    across, rise = np.diff(u, axis=1)[both], np.diff(z, axis=1)[both]
    return float(np.sum(rise * across) / np.sum(across**2)) if len(rise) else 0.0


def _weights(u: np.ndarray, z: np.ndarray, known: np.ndarray, spacing_m: float, noise: float) -> Optional[np.ndarray]:
    """Return the (LINES,) weights, the nearest line first; None when too few lines lie side by side."""
    windows = z.shape[1] - LINES
    if windows < 1:
        return None
    even = np.abs(np.diff(u, axis=1) - spacing_m) <= UNEVEN * spacing_m
    whole = np.ones((len(z), windows), bool)
    for k in range(LINES + 1):
        whole &= known[:, k : k + windows]
        if k < LINES:
            whole &= even[:, k : k + windows]
    values = np.stack([z[:, k : k + windows][whole] for k in range(LINES + 1)])
    values = np.concatenate([values, values[::-1]], axis=1)
    if values.shape[1] < LEAST:
        return None
    variance = 6.0 * noise**2 + np.square(np.diff(values, 2, axis=0)).mean(axis=0)
    variance += RIDGE * variance.mean() + np.finfo(float).tiny
    off = (values - values[1]) / np.sqrt(variance)
    normal = np.einsum("in,jn->ij", off[2:], off)
    found = np.linalg.lstsq(normal[:, 2:], normal[:, 0], rcond=None)[0]
    return np.append(1.0 - found.sum(), found)
